"""labkit: predict, hear, measure and compare electric-guitar pickups in a real rig."""

__version__ = "0.1.0"
