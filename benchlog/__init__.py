"""The core: facts, computation, limits, the limit watch, the session file and the recorder."""
