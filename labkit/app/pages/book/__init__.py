"""The page of the workshop book."""
