"""What tolerances do to a rig."""
