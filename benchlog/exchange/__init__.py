"""Session data out to and in from other formats."""
