"""A pickup measured with a sound interface: what is played, what comes back, what is wrong with it, what it says."""
