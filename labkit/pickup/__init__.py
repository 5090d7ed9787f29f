"""Pickups: from geometry, materials or known values to coils as a circuit sees them."""
