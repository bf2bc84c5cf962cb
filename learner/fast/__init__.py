"""Host only: the same learner over many samples at once, in C where a compiler built it."""
