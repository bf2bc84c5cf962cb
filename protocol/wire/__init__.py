# Board-safe: runs on CPython and MicroPython alike.
"""Board-safe half of the protocol: numbers, field table, frames, reader, samples."""
