"""From single readings to a verdict."""
