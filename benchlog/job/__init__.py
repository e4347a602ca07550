"""Intake, approval, parts, adjustment, endings and the list of jobs."""
