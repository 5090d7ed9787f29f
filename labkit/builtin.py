"""Built-in plugin: what labkit itself brings comes through the same hooks as anybody else's."""
