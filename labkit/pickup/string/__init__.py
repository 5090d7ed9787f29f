"""From a string to the coil: the string as a saturating steel wire over poles, and what it induces."""
