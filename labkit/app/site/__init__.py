"""The lab as a folder of files that needs no server: its pages run in the browser's own Python."""
