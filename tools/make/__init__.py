"""Generators that keep derived files in step with the field table."""
