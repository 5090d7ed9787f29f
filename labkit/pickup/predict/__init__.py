"""From a build sheet to electrical values with their intervals."""
