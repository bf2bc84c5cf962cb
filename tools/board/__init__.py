# Board-safe: runs on CPython and MicroPython alike.
"""The learner as a MicroPython application: samples in, evidence kept, requests answered.

README.md in this folder says how to put it on a board.
"""
