"""The lab's pages as thin notebooks: import, build, show."""
