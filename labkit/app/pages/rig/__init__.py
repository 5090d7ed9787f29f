"""The rig page."""
