"""Step plan, limit watch and soak as a state machine that does no input or output."""
