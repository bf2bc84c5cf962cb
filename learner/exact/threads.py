"""How many threads the linear algebra uses while a bank's equations are solved. Host only.

They are small: more threads only wait for one another. Measured on two busy cores, a solve takes
thirty times longer with two threads than with one.
"""

from contextlib import AbstractContextManager
from functools import cache

import numpy  # noqa: F401 - loads the library whose threads are counted
from threadpoolctl import ThreadpoolController


def one_thread() -> AbstractContextManager[object]:
    """Return a context in which numpy computes on one thread; what was set comes back."""
    limited: AbstractContextManager[object] = libraries().limit(limits=1, user_api="blas")
    return limited


@cache
def libraries() -> ThreadpoolController:
    """Return what limits the libraries that were loaded at the first call, numpy's among them: to
    look for them takes as long as many a solution, and solving asks no other."""
    return ThreadpoolController()
