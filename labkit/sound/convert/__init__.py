"""From one rig to another: dry recordings and impulse responses."""
