# Board-safe: runs on CPython and MicroPython alike.
"""The evidence of one bank: batch least squares in bounded memory, one observation at a time.

Each observation d = sum(v_i x_i) + sum(c_k t_k) + noise touches four neighbouring cells i and K
global terms k. The normal equations are kept exactly: a nine-point stencil (five numbers a cell, by
symmetry), a border of K numbers a cell and a small K x K corner. Two evidences over the same table
add. After every observation the touched cells are relaxed, so that a current estimate always
exists; the host's `solve` finds the exact one.
"""

from array import array

# Layout of the eight numbers a cell.
SELF = 0  # sum of w v_i v_i
EAST = 1  # with the next speed
NORTH = 2  # with the next load
NORTH_EAST = 3
NORTH_WEST = 4
RHS = 5  # sum of w v_i d
COVERAGE = 6  # equivalent independent samples
X = 7  # running correction, a fraction
PER_CELL = 8

# Layout of the sums over all observations.
COUNT = 0  # observations used
WEIGHT = 1  # sum of w
SQUARE = 2  # sum of w d d; these three grow with every observation
BLOCK_SQUARE = 3  # sum over blocks and cells of (sum of w v r)^2
SUMS = 4

# Residuals beyond this many scales lose weight. Common practice, from memory: Huber's choice lies
# between 1 and 2, and the larger wastes less where errors are normal.
HUBER_LIMIT = 2.0
# Mean of min(z*z, 4) for a standard normal z: Huber's "proposal 2" (1964) made consistent at
# the limit above. Computed: erf(2/sqrt 2) - 4 phi(2) + 4 (1 - erf(2/sqrt 2)) = 0.92054.
HUBER_MEAN_SQUARE = 0.92054
# Outliers, all four common practice, no source: a normal error passes five scales less than once in
# a million samples.
OUTLIER_LIMIT = 5.0  # beyond this many scales an observation is an outlier ...
OUTLIER_LEAST = 0.03  # ... and so far off as a fraction, whatever the noise ...
OUTLIERS_RARE = 0.3  # ... unless this share of the latest ones is
OUTLIER_STEP = 0.02  # what one observation adds to that share: a memory of some 50
# The running noise estimate averages over all observations, at most over so many, and takes its
# first guess for so many of them. Common practice, no source.
NOISE_MEMORY = 2000
NOISE_GUESS = 50.0
# Cells one block may touch before it is closed early: bounds a board's memory (common
# practice, no source).
BLOCK_CELLS = 48


def _zeros(typecode: str, count: int) -> "array[float]":
    """An array of zeros, made without a list of that length beside it: a board has no room."""
    # From a range, because its length is known: the array is then allocated once and whole.
    zeros: "array[float]" = array(typecode, range(count))
    for k in range(count):
        zeros[k] = 0.0
    return zeros


class Evidence:
    """What one bank's learner has accumulated.

    speed_count, load_count: shape of the table, 2 or more each. n_terms: global terms K.
    typecode: "d" or "f", how the numbers are stored; arithmetic is the interpreter's own. Sums in
    single precision go through `breathmap.learner.core.single_precision` (`held`, None in double);
    whoever writes them calls `leave_square` before.
    noise: first guess of one observation's standard deviation, a fraction.
    table_sd, term_sd: how wrong the table (a fraction) and the terms may be: the prior of the
    running estimate only; `solve` finds its own.
    Memory: ((8 + K) * speed_count * load_count + K * (K + 1) // 2 + 3 * K + 4) numbers, plus one
    block; in single precision also the numbers of the open square, see
    `breathmap.learner.core.single_precision`.
    """

    def __init__(
        self,
        speed_count: int,
        load_count: int,
        n_terms: int = 0,
        typecode: str = "d",
        noise: float = 0.02,
        table_sd: float = 0.15,
        term_sd: float = 0.2,
    ) -> None:
        if speed_count < 2 or load_count < 2 or n_terms < 0:
            raise ValueError("a table needs 2 speeds and 2 loads or more, and no negative terms")
        n = speed_count * load_count
        self.speed_count = speed_count
        self.load_count = load_count
        self.n_terms = n_terms
        self.number_bytes = 4 if typecode == "f" else 8
        self.cells = _zeros(typecode, PER_CELL * n)
        self.border = _zeros(typecode, n_terms * n)
        # Corner: upper triangle row by row; then right-hand side, running value, and the running
        # inner product of each border column with x, which keeps a term's relaxation constant work.
        self.corner = _zeros(typecode, n_terms * (n_terms + 1) // 2)
        self.term_rhs = _zeros(typecode, n_terms)
        self.term_x = _zeros(typecode, n_terms)
        self.term_dot = _zeros(typecode, n_terms)
        self.sums = _zeros(typecode, SUMS)
        self.noise = noise
        self.table_sd = table_sd
        self.term_sd = term_sd
        self.square = 0
        self.residual = 0.0
        self.weight = 0.0
        self.outlier = False
        self.outlier_share = 0.0
        self._block_index = array("H", [0] * BLOCK_CELLS)
        self._block_score = _zeros(typecode, BLOCK_CELLS)
        self._block_used = 0
        self.held: "HeldSums | None" = None
        if typecode == "f":
            # A double-precision learner need not load it.
            from breathmap.learner.core.single_precision import HeldSums

            self.held = HeldSums(self.cells, self.border, self.sums, self.corner, self.term_rhs)

    def predict(self, index: int, v0: float, v1: float, v2: float, v3: float) -> float:
        """The correction at a point by the running estimate, a fraction; 0 before learning."""
        cells = self.cells
        a = index * PER_CELL + X
        c = a + self.speed_count * PER_CELL
        return v0 * cells[a] + v1 * cells[a + PER_CELL] + v2 * cells[c] + v3 * cells[c + PER_CELL]

    def learn_one(
        self,
        index: int,
        v0: float,
        v1: float,
        v2: float,
        v3: float,
        d: float,
        weight: float = 1.0,
        share: float = 1.0,
        terms: "array[float] | None" = None,
    ) -> None:
        """Add one observation.

        index: flat index of the lower-left of the four cells; v0 to v3 their shares in the order
        index, +1, +speed_count, +speed_count+1. d: the observed correction, a fraction.
        weight: 0 to 1, what the gates think of it. share: how much of an independent sample it
        is, for the coverage. terms: the K columns' values, not kept.
        Afterwards `square` is that index, `residual` is d minus the estimate before, `weight` the
        weight that was used, `outlier` True when it was so far out that it counts next to nothing.
        """
        n_terms = self.n_terms
        ridge = self.noise * self.noise / (self.table_sd * self.table_sd)
        term_ridge = self.noise * self.noise / (self.term_sd * self.term_sd)
        inner = self.predict(index, v0, v1, v2, v3)
        residual = d - inner
        for k in range(n_terms):
            residual -= terms[k] * self.term_x[k]  # type: ignore[index]
        spread = self._spread(index, v0, v1, v2, v3, ridge)
        weight = self._weigh(residual, spread, weight)
        self.square = index
        self.residual = residual
        self.weight = weight

        # In single precision it cannot drift: `close_block` computes it afresh.
        for k in range(n_terms):
            self.term_dot[k] += weight * terms[k] * inner  # type: ignore[index]
        held = self.held
        if held is None:
            self._add(index, v0, v1, v2, v3, d, weight, share, terms)
        else:
            if index != held.index:
                self.enter_square(index, held)
            held.add(v0, v1, v2, v3, d, weight, share, terms)

        north = index + self.speed_count
        score = weight * residual / (spread**0.5)
        self._block_add(index, v0 * score)
        self._block_add(index + 1, v1 * score)
        self._block_add(north, v2 * score)
        self._block_add(north + 1, v3 * score)
        self._relax(index, ridge)
        self._relax(index + 1, ridge)
        self._relax(north, ridge)
        self._relax(north + 1, ridge)
        if n_terms:
            self._relax_terms(term_ridge)

    def _spread(
        self, index: int, v0: float, v1: float, v2: float, v3: float, ridge: float
    ) -> float:
        """Variance of a residual, in units of the noise's: what the estimate may be wrong by is in
        it, as far as the four cells' own sums tell."""
        cells = self.cells
        a = index * PER_CELL
        c = a + self.speed_count * PER_CELL
        return 1.0 + (
            v0 * v0 / (cells[a] + ridge)
            + v1 * v1 / (cells[a + PER_CELL] + ridge)
            + v2 * v2 / (cells[c] + ridge)
            + v3 * v3 / (cells[c + PER_CELL] + ridge)
        )

    def _weigh(self, residual: float, spread: float, gate_weight: float) -> float:
        """Return the weight of an observation, and learn from it how large the noise is."""
        weight = gate_weight
        noise = self.noise
        square = residual * residual / spread
        limit = HUBER_LIMIT * HUBER_LIMIT * noise * noise
        self.outlier = False
        if square > limit:
            scale = noise * (spread**0.5)
            # Huber's weight: limit over residual, so that its pull is bounded.
            weight *= HUBER_LIMIT * scale / abs(residual)
            square = limit
            if abs(residual) > OUTLIER_LIMIT * scale and abs(residual) > OUTLIER_LEAST:
                # Far out a rare one is a misfire and says nothing of VE: its pull falls again. Many
                # are no accident: then the estimate is wrong, and must be able to learn that.
                self.outlier = self.outlier_share < OUTLIERS_RARE
                self.outlier_share += OUTLIER_STEP * (1.0 - self.outlier_share)
                if self.outlier:
                    weight *= OUTLIER_LIMIT * scale / abs(residual)
        self.outlier_share -= OUTLIER_STEP * self.outlier_share

        # This observation, the earlier ones, and the first guess.
        memory = 1.0 + self.sums[COUNT] + NOISE_GUESS
        if memory > NOISE_MEMORY:
            memory = NOISE_MEMORY
        variance = noise * noise
        # A down-weighted observation is a noisier one: its square counts by its weight.
        variance += gate_weight * (square / HUBER_MEAN_SQUARE - variance) / memory
        self.noise = variance**0.5
        return weight

    def _add(
        self,
        index: int,
        v0: float,
        v1: float,
        v2: float,
        v3: float,
        d: float,
        weight: float,
        share: float,
        terms: "array[float] | None",
    ) -> None:
        cells = self.cells
        a = index * PER_CELL
        b = a + PER_CELL
        c = a + self.speed_count * PER_CELL
        e = c + PER_CELL
        w0 = weight * v0
        w1 = weight * v1
        w2 = weight * v2
        w3 = weight * v3
        cells[a] += w0 * v0
        cells[a + EAST] += w0 * v1
        cells[a + NORTH] += w0 * v2
        cells[a + NORTH_EAST] += w0 * v3
        cells[b] += w1 * v1
        cells[b + NORTH_WEST] += w1 * v2
        cells[b + NORTH] += w1 * v3
        cells[c] += w2 * v2
        cells[c + EAST] += w2 * v3
        cells[e] += w3 * v3
        cells[a + RHS] += w0 * d
        cells[b + RHS] += w1 * d
        cells[c + RHS] += w2 * d
        cells[e + RHS] += w3 * d
        cells[a + COVERAGE] += w0 * share
        cells[b + COVERAGE] += w1 * share
        cells[c + COVERAGE] += w2 * share
        cells[e + COVERAGE] += w3 * share
        sums = self.sums
        sums[COUNT] += 1.0
        sums[WEIGHT] += weight
        sums[SQUARE] += weight * d * d

        n_terms = self.n_terms
        border = self.border
        corner = self.corner
        north = index + self.speed_count
        place = 0
        for k in range(n_terms):
            pull = weight * terms[k]  # type: ignore[index]
            border[index * n_terms + k] += pull * v0
            border[(index + 1) * n_terms + k] += pull * v1
            border[north * n_terms + k] += pull * v2
            border[(north + 1) * n_terms + k] += pull * v3
            self.term_rhs[k] += pull * d
            for m in range(k, n_terms):
                corner[place] += pull * terms[m]  # type: ignore[index]
                place += 1

    def enter_square(self, index: int, held) -> None:  # type: ignore[no-untyped-def]
        """Hold another square's numbers, in the order in which `HeldSums.add` adds: the cells' as
        in `_add`, then four of the border for each term."""
        held.leave()
        place = held.place
        a = index * PER_CELL
        b = a + PER_CELL
        c = a + self.speed_count * PER_CELL
        e = c + PER_CELL
        place[0] = a
        place[1] = a + EAST
        place[2] = a + NORTH
        place[3] = a + NORTH_EAST
        place[4] = b
        place[5] = b + NORTH_WEST
        place[6] = b + NORTH
        place[7] = c
        place[8] = c + EAST
        place[9] = e
        place[10] = a + RHS
        place[11] = b + RHS
        place[12] = c + RHS
        place[13] = e + RHS
        place[14] = a + COVERAGE
        place[15] = b + COVERAGE
        place[16] = c + COVERAGE
        place[17] = e + COVERAGE
        n_terms = self.n_terms
        north = index + self.speed_count
        at = 18
        for k in range(n_terms):
            place[at] = index * n_terms + k
            place[at + 1] = (index + 1) * n_terms + k
            place[at + 2] = north * n_terms + k
            place[at + 3] = (north + 1) * n_terms + k
            at += 4
        held.enter(index)

    def _relax(self, index: int, ridge: float) -> None:
        """One Gauss-Seidel step of one cell: x_i <- (b_i - sum H_ij x_j) / (H_ii + ridge)."""
        cells = self.cells
        speed_count = self.speed_count
        i = index * PER_CELL
        row = speed_count * PER_CELL
        column = index % speed_count
        line = index // speed_count
        rest = cells[i + RHS]
        if column + 1 < speed_count:
            rest -= cells[i + EAST] * cells[i + PER_CELL + X]
        if column:
            rest -= cells[i - PER_CELL + EAST] * cells[i - PER_CELL + X]
        if line + 1 < self.load_count:
            j = i + row
            rest -= cells[i + NORTH] * cells[j + X]
            if column + 1 < speed_count:
                rest -= cells[i + NORTH_EAST] * cells[j + PER_CELL + X]
            if column:
                rest -= cells[i + NORTH_WEST] * cells[j - PER_CELL + X]
        if line:
            j = i - row
            rest -= cells[j + NORTH] * cells[j + X]
            if column:
                rest -= cells[j - PER_CELL + NORTH_EAST] * cells[j - PER_CELL + X]
            if column + 1 < speed_count:
                rest -= cells[j + PER_CELL + NORTH_WEST] * cells[j + PER_CELL + X]
        n_terms = self.n_terms
        border = index * n_terms
        for k in range(n_terms):
            rest -= self.border[border + k] * self.term_x[k]
        after = rest / (cells[i] + ridge)
        step = after - cells[i + X]
        cells[i + X] = after
        for k in range(n_terms):
            self.term_dot[k] += self.border[border + k] * step

    def _relax_terms(self, ridge: float) -> None:
        n_terms = self.n_terms
        corner = self.corner
        for k in range(n_terms):
            rest = self.term_rhs[k] - self.term_dot[k]
            own = 1.0
            for m in range(n_terms):
                low = k if k < m else m
                high = m if k < m else k
                moment = corner[low * n_terms - low * (low - 1) // 2 + high - low]
                if m == k:
                    own = moment
                else:
                    rest -= moment * self.term_x[m]
            self.term_x[k] = rest / (own + ridge)

    def _block_add(self, index: int, score: float) -> None:
        used = self._block_used
        indices = self._block_index
        # From the newest backwards: the cell is nearly always among the last few.
        k = used - 1
        while k >= 0 and indices[k] != index:
            k -= 1
        if k < 0:
            if used == BLOCK_CELLS:
                self.close_block()
                used = 0
            k = used
            indices[k] = index
            self._block_score[k] = 0.0
            self._block_used = used + 1
        self._block_score[k] += score

    def close_block(self) -> None:
        """End a block of neighbouring samples: add its squared sums of v times residual.

        Their ratio to what independent residuals would give (the noise variance times the sum of
        the SELF numbers) says by how much the residuals' autocorrelation widens the variance of
        the corrections: a block estimate of the long-run variance.
        """
        self.sums[BLOCK_SQUARE] += self.open_square()
        self._block_used = 0
        if self.held is not None:
            self._restart_running()

    def leave_square(self) -> None:
        """Nothing is kept beside the numbers after this: they may be written from outside."""
        if self.held is not None:
            self.held.leave()

    def open_square(self) -> float:
        """What the block in progress will add to the squared block sums."""
        square = 0.0
        for k in range(self._block_used):
            square += self._block_score[k] * self._block_score[k]
        return square

    def merge(self, other: "Evidence", sweeps: int = 30) -> None:
        """Add another evidence over the same table and terms; raises ValueError on other shapes.

        The normal equations and sums add exactly; every cell and term of the running estimate is
        then relaxed `sweeps` times.
        """
        if (self.speed_count, self.load_count, self.n_terms) != (
            other.speed_count,
            other.load_count,
            other.n_terms,
        ):
            raise ValueError("evidences of different tables or terms cannot be added")
        self.close_block()
        self.leave_square()
        ours = self.sums[COUNT]
        theirs = other.sums[COUNT]
        for i in range(len(self.cells)):
            if i % PER_CELL != X:
                self.cells[i] += other.cells[i]
        for i in range(len(self.border)):
            self.border[i] += other.border[i]
        for i in range(len(self.corner)):
            self.corner[i] += other.corner[i]
        for k in range(self.n_terms):
            self.term_rhs[k] += other.term_rhs[k]
        for k in range(SUMS):
            self.sums[k] += other.sums[k]
        self.sums[BLOCK_SQUARE] += other.open_square()
        if ours + theirs > 0.0:
            self.noise = (
                (ours * self.noise * self.noise + theirs * other.noise * other.noise)
                / (ours + theirs)
            ) ** 0.5
        self._restart_running()
        ridge = self.noise * self.noise / (self.table_sd * self.table_sd)
        for _ in range(sweeps):
            for index in range(self.speed_count * self.load_count):
                self._relax(index, ridge)
            if self.n_terms:
                self._relax_terms(self.noise * self.noise / (self.term_sd * self.term_sd))

    def _restart_running(self) -> None:
        """Recompute the running inner products from the merged numbers."""
        n_terms = self.n_terms
        for k in range(n_terms):
            total = 0.0
            for index in range(self.speed_count * self.load_count):
                total += self.border[index * n_terms + k] * self.cells[index * PER_CELL + X]
            self.term_dot[k] = total
