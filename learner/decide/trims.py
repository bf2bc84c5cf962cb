"""Banks' tables as one common table and a trim of it for each bank, as some controllers store them.

Both are rounded to the controller's steps, and what the controller makes of them, common x (1 +
trim), is what counts: for no bank is it below what the rule of a proposal allows. With a trim a
cell it is each bank's table to within one step of the trim; with one number a bank, as near as that
lets it.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from breathmap.learner.decide.proposal import SAME_PCT, maximum_of
from breathmap.learner.words.description import Storage, Trims

Array = NDArray[np.float64]
# Smaller than this part of a step is round-off.
TINY_STEP = 1e-7


@dataclass(frozen=True)
class Wanted:
    """One bank: the table proposed, the least VE that the rule allows, and the standard errors as
    fractions; all of shape (load_count, speed_count)."""

    cells_pct: Array
    minimum_pct: Array
    error: Array


@dataclass(frozen=True)
class Trimmed:
    """A common table and the banks' trims. common_pct: VE, per cent, shape (load_count,
    speed_count); trims_pct: per cent of fuel, shape (banks, load_count, speed_count), alike in
    every cell where there is one number a bank. Each with its standard errors, per cent of fuel.
    short: cells, of all banks together, where the controller cannot hold what the rule asks."""

    common_pct: Array
    common_error_pct: Array
    trims_pct: Array
    trim_errors_pct: Array
    short: int

    @property
    def product_pct(self) -> Array:
        """What the controller makes of them, VE in per cent, shape as trims_pct."""
        return np.asarray(self.common_pct * (1.0 + self.trims_pct / 100.0))


def trimmed(banks: Sequence[Wanted], storage: Storage, trims: Trims) -> Trimmed:
    """Return the common table and the trims that make the banks' tables, nowhere leaner than the
    rule allows, as far as the controller can hold that."""
    tables = np.stack([bank.cells_pct for bank in banks])
    # What no table can hold is told of the proposal itself.
    floors = np.minimum(np.stack([bank.minimum_pct for bank in banks]), tables)
    errors = np.stack([bank.error for bank in banks])
    trim_errors = _errors_of_trims(tables, errors)
    if trims.per == "bank":
        numbers, trim_errors = _one_number(tables, errors, trim_errors, trims)

        def pick(common: Array) -> Array:
            return np.asarray(np.broadcast_to(numbers, tables.shape))

        near = (tables / (1.0 + numbers / 100.0)).mean(axis=0)
    else:

        def pick(common: Array) -> Array:
            return _trims_of_cells(tables, floors, common, trims)

        reach = 1.0 + _most_steps(trims) * trims.step_pct / 100.0
        near = np.maximum(tables.mean(axis=0), (tables / reach).max(axis=0))
    common = _raised(_in_steps(near, storage), floors, pick, storage)
    found = pick(common)
    short = int((common * (1.0 + found / 100.0) < floors - SAME_PCT).sum())
    common_error = 100.0 * np.sqrt((errors**2).sum(axis=0)) / len(banks)
    return Trimmed(common, common_error, found, trim_errors, short)


def _most_steps(trims: Trims) -> float:
    return float(np.floor(trims.max_pct / trims.step_pct + TINY_STEP))


def _in_steps(cells: Array, storage: Storage) -> Array:
    whole = np.floor(cells / storage.step_pct + 0.5) * storage.step_pct
    return np.asarray(np.clip(whole, storage.step_pct, maximum_of(storage)))


def _trims_of_cells(tables: Array, floors: Array, common: Array, trims: Trims) -> Array:
    """Return the trims nearest to the tables, or the next ones above where the rule asks that."""
    step, most = trims.step_pct, _most_steps(trims)
    nearest = np.floor(100.0 * (tables / common - 1.0) / step + 0.5)
    least = np.ceil(100.0 * (floors / common - 1.0) / step - TINY_STEP)
    return np.asarray(step * np.clip(np.maximum(nearest, least), -most, most))


def _errors_of_trims(tables: Array, errors: Array) -> Array:
    """Return the standard errors of each bank against the mean of all, per cent: banks are learned
    by sensors of their own, so their errors add as independent ones do."""
    count, squares = len(tables), errors**2
    others = squares.sum(axis=0) - squares
    spread = np.sqrt(squares * (1.0 - 1.0 / count) ** 2 + others / count**2)
    return np.asarray(100.0 * tables / tables.mean(axis=0) * spread)


def _one_number(
    tables: Array, errors: Array, trim_errors: Array, trims: Trims
) -> tuple[Array, Array]:
    """Return one trim a bank, shape (banks, 1, 1), and its error in every cell: the mean over the
    cells, weighted by how well they are known. Neighbours err alike, so no cell is counted as
    telling more than the others did."""
    weight = 1.0 / ((errors**2).mean(axis=0) + 1e-12)
    weight = weight / weight.sum()
    step, most = trims.step_pct, _most_steps(trims)
    off = 100.0 * (weight * (tables / tables.mean(axis=0) - 1.0)).sum(axis=(1, 2), keepdims=True)
    numbers = step * np.clip(np.floor(off / step + 0.5), -most, most)
    known = (weight * trim_errors).sum(axis=(1, 2), keepdims=True)
    return np.asarray(numbers), np.asarray(np.broadcast_to(known, tables.shape))


def _raised(
    common: Array, floors: Array, pick: Callable[[Array], Array], storage: Storage
) -> Array:
    """Return the common table, raised by whole steps until no bank is below its floor, or no cell
    that lacks can hold more."""
    step, most = storage.step_pct, maximum_of(storage)
    while True:
        product = common * (1.0 + pick(common) / 100.0)
        lacks = (product < floors - SAME_PCT).any(axis=0) & (common + step / 2.0 < most)
        if not lacks.any():
            return common
        common = common + step * lacks
