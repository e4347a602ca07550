"""Test points, taking, judgement, findings and suspects of the cold checks."""
