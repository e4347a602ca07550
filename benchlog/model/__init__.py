"""Facts: quantities, readings, instruments, the unit, steps, verdicts, history entries, the error tree."""
