"""Rigs: pickups in a harness, what follows the jack, and the positions of the controls."""
