# Board-safe: runs on CPython and MicroPython alike.
"""Estimation: kernel, gates, history, stream on the board; solve and description on the host.

Imports nothing here, so that a board can take `breathmap.learner.core.stream` without the host
side.
"""
