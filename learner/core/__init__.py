# Board-safe: runs on CPython and MicroPython alike.
"""The streaming learner, as it also runs on a microcontroller."""
