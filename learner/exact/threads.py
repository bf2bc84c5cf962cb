"""How many threads the linear algebra uses while a bank's equations are solved. Host only.

They are small: more threads only wait for one another. Measured on two busy cores, a solve takes
thirty times longer with two threads than with one.
"""

import sys
from contextlib import AbstractContextManager
from functools import lru_cache

import numpy  # noqa: F401 - loads the library whose threads are counted
from threadpoolctl import ThreadpoolController


@lru_cache(maxsize=2)
def _libraries(with_scipy: bool) -> ThreadpoolController:
    """Count the libraries that are loaded; scipy brings one of its own, where it is."""
    return ThreadpoolController()


def one_thread() -> AbstractContextManager[object]:
    """Return a context in which numpy and scipy compute on one thread; what was set comes back."""
    limited: AbstractContextManager[object] = _libraries("scipy.linalg" in sys.modules).limit(
        limits=1, user_api="blas"
    )
    return limited
