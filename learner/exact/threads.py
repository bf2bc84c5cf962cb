"""How many threads the linear algebra uses while a bank's equations are solved. Host only.

They are small: more threads only wait for one another. Measured on two busy cores, a solve takes
thirty times longer with two threads than with one.
"""

from contextlib import AbstractContextManager
from functools import lru_cache

import scipy.linalg  # noqa: F401 - loads numpy and the libraries whose threads are counted
from threadpoolctl import ThreadpoolController


@lru_cache(maxsize=1)
def _libraries() -> ThreadpoolController:
    return ThreadpoolController()


def one_thread() -> AbstractContextManager[object]:
    """Return a context in which numpy and scipy compute on one thread; what was set comes back."""
    limited: AbstractContextManager[object] = _libraries().limit(limits=1, user_api="blas")
    return limited
