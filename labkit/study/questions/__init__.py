"""Questions that are asked every week, each with one answer for commands, pages and papers."""
