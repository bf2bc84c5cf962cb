"""Linear algebra of a table: each cell knows its neighbours only. Host only (numpy).

Cells in rows of the shorter axis make a block tridiagonal matrix, with the few global terms as a
border. Its Cholesky factor, the border's Schur complement and the blocks of its inverse beside the
diagonal (the selected inverse: Takahashi, Fagan & Chin 1973; Rue & Martino, Journal of Statistical
Planning and Inference 137, 2007) cost cells x width^2 instead of cells^3.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# A triangle of half this size is inverted as any matrix: less is gained than asked.
SMALL = 20


@dataclass(frozen=True)
class Layout:
    """Where a table's cells stand among the blocks.

    order: cells in rows of the shorter axis. width: cells a block. count: blocks; the last may be
    longer than what is left of the cells.
    """

    order: NDArray[np.intp]
    width: int
    count: int

    @property
    def spare(self) -> int:
        """Places of the last block that hold no cell."""
        return self.width * self.count - len(self.order)

    def rows_of(self, values: Array) -> Array:
        """Return values (cells, ...) in blocks' order, (width * count, ...), zero where spare."""
        padding = [(0, self.spare)] + [(0, 0)] * (values.ndim - 1)
        return np.pad(values[self.order], padding)

    def cells_of(self, rows: Array) -> Array:
        """Return what `rows_of` made, in cells' order again."""
        values = np.empty((len(self.order), *rows.shape[1:]))
        values[self.order] = rows[: len(self.order)]
        return values


def layout(load_count: int, speed_count: int, reach: int) -> Layout:
    """Return the blocks of a table whose equations join cells up to `reach` rows apart."""
    grid = np.arange(load_count * speed_count).reshape(load_count, speed_count)
    if load_count < speed_count:
        grid = grid.T
    width = min(reach * grid.shape[1], grid.size)
    return Layout(grid.ravel(), width, -(-grid.size // width))


@dataclass(frozen=True)
class Blocks:
    """A symmetric matrix of cells: blocks on the diagonal (count, width, width) and below it
    (count - 1, width, width)."""

    diagonal: Array
    below: Array


def blocks_of(matrix: Array, where: Layout) -> Blocks:
    """Cut a matrix of cells (cells, cells) into its blocks; what is farther off must be zero."""
    size, width, count = len(where.order), where.width, where.count
    diagonal, below = np.zeros((count, width, width)), np.zeros((count - 1, width, width))
    is_ordered = bool((where.order == np.arange(size)).all())
    M = matrix[:size, :size] if is_ordered else matrix[np.ix_(where.order, where.order)]
    for k in range(count):
        rows = slice(k * width, min((k + 1) * width, size))
        held = rows.stop - rows.start
        diagonal[k, :held, :held] = M[rows, rows]
        if k:
            below[k - 1, :held] = M[rows, (k - 1) * width : k * width]
    return Blocks(diagonal, below)


class Factor:
    """The Cholesky factor of blocks with a border, and what follows from it.

    blocks: positive definite, changed. border: (width * count, terms). corner: (terms, terms).
    Raises numpy's LinAlgError where a block is not positive definite.
    """

    def __init__(self, blocks: Blocks, border: Array, corner: Array) -> None:
        width = blocks.diagonal.shape[1]
        self._inverses: list[Array] = []
        self._below: list[Array] = []
        logs = []
        for k, block in enumerate(blocks.diagonal):
            if k:
                below = blocks.below[k - 1] @ self._inverses[-1].T
                block = block - below @ below.T
                self._below.append(below)
            factor = np.linalg.cholesky(block)
            logs.append(factor.diagonal())
            self._inverses.append(_inverse_of(factor))
        self._width = width
        self._half = self._forward(border)
        self._schur = np.linalg.cholesky(corner - self._half.T @ self._half)
        self.log_det = 2.0 * float(np.log(logs).sum() + np.log(self._schur.diagonal()).sum())
        half = np.linalg.inv(self._schur)
        self.term_covariance: Array = np.asarray(half.T @ half)
        # The border's columns, solved: with them every answer about the cells is corrected.
        self._solved = self._backward(self._half)

    def _forward(self, rows: Array) -> Array:
        out = np.empty_like(rows)
        for k, inverse in enumerate(self._inverses):
            here = slice(k * self._width, (k + 1) * self._width)
            left = rows[here]
            if k:
                left = left - self._below[k - 1] @ out[here.start - self._width : here.start]
            out[here] = inverse @ left
        return out

    def _backward(self, rows: Array) -> Array:
        out = np.empty_like(rows)
        last = len(self._inverses) - 1
        for k in range(last, -1, -1):
            here = slice(k * self._width, (k + 1) * self._width)
            left = rows[here]
            if k < last:
                left = left - self._below[k].T @ out[here.stop : here.stop + self._width]
            out[here] = self._inverses[k].T @ left
        return out

    def solve(self, cells: Array, terms: Array) -> tuple[Array, Array]:
        """Solve for right-hand sides of cells (width * count,) and of terms (terms,)."""
        half = self._forward(cells)
        of_terms = self.term_covariance @ (terms - self._half.T @ half)
        return self._backward(half) - self._solved @ of_terms, of_terms

    def inverse(self, other: Blocks) -> tuple[Array, float]:
        """Return the inverse's diagonal of the cells (width * count,), and the trace of the
        inverse's cells times another matrix of blocks."""
        width, last = self._width, len(self._inverses) - 1
        diagonal = np.empty(width * (last + 1))
        trace, after = 0.0, np.zeros((0, 0))
        for k in range(last, -1, -1):
            inverse = self._inverses[k]
            here = inverse.T @ inverse
            if k < last:
                step = self._below[k] @ inverse
                beside = after @ step
                here += step.T @ beside
                trace -= 2.0 * float(np.vdot(beside, other.below[k]))
            trace += float(np.vdot(here, other.diagonal[k]))
            diagonal[k * width : (k + 1) * width] = here.diagonal()
            after = here
        # inv([[T, U], [U', V]]) of the cells is inv(T) + inv(T) U inv(S) U' inv(T).
        bent = times(other, self._solved)
        trace += float(np.vdot(self._solved @ self.term_covariance, bent))
        diagonal += np.einsum("ij,jk,ik->i", self._solved, self.term_covariance, self._solved)
        return diagonal, trace


def _inverse_of(lower: Array) -> Array:
    """Return the inverse of a lower triangle, by halves (any numerical analysis textbook)."""
    half, odd = divmod(len(lower), 2)
    if odd or half < SMALL:
        return np.asarray(np.linalg.inv(lower), dtype=np.float64)
    a, c = np.linalg.inv(np.array([lower[:half, :half], lower[half:, half:]]))
    out = np.zeros_like(lower)
    out[:half, :half], out[half:, half:] = a, c
    out[half:, :half] = -(c @ (lower[half:, :half] @ a))
    return out


def times(blocks: Blocks, rows: Array) -> Array:
    """Return a matrix of blocks times rows (width * count, columns)."""
    count, width, _ = blocks.diagonal.shape
    parts = rows.reshape(count, width, -1)
    product = blocks.diagonal @ parts
    product[1:] += blocks.below @ parts[:-1]
    product[:-1] += blocks.below.transpose(0, 2, 1) @ parts[1:]
    return np.asarray(product.reshape(rows.shape))
