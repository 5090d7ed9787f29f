"""Parts of a harness: what stands between named nodes, and what each control does to it."""
