"""The soldering drawing: real parts with their lugs, the wires between them, and what is read back from the picture."""
