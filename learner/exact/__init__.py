"""Exact solution, whole recordings and the search for the delay. Host only."""
