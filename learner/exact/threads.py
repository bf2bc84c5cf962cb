"""How many threads the linear algebra uses while a bank's equations are solved. Host only.

They are small: more threads only wait for one another. Measured on two busy cores, a solve takes
thirty times longer with two threads than with one.
"""

from contextlib import AbstractContextManager

import numpy  # noqa: F401 - loads the library whose threads are counted
from threadpoolctl import ThreadpoolController


def one_thread() -> AbstractContextManager[object]:
    """Return a context in which numpy and scipy compute on one thread; what was set comes back.

    The libraries are counted each time: scipy brings one of its own, once it is loaded.
    """
    limited: AbstractContextManager[object] = ThreadpoolController().limit(
        limits=1, user_api="blas"
    )
    return limited
