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
FULL_SPEED_RPM = 6000.0
# Exhaust is the cooler the slower it flows: about 650 K at idle where it is 1,000 K at full flow
# (common practice, no source). The default at full flow is lower: it is the pipe's mean, and gas
# cools on its way to the sensor.
COOLING = 0.12

# The ring's clock is set back by this much before its float could grow coarse.
REBASE_S = 512.0


class DelayModel:
    """From injection to the sensor's reading.

    cycles: engine cycles from injection to the opening of the exhaust valve (720 degrees each).
    exhaust_volume_cm3: gas volume from the valve to the sensor.
    sensor_lag_s: first-order time constant of the sensor and its electronics.
    exhaust_temp_k: mean gas temperature in that volume at full flow.
    swept_cm3: displacement of the cylinders that feed this sensor.
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

    def gas_cm3(self, speed_rpm: float, map_kpa: float, ve_pct: float, intake_c: float) -> float:
        """Exhaust gas that one engine cycle sends past the sensor, cm3.

        From the ideal-gas air mass VE p V / (R T) (speed density), at the exhaust's temperature and
        pressure. Plain arithmetic: arrays go through it as well as numbers.
        """
        air_mg = ve_pct * map_kpa * self.swept_cm3 * 10.0 / (AIR_GAS_CONSTANT * (intake_c + 273.15))
        full_mg = self.swept_cm3 * 1.0  # about 1 mg/cm3 a cycle at full load, at FULL_SPEED_RPM
        share = air_mg * speed_rpm / (full_mg * FULL_SPEED_RPM)
        gas_k = self.exhaust_temp_k * share**COOLING
        gas_cm3: float = (
            air_mg * FUEL_IN_EXHAUST * AIR_GAS_CONSTANT * gas_k * 1e-3 / EXHAUST_PRESSURE_KPA
        )
        return gas_cm3

    def transport_s(
        self, speed_rpm: float, map_kpa: float, ve_pct: float, intake_c: float
    ) -> float:
        """Seconds from injection until the gas reaches the sensor, at a steady operating point.

        cycles * 120 / speed + exhaust volume / volume flow; the sensor's lag is not counted. While
        the flow changes, `History.look_back` sums it instead. Arrays go through it as well.
        """
        cycles = self.cycles + self.exhaust_volume_cm3 / self.gas_cm3(
            speed_rpm, map_kpa, ve_pct, intake_c
        )
        transport_s: float = cycles * 120.0 / speed_rpm
        return transport_s


class History:
    """A ring of operating points with what the controller commanded at each.

    size: points kept. banks: lambda sensors. typecode: "d" or "f", how they are stored.
    `push` adds the newest point. `find` and `look_back`
    put the cursor at a moment in the past; then `at` reads any column there. Columns are arrays,
    newest at `newest`. turned: engine cycles since the start. Per bank: commanded, the lambda that
    the controller believed it commanded (target / fuel multiplier); air, what it believed to be
    drawn in a cycle (any unit); passed_cm3, exhaust gas since the start.
    """

    def __init__(self, size: int, banks: int, typecode: str = "d") -> None:
        self.size = size
        self.banks = banks
        self.time_s = array(typecode, [0.0] * size)
        self.speed_rpm = array(typecode, [0.0] * size)
        self.load = array(typecode, [0.0] * size)
        self.throttle = array(typecode, [0.0] * size)
        self.target = array(typecode, [0.0] * size)
        self.turned = array(typecode, [0.0] * size)
        self.commanded = [array(typecode, [0.0] * size) for _ in range(banks)]
        self.air = [array(typecode, [0.0] * size) for _ in range(banks)]
        self.passed_cm3 = [array(typecode, [0.0] * size) for _ in range(banks)]
        # Gas of one cycle at the newest point.
        self._gas_cm3 = array("d", [0.0] * banks)
        self.newest = -1
        self.count = 0
        self.now_s = 0.0
        self._older = 0
        self._newer = 0
        self._left = 0
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
        multipliers: "list[float]",
        air: "list[float] | array[float]",
        gas_cm3: "list[float] | array[float]",
    ) -> None:
        """Add the point taken `dt_s` after the last one.

        Per bank: multipliers, the closed loops' factors; air, drawn in by one cycle; gas_cm3,
        exhaust gas of one cycle.
        """
        if self.now_s > REBASE_S:
            self._rebase()
        before = self.newest
        place = before + 1
        if place == self.size:
            place = 0
        self.now_s += dt_s
        self.time_s[place] = self.now_s
        self.speed_rpm[place] = speed_rpm
        self.load[place] = load
        self.throttle[place] = throttle
        self.target[place] = target
        first = self.count == 0
        old_rpm = 0.0 if first else self.speed_rpm[before]
        self.turned[place] = (
            0.0 if first else self.turned[before] + dt_s * (old_rpm + speed_rpm) / 240.0
        )
        for bank in range(self.banks):
            self.commanded[bank][place] = target / multipliers[bank]
            self.air[bank][place] = air[bank]
            passed = 0.0
            if not first:
                # Trapezoid over the volume flow, cm3/s times 120.
                flow = self._gas_cm3[bank] * old_rpm + gas_cm3[bank] * speed_rpm
                passed = self.passed_cm3[bank][before] + dt_s * flow / 240.0
            self.passed_cm3[bank][place] = passed
            self._gas_cm3[bank] = gas_cm3[bank]
        self.newest = place
        if self.count < self.size:
            self.count += 1

    def _rebase(self) -> None:
        """Set all running totals back, so that none grows coarse."""
        newest = self.newest
        self.now_s -= REBASE_S
        for k in range(self.size):
            self.time_s[k] -= REBASE_S
        _set_back(self.turned, newest)
        for bank in range(self.banks):
            _set_back(self.passed_cm3[bank], newest)

    def find(self, ago_s: float) -> bool:
        """Put the cursor `ago_s` before the newest point; False when the ring does not reach."""
        return self._search(self.time_s, self.now_s - ago_s, self.newest, self.count)

    def look_back(self, bank: int, cycles: float, volume_cm3: float) -> float:
        """Put the cursor where the gas that is now at a bank's sensor was injected.

        From now back until `volume_cm3` of gas has passed, from there back by engine cycles: right
        however speed and load have changed on the way. Returns how long ago that was, seconds, or
        -1 when the ring does not reach.
        """
        passed_cm3 = self.passed_cm3[bank]
        newest = self.newest
        wanted = passed_cm3[newest] - volume_cm3
        if not self._search(passed_cm3, wanted, newest, self.count):
            return -1.0
        wanted = self.at(self.turned) - cycles
        if not self._search(self.turned, wanted, self._newer, self._left):
            return -1.0
        return self.now_s - self.at(self.time_s)

    def _search(self, column: "array[float]", wanted: float, place: int, left: int) -> bool:
        """Put the cursor where a growing column passed a value: backwards from `place`, over at
        most `left` points."""
        newer = older = place
        while left and column[older] > wanted:
            newer = older
            older -= 1
            if older < 0:
                older = self.size - 1
            left -= 1
        if not left:
            return False
        self._older = older
        self._newer = newer
        # Points from `newer` backwards.
        self._left = left if newer == older else left + 1
        step = column[newer] - column[older]
        self._share = (wanted - column[older]) / step if step > 0.0 else 0.0
        return True

    def at(self, column: "array[float]") -> float:
        """A column's value at the cursor, linear between its neighbours."""
        before = column[self._older]
        return before + self._share * (column[self._newer] - before)

    def travel(self, column: "array[float]", span_s: float) -> float:
        """Largest minus smallest value of a column over the last `span_s` seconds.

        NaN when the newest value is NaN.
        """
        place = self.newest
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


def _set_back(column: "array[float]", newest: int) -> None:
    """Let a running total be 0 at the newest point."""
    now = column[newest]
    for k in range(len(column)):
        column[k] -= now


# Places in Seen's inputs, before the terms.
_SPEED = 0
_LOAD = 1
_COMMANDED = 2
_THROTTLE = 3
_FIXED = 4

# A band of recent travel shrinks towards the present value with this time constant.
TRAVEL_S = 0.3


class Seen:
    """The operating point as one bank's sensor sees it: the point at injection, through the lag.

    speed_rpm, load, commanded: the point and the lambda commanded there. terms: the global terms'
    columns there: film_terms of film, growth with load, time constant; then the charge lead.
    film_size: size of the film column. load_travel, speed_travel, throttle_travel: how far the
    point moved lately. primed_s: how long it has followed without a break, -1 before the first
    update.

    The film is Aquino's (1981): it takes the share X of the fuel flow m and gives its mass M back
    as M / tau. What is missing from the mixture is linear in X, and to first order in what X and
    tau differ by, so each is one column. L is the low-pass of time constant film_s:

        film      1 - L m / m                        times X
        growth    (1 - L)(q (m + L m)) / m           times X a, with X and tau both growing as
                                                     1 + a q; q = load / half the load axis - 1
        time      (L m - L L m) / m                  times X (tau / film_s - 1)

    Driven by fuel flow, not by pressure, because speed moves the film, too. The growth follows from
    M' = X (1 + a q) m - M / (tau (1 + a q)) by collecting what is linear in a.

    The charge lead is the logarithm of the controller's air estimate half an engine cycle after
    injection over that at injection: the pulse is computed before the air it is meant for has
    come in. Its coefficient is near 1 when injection ends that early, 0 when it does not.
    """

    def __init__(self, film_s: float, film_terms: int, lead: bool, load_top: float) -> None:
        self.film_s = film_s
        self.film_terms = film_terms
        self.lead = lead
        self.load_top = load_top
        self.n_terms = film_terms + (1 if lead else 0)
        self.film_size = 0.0
        self.speed_rpm = 0.0
        self.load = 0.0
        self.commanded = 0.0
        self.terms = array("d", [0.0] * self.n_terms)
        self.primed_s = -1.0
        self.speed_travel = 0.0
        self.load_travel = 0.0
        self.throttle_travel = 0.0
        self._input = array("d", [0.0] * (_FIXED + self.n_terms))
        self._before = array("d", [0.0] * (_FIXED + self.n_terms))
        # Low-passed fuel flow, what drives the growth, and the flow low-passed twice.
        self._low = array("d", [0.0] * 3)
        self._transport_s = 0.0
        # Highest and lowest of speed, load and throttle of late.
        self._band = array("d", [0.0] * 6)

    def reset(self) -> None:
        """Forget: the next update starts afresh."""
        self.primed_s = -1.0

    def update(
        self, history: History, bank: int, transport_s: float, dt_s: float, lag_s: float
    ) -> None:
        """Follow the point at the history's cursor, `transport_s` ago, by `dt_s` through a
        first-order lag of `lag_s`. Moves the cursor."""
        self._read(history, bank, transport_s, dt_s)
        inputs = self._input
        before = self._before
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
        self.speed_rpm = keep * self.speed_rpm + old * before[_SPEED] + new * inputs[_SPEED]
        self.load = keep * self.load + old * before[_LOAD] + new * inputs[_LOAD]
        self.commanded = keep * self.commanded + old * before[_COMMANDED] + new * inputs[_COMMANDED]
        for k in range(self.n_terms):
            self.terms[k] = (
                keep * self.terms[k] + old * before[_FIXED + k] + new * inputs[_FIXED + k]
            )
        if self.film_terms:
            self.film_size = abs(self.terms[0])
        for k in range(len(inputs)):
            before[k] = inputs[k]
        restart = self.primed_s == 0.0
        shrink = 1.0 - math.exp(-dt_s / TRAVEL_S)
        self.speed_travel = self._widen(0, self.speed_rpm, shrink, restart)
        self.load_travel = self._widen(2, self.load, shrink, restart)
        self.throttle_travel = self._widen(4, inputs[_THROTTLE], shrink, restart)

    def _widen(self, place: int, value: float, shrink: float, restart: bool) -> float:
        """Follow a value with a band that opens at once and closes slowly; return its width."""
        band = self._band
        if restart or band[place] != band[place]:
            band[place] = band[place + 1] = value
        high = band[place]
        low = band[place + 1]
        if value != value:
            # Not measured: the band waits, and meets what moved meanwhile with the next value.
            return high - low
        high = value if value > high else high + (value - high) * shrink
        low = value if value < low else low + (value - low) * shrink
        band[place] = high
        band[place + 1] = low
        return high - low

    def _read(self, history: History, bank: int, transport_s: float, dt_s: float) -> None:
        """Fill the inputs with the point at the history's cursor."""
        inputs = self._input
        speed_rpm = history.at(history.speed_rpm)
        load = history.at(history.load)
        commanded = history.at(history.commanded[bank])
        inputs[_SPEED] = speed_rpm
        inputs[_LOAD] = load
        inputs[_COMMANDED] = commanded
        inputs[_THROTTLE] = history.at(history.throttle)
        if not self.n_terms:
            return
        air = history.at(history.air[bank])
        flow = air * speed_rpm / commanded
        # The film lives on the injection's clock, which runs unevenly as the delay changes.
        step_s = dt_s - (transport_s - self._transport_s)
        self._transport_s = transport_s
        if self.film_terms:
            self._read_film(flow, 2.0 * load / self.load_top - 1.0, step_s)
        if self.lead:
            lead_s = 60.0 / speed_rpm
            history.find(transport_s - lead_s if transport_s > lead_s else 0.0)
            inputs[_FIXED + self.n_terms - 1] = math.log(history.at(history.air[bank]) / air)

    def _read_film(self, flow: float, relative: float, step_s: float) -> None:
        """Move the film's low-passes on by a step, and fill its columns."""
        low = self._low
        inputs = self._input
        if self.primed_s < 0.0:
            low[0] = low[2] = flow
            low[1] = 2.0 * relative * flow
        part = 1.0 - math.exp(-step_s / self.film_s) if step_s > 0.0 else 0.0
        low[0] += (flow - low[0]) * part
        inputs[_FIXED] = 1.0 - low[0] / flow
        if self.film_terms > 1:
            drive = relative * (flow + low[0])
            low[1] += (drive - low[1]) * part
            inputs[_FIXED + 1] = (drive - low[1]) / flow
        if self.film_terms > 2:
            low[2] += (low[0] - low[2]) * part
            inputs[_FIXED + 2] = (low[0] - low[2]) / flow
