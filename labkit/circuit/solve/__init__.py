"""From a circuit to numbers: topology, the program of one elimination, and the solver that runs it."""
