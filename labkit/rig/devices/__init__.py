"""Real parts with their lugs: which switch makes the joins of a sheet, and what is soldered to what."""
