"""How many threads the linear algebra uses while a bank's equations are solved. Host only.

They are small: more threads only wait for one another. Measured on two busy cores, a solve takes
thirty times longer with two threads than with one.
"""

import sys
from contextlib import AbstractContextManager
from functools import lru_cache

import numpy  # noqa: F401 - loads the library whose threads are counted
from threadpoolctl import ThreadpoolController


def one_thread() -> AbstractContextManager[object]:
    """Return a context in which numpy and scipy compute on one thread; what was set comes back."""
    limited: AbstractContextManager[object] = _controller("scipy.linalg" in sys.modules).limit(
        limits=1, user_api="blas"
    )
    return limited


@lru_cache
def _controller(has_scipy: bool) -> ThreadpoolController:
    """Return what limits the libraries that are loaded: looking for them takes as long as many a
    solution, and only scipy brings another one along."""
    return ThreadpoolController()
