"""The rig of a page: its controls, its line, and how an address carries it."""
