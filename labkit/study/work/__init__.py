"""Long work in chunks: workers, watching, stopping, checkpoints."""
