"""Where work of a fleet is done: a cluster of this machine's cores, or a scheduler by its address.

Dask does it (the extra `fleet`): it hands work out, does it again where a worker was lost, and is
what laboratories have running already.
"""

import logging
import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, TypeVar

from breathmap.tools.base.errors import UserError
from breathmap.tools.base.texts import one_line
from breathmap.tools.base.version import software_version

if TYPE_CHECKING:
    from distributed import Client

Order = TypeVar("Order")
Result = TypeVar("Result")

MISSING = (
    "this needs Dask, which is not installed here: pip install 'breathmap[fleet]', or learn the "
    "recordings on one core with breathmap replay"
)
# How long a scheduler may take to answer, and how often a lost piece of work is done again.
ANSWERS_WITHIN_S = 10.0
TRIES = 3


@contextmanager
def cluster(scheduler: str | None, workers: int | None) -> Iterator["Client"]:
    """Yield a client of an existing scheduler, or of a cluster made for the while.

    workers: of the cluster made; by default one a core. UserError where there is no Dask, or
    nobody answers at the address.
    """
    try:
        from distributed import Client, LocalCluster
    except ImportError:
        raise UserError(MISSING) from None
    if scheduler is not None:
        try:
            client = Client(scheduler, timeout=ANSWERS_WITHIN_S)
        except (OSError, ValueError, TypeError):
            raise UserError(
                f"{scheduler}: no scheduler answers there; give its address as it prints it, "
                "tcp://HOST:8786"
            ) from None
        with client:
            yield client
        return
    made = LocalCluster(
        n_workers=workers or os.cpu_count() or 1,
        threads_per_worker=1,
        host="127.0.0.1",
        dashboard_address="127.0.0.1:0",
        silence_logs=logging.CRITICAL,
    )
    with made, Client(made) as client:
        yield client


def as_done(
    client: "Client", work: Callable[[Order], Result], orders: Sequence[Order]
) -> Iterator[tuple[int, Result]]:
    """Do all orders, and yield the number of each and what came of it, as they get done. UserError
    names the order that a worker failed on."""
    from distributed import as_completed

    futures = client.map(work, orders, pure=False, retries=TRIES)
    numbers: dict[Any, int] = {future.key: k for k, future in enumerate(futures)}
    for future in as_completed(futures):
        number = numbers[future.key]
        try:
            result = future.result()
        except Exception as error:
            # Whatever a worker raises: it may have another version, or too little memory.
            raise UserError(
                f"a worker failed on {orders[number]}: {type(error).__name__}: "
                f"{one_line(str(error))}; its machine needs the same version of breathmap, "
                "recordings under the same paths, and enough memory"
            ) from None
        yield number, result
        future.release()


def check_version(order: object, result: object) -> None:
    """UserError where another version did it: what comes of it need not be the same."""
    here, there = software_version(), getattr(result, "version", "")
    if there != here:
        raise UserError(
            f"{order}: a worker did it with breathmap {there or 'before 0.2.0'}, and here is "
            f"{here}; install the same version on every machine"
        )
