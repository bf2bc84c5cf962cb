"""Exercises for a class: an engine with a hidden truth and faults, a work sheet, and marks."""
