"""The session file: create, append, read, close, verify, recover."""
