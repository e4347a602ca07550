"""A bench that answers over real transports, with a physical model of the unit behind it."""
