"""From a circuit to symbols: reduction, rational functions, names, and how they are written out."""
