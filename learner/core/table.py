# Board-safe: runs on CPython and MicroPython alike.
"""Where an operating point lies in a table, and what that square of cells contributes.

Flat index of a cell: load_index * speed_count + speed_index. Interpolation is bilinear; the
relative share of each cell is v_i = w_i VE_i / sum(w_j VE_j), so that a fractional change x_i of
the cells changes the interpolated value by sum(v_i x_i), exactly.
"""

from array import array


def check_axis(name: str, axis: "list[float]") -> None:
    """Raise ValueError unless `axis` has two or more finite, strictly ascending values."""
    if len(axis) < 2:
        raise ValueError("%s axis needs at least 2 breakpoints, has %d" % (name, len(axis)))
    for k in range(len(axis)):
        value = axis[k]
        if not -1e9 < value < 1e9:
            raise ValueError("%s axis: breakpoint %d is not a number" % (name, k + 1))
        if k and value <= axis[k - 1]:
            raise ValueError(
                "%s axis must ascend: breakpoint %d (%g) is not above the one before (%g)"
                % (name, k + 1, value, axis[k - 1])
            )


class Table:
    """One bank's VE table with a cursor.

    speed_rpm, load: breakpoints, ascending (copied). cells: load_count * speed_count values, VE in
    per cent, all positive (copied). typecode: "d" or "f", how the cells are stored. Raises
    ValueError on anything else.

    `locate` moves the cursor; after it returned True, `index` is the lower-left cell of the square,
    `v0` to `v3` are the relative shares of the cells index, +1, +speed_count, +speed_count+1, and
    `ve_pct` is the interpolated value. Results are attributes so that a board allocates nothing.
    """

    def __init__(
        self,
        speed_rpm: "list[float]",
        load: "list[float]",
        cells: "list[float]",
        typecode: str = "d",
    ) -> None:
        check_axis("speed", speed_rpm)
        check_axis("load", load)
        if len(cells) != len(speed_rpm) * len(load):
            raise ValueError(
                "table has %d cells, its axes (%d loads x %d speeds) need %d"
                % (len(cells), len(load), len(speed_rpm), len(load) * len(speed_rpm))
            )
        for k in range(len(cells)):
            if not 0.0 < cells[k] < 1e6:
                raise ValueError(
                    "cell at load %g, speed %g rpm holds %s; VE must be a positive number"
                    % (load[k // len(speed_rpm)], speed_rpm[k % len(speed_rpm)], cells[k])
                )
        self.speed_rpm = array("d", speed_rpm)
        self.load = array("d", load)
        self.cells = array(typecode, cells)
        self.speed_count = len(speed_rpm)
        self.load_count = len(load)
        self.index = 0
        self.v0 = 1.0
        self.v1 = 0.0
        self.v2 = 0.0
        self.v3 = 0.0
        self.ve_pct = self.cells[0]
        self._column = 0
        self._row = 0

    def inside(self, speed_rpm: float, load: float) -> bool:
        """True when the point lies within both axes (ends included); False for NaN."""
        return (
            self.speed_rpm[0] <= speed_rpm <= self.speed_rpm[self.speed_count - 1]
            and self.load[0] <= load <= self.load[self.load_count - 1]
        )

    def locate(self, speed_rpm: float, load: float) -> bool:
        """Move the cursor to the point; outside the axes it is clamped and False is returned."""
        axis = self.speed_rpm
        last = self.speed_count - 2
        # Operating points wander, they do not jump: start from the last square.
        column = self._column
        while column < last and speed_rpm >= axis[column + 1]:
            column += 1
        while column > 0 and speed_rpm < axis[column]:
            column -= 1
        self._column = column
        across = (speed_rpm - axis[column]) / (axis[column + 1] - axis[column])

        axis = self.load
        last = self.load_count - 2
        row = self._row
        while row < last and load >= axis[row + 1]:
            row += 1
        while row > 0 and load < axis[row]:
            row -= 1
        self._row = row
        up = (load - axis[row]) / (axis[row + 1] - axis[row])

        # Written so that NaN fails, too.
        is_inside = 0.0 <= across <= 1.0 and 0.0 <= up <= 1.0
        if not is_inside:
            across = 1.0 if across > 1.0 else (across if across > 0.0 else 0.0)
            up = 1.0 if up > 1.0 else (up if up > 0.0 else 0.0)

        cells = self.cells
        index = row * self.speed_count + column
        above = index + self.speed_count
        a = (1.0 - across) * (1.0 - up) * cells[index]
        b = across * (1.0 - up) * cells[index + 1]
        c = (1.0 - across) * up * cells[above]
        d = across * up * cells[above + 1]
        total = a + b + c + d
        self.index = index
        self.v0 = a / total
        self.v1 = b / total
        self.v2 = c / total
        self.v3 = d / total
        self.ve_pct = total
        return is_inside
