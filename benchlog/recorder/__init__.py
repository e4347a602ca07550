"""Workers, ticker, writer, standby and the window's line protocol."""
