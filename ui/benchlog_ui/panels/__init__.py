"""Panels of the stages that are worked with the plug out, and of the final checks."""
