"""The pages of the lab, a folder each."""
