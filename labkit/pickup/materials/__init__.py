"""What pickups are made of: metals, enamel, strings and wire, each number with its source."""
