# Board-safe: runs on CPython and MicroPython alike.
"""The shared language: field table, frames, link, samples, recordings.

Imports nothing here, so that a board can take `breathmap.protocol.wire.fields` without the host's
codec.
"""
