"""Where a limit comes from: value, unit, source and confidence."""
