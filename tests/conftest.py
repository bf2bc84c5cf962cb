"""Imports tools before anything imports numpy: it sets the number of threads, see there."""

import tools  # noqa: F401
