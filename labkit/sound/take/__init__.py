"""Takes: strings, plucks and decay, and the sheets they are written on."""
