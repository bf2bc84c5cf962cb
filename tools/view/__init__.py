"""The live view: an observer of a session, in the terminal."""
