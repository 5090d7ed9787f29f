"""How sure a prediction is."""
