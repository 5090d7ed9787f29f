"""The shim test: a string lifted by a known distance, recorded, and read as volts per velocity."""
