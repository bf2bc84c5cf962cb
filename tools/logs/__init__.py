"""Logs of other programs: opening them, and telling which column is what."""
