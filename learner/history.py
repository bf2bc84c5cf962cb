# Board-safe: runs on CPython and MicroPython alike.
"""Recent operating points, so that an observation goes to where its fuel was injected.

The mixture measured now was injected a delay ago, and a first-order sensor smears it over its lag.
Both are undone on the side of the model: the ring gives the point at the injection instant, and
`Seen` passes it through the same first-order lag as the sensor. Over a table that is smooth
within the ground covered in one lag this equals the sensor's own smearing, where a pure shift by
the lag would not.
"""

import math
from array import array

AIR_GAS_CONSTANT = 287.05287  # J/kg/K, dry air (ISO 2533)
EXHAUST_PRESSURE_KPA = 101.325
FUEL_IN_EXHAUST = 1.0 + 1.0 / 14.7  # mass of exhaust over mass of air; within 2 % for any mixture

# The ring's clock is set back by this much before its float could grow coarse.
REBASE_S = 512.0


class DelayModel:
    """From injection to the sensor's reading.

    cycles: engine cycles from injection to the opening of the exhaust valve (720 degrees each).
    exhaust_volume_cm3: gas volume from the valve to the sensor.
    exhaust_temp_k: mean gas temperature in that volume.
    swept_cm3: displacement of the cylinders that feed this sensor.
    sensor_lag_s: first-order time constant of the sensor and its electronics.
    """

    def __init__(
        self,
        cycles: float = 1.0,
        exhaust_volume_cm3: float = 500.0,
        sensor_lag_s: float = 0.07,
        exhaust_temp_k: float = 900.0,
        swept_cm3: float = 500.0,
    ) -> None:
        self.cycles = cycles
        self.exhaust_volume_cm3 = exhaust_volume_cm3
        self.sensor_lag_s = sensor_lag_s
        self.exhaust_temp_k = exhaust_temp_k
        self.swept_cm3 = swept_cm3

    def transport_s(
        self, speed_rpm: float, map_kpa: float, ve_pct: float, intake_c: float
    ) -> float:
        """Seconds from injection until the gas reaches the sensor, the sensor's lag not counted.

        cycles * 120 / speed + exhaust volume / volume flow, the flow from the ideal-gas air mass
        VE p V / (R T) per cycle (speed density) at the exhaust's temperature and pressure.
        """
        air_kg = (
            ve_pct
            * 0.01
            * map_kpa
            * self.swept_cm3
            * 1e-3
            / (AIR_GAS_CONSTANT * (intake_c + 273.15))
        )  # per cycle; kPa * cm3 = 1e-3 J
        gas_cm3 = (
            air_kg
            * FUEL_IN_EXHAUST
            * AIR_GAS_CONSTANT
            * self.exhaust_temp_k
            / EXHAUST_PRESSURE_KPA
            * 1e3
        )
        return (self.cycles + self.exhaust_volume_cm3 / gas_cm3) * 120.0 / speed_rpm


class History:
    """A ring of operating points with what the controller commanded at each.

    size: points kept. banks: lambda sensors. film_s: time constants of the film columns, seconds.
    `push` adds the newest point. `find` puts the cursor at a time in the past; then `at` reads any
    column there. Columns are arrays, newest at `newest`.
    """

    def __init__(self, size: int, banks: int, film_s: "tuple[float, ...]" = ()) -> None:
        self.size = size
        self.banks = banks
        self.film_s = film_s
        self.time_s = array("d", [0.0] * size)
        self.speed_rpm = array("d", [0.0] * size)
        self.load = array("d", [0.0] * size)
        self.throttle = array("d", [0.0] * size)
        self.target = array("d", [0.0] * size)
        # lambda that the controller believed it commanded, per bank: target / fuel multiplier
        self.commanded = [array("d", [0.0] * size) for _ in range(banks)]
        self.film = [array("d", [0.0] * size) for _ in film_s]
        self._film_low = array("d", [0.0] * len(film_s))
        self.newest = -1
        self.count = 0
        self.now_s = 0.0
        self._older = 0
        self._newer = 0
        self._share = 0.0

    def clear(self) -> None:
        """Forget everything: the stream was interrupted."""
        self.count = 0
        self.newest = -1
        self.now_s = 0.0

    def push(
        self,
        dt_s: float,
        speed_rpm: float,
        load: float,
        throttle: float,
        target: float,
        film_load: float,
        multipliers: "list[float]",
    ) -> None:
        """Add the point taken `dt_s` after the last; `film_load` is the film's driver, kPa."""
        if self.now_s > REBASE_S:
            self.now_s -= REBASE_S
            for k in range(self.size):
                self.time_s[k] -= REBASE_S
        place = self.newest + 1
        if place == self.size:
            place = 0
        self.now_s += dt_s
        self.time_s[place] = self.now_s
        self.speed_rpm[place] = speed_rpm
        self.load[place] = load
        self.throttle[place] = throttle
        self.target[place] = target
        for bank in range(self.banks):
            self.commanded[bank][place] = target / multipliers[bank]
        if self.film_s:
            log_load = math.log(film_load)
            for k in range(len(self.film_s)):
                if self.count:
                    gain = 1.0 - math.exp(-dt_s / self.film_s[k])
                    self._film_low[k] += gain * (log_load - self._film_low[k])
                else:
                    self._film_low[k] = log_load
                self.film[k][place] = log_load - self._film_low[k]
        self.newest = place
        if self.count < self.size:
            self.count += 1

    def find(self, ago_s: float) -> bool:
        """Put the cursor `ago_s` before the newest point; False when the ring does not reach."""
        wanted = self.now_s - ago_s
        newer = self.newest
        older = newer
        left = self.count
        while left and self.time_s[older] > wanted:
            newer = older
            older -= 1
            if older < 0:
                older = self.size - 1
            left -= 1
        if not left:
            return False
        self._older = older
        self._newer = newer
        step = self.time_s[newer] - self.time_s[older]
        self._share = (wanted - self.time_s[older]) / step if step > 0.0 else 0.0
        return True

    def at(self, column: "array[float]") -> float:
        """A column's value at the cursor, linear between its neighbours."""
        before = column[self._older]
        return before + self._share * (column[self._newer] - before)

    def travel(self, column: "array[float]", span_s: float, from_cursor: bool) -> float:
        """Largest minus smallest value of a column over `span_s` seconds.

        from_cursor: the span ends at the cursor's newer neighbour, else at the newest point. NaN
        when the newest value of the span is NaN.
        """
        place = self._newer if from_cursor else self.newest
        oldest_s = self.time_s[place] - span_s
        low = column[place]
        high = low
        for _ in range(self.count - 1):
            place -= 1
            if place < 0:
                place = self.size - 1
            if self.time_s[place] < oldest_s:
                break
            value = column[place]
            if value < low:
                low = value
            elif value > high:
                high = value
        return high - low


class Seen:
    """The operating point as one bank's sensor sees it: the point at injection, through the lag.

    speed_rpm, load: the point. commanded: lambda commanded there. terms: global terms' columns.
    primed_s: how long it has followed without a break, -1 before the first update.
    """

    def __init__(self, n_terms: int) -> None:
        self.speed_rpm = 0.0
        self.load = 0.0
        self.commanded = 0.0
        self.terms = array("d", [0.0] * n_terms)
        self.primed_s = -1.0
        self._input = array("d", [0.0] * (3 + n_terms))

    def reset(self) -> None:
        """Forget: the next update starts afresh."""
        self.primed_s = -1.0

    def update(self, history: History, bank: int, dt_s: float, lag_s: float) -> None:
        """Follow the history's cursor by `dt_s` through a first-order lag of `lag_s`."""
        inputs = self._input
        if self.primed_s < 0.0:
            self.primed_s = 0.0
            keep = old = 0.0
            new = 1.0
        else:
            self.primed_s += dt_s
            keep = math.exp(-dt_s / lag_s) if lag_s > 0.0 else 0.0
            # Exact for an input that runs straight from the last point to this one.
            mean = (1.0 - keep) * lag_s / dt_s
            old = mean - keep
            new = 1.0 - mean
        value = history.at(history.speed_rpm)
        self.speed_rpm = keep * self.speed_rpm + old * inputs[0] + new * value
        inputs[0] = value
        value = history.at(history.load)
        self.load = keep * self.load + old * inputs[1] + new * value
        inputs[1] = value
        value = history.at(history.commanded[bank])
        self.commanded = keep * self.commanded + old * inputs[2] + new * value
        inputs[2] = value
        for k in range(len(self.terms)):
            value = history.at(history.film[k])
            self.terms[k] = keep * self.terms[k] + old * inputs[3 + k] + new * value
            inputs[3 + k] = value
