"""Time plots of drives: what was measured, what the tables predict, and what was not learned."""
