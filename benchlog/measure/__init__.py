"""Pure computation on arrays and readings."""
