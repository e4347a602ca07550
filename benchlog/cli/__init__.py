"""The commands, and the one place where the parts are put together."""
