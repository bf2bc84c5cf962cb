"""The formulas the simulated engine is made of: throttle flow, air drawn in, fuel film, gas plugs.

Pure functions and one small queue, each with its source, each held to a closed form by a test. No
state of the engine, no random numbers.
"""

from collections import deque
from functools import cache
from math import acos, cos, exp, pi, radians, sqrt

from breathmap.simulator.parameters import R_AIR, Exhaust, Film

GAMMA = 1.4
# Below this ratio of pressures a throttle chokes: (2/(γ+1))^(γ/(γ−1)).
CRITICAL_RATIO: float = (2.0 / (GAMMA + 1.0)) ** (GAMMA / (GAMMA - 1.0))
# Choked mass flow = this · area · p0 / √T0, kg/s, m², Pa, K: sqrt(γ/R)·(2/(γ+1))^3 for γ = 1.4.
CHOKED_FLOW = sqrt(GAMMA / R_AIR) * (2.0 / (GAMMA + 1.0)) ** 3


def held(value: float, low: float, high: float) -> float:
    """Return a value held between two limits; a fraction of the time of `min` and `max`."""
    return low if value < low else high if value > high else value


DISCHARGE = 0.75
CLOSED_ANGLE, OPEN_ANGLE = radians(6.0), radians(88.0)
COS_CLOSED, SWING_ANGLE = cos(CLOSED_ANGLE), OPEN_ANGLE - CLOSED_ANGLE


def flow_shape(ratio: float) -> float:
    """Return throttle flow at a pressure ratio, as a fraction of choked flow; 0 at or above 1."""
    if ratio <= CRITICAL_RATIO:
        return 1.0
    if ratio >= 1.0:
        return 0.0
    # Isentropic nozzle, scaled so that it joins 1 at the critical ratio.
    drop: float = ratio**_OUTER - ratio**_INNER
    return _NOZZLE * sqrt(drop) if drop > 0.0 else 0.0


_NOZZLE = sqrt(2.0 / (GAMMA - 1.0)) / (2.0 / (GAMMA + 1.0)) ** 3
_OUTER, _INNER = 2 / GAMMA, (GAMMA + 1) / GAMMA

# Equilibrium of throttle and pumping: flow_shape(r) = x · r has one root r(x). Tabulated, because
# the manifold step needs it at every event.
_ROOTS = 2048
_X_MOST = 1.0 / CRITICAL_RATIO


def _root(x: float) -> float:
    low: float = CRITICAL_RATIO
    high = 1.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        if flow_shape(middle) > x * middle:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


_EQUILIBRIUM: list[float] = [_root(_X_MOST * k / _ROOTS) for k in range(_ROOTS)] + [
    CRITICAL_RATIO
] * 2


def equilibrium_ratio(x: float) -> float:
    """Return the pressure ratio r at which flow_shape(r) = x · r, x > 0."""
    if x >= _X_MOST:
        return 1.0 / x
    place = x / _X_MOST * _ROOTS
    k = int(place)
    return _EQUILIBRIUM[k] + (place - k) * (_EQUILIBRIUM[k + 1] - _EQUILIBRIUM[k])


def throttle_area_m2(throttle_pct: float, bore_mm: float) -> float:
    """Return the effective area of a butterfly throttle, its leakage when closed not counted."""
    angle = CLOSED_ANGLE + SWING_ANGLE * (held(throttle_pct, 0.0, 100.0) / 100.0)
    return _bore_m2(bore_mm) * (1.0 - cos(angle) / COS_CLOSED)


@cache
def _bore_m2(bore_mm: float) -> float:
    """The effective area of a throttle's bore."""
    return DISCHARGE * pi / 4.0 * float((bore_mm * 1e-3) ** 2)


def throttle_for_area(area_m2: float, bore_mm: float) -> float:
    """Return the throttle opening in per cent that gives an effective area."""
    part = area_m2 / _bore_m2(bore_mm)
    angle = acos(held((1.0 - part) * COS_CLOSED, -1.0, 1.0))
    return held((angle - CLOSED_ANGLE) / SWING_ANGLE * 100.0, 0.0, 100.0)


def air_mg(ve: float, map_kpa: float, volume_m3: float, kelvin: float) -> float:
    """Return the air drawn in one intake stroke, mg: VE·p·V/(R·T), VE against manifold density.

    The speed-density form of Heywood's volumetric efficiency (eq. 2.27, from memory).
    """
    return ve * map_kpa * 1e9 * volume_m3 / (R_AIR * kelvin)


def film_constants(film: Film, coolant_c: float, map_kpa: float) -> tuple[float, float]:
    """Return the film's fraction and evaporation time in s at a temperature and pressure."""
    fraction, time_s = film.fraction, film.time_s
    cold_c = 80.0 - coolant_c
    if cold_c > 0.0:
        fraction *= 1.0 + film.cold_fraction * cold_c / 80.0
        time_s *= exp(cold_c / film.cold_time_c)
    pressure = 1.0 + film.pressure_slope * (map_kpa / 50.0 - 1.0)
    return held(fraction * pressure, 0.02, 0.9), time_s * pressure


def film_step(
    film_mg: float, injected_mg: float, fraction: float, time_s: float, interval_s: float
) -> tuple[float, float]:
    """Return (film after, fuel delivered in the interval), both mg.

    Aquino's model, film' = X·rate − film/tau, solved exactly for a constant injection rate over the
    interval; fuel is conserved: injected = delivered + growth of the film.
    """
    if fraction <= 0.0:
        return 0.0, injected_mg + film_mg
    kept = exp(-interval_s / time_s)
    after = film_mg * kept + fraction * time_s * injected_mg / interval_s * (1.0 - kept)
    return after, injected_mg - (after - film_mg)


# A cycle's gas of one cylinder: volume m³, phi, time of injection s.
Plug = tuple[float, float, float]


class ExhaustPipe:
    """Gas between a bank's ports and its sensor: first in, first out, by volume.

    What has been pushed flows on over the following
    cycle. `phi` is the gas at the sensor after mixing, `injected_s` when its fuel was injected.
    """

    def __init__(self, parameters: Exhaust, cylinders: int, slots: int, phi: float) -> None:
        self._plugs: deque[Plug] = deque()
        self._left = parameters.volume_l * 1e-3
        self._head_phi = phi
        self.injected_s = 0.0
        self.phi = phi
        self._mixing = -1.0 / (parameters.mixing_volume_l * 1e-3)
        self._slots = float(slots)
        self._last = [0.0] * cylinders
        self.flow_m3 = 0.0  # per event

    def push(self, cylinder: int, plug: Plug) -> None:
        """Add one cycle's gas of one cylinder."""
        self._plugs.append(plug)
        volume_m3 = plug[0]
        self.flow_m3 += (volume_m3 - self._last[cylinder]) / self._slots
        self._last[cylinder] = volume_m3

    def flow(self) -> float:
        """Move the gas by one event's volume; return phi at the sensor."""
        total = need = self.flow_m3
        phi = self.phi
        if need <= 0.0:
            return phi
        left, plugs, passed = self._left, self._plugs, 0.0
        while need >= left and plugs:
            passed += left * self._head_phi
            need -= left
            left, self._head_phi, self.injected_s = plugs.popleft()
        passed += need * self._head_phi
        self._left = left - need
        phi += (passed / total - phi) * (1.0 - exp(total * self._mixing))
        self.phi = phi
        return phi
