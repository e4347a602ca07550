"""The only importers of pyvisa, pyserial and pymodbus; their errors become ours in `seam`."""
