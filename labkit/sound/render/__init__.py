"""A take through a rig."""
