"""The specification's prose and generated tables."""
