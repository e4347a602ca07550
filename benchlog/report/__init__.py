"""The document that is handed over."""
