"""The demo's scenario: a college's teaching bench, invented, and its simulated engine."""
