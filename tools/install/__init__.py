"""The learner onto a MicroPython board, and the requests that a board answers."""
