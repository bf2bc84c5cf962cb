"""The lambda sensors: how a gas becomes a reading.

Gas is carried as fuel-air equivalence ratio phi = 1/lambda, because that is what mixes in
proportion and what a pump cell's current follows; free air is phi = 0. A wideband's reading is
lagged, noisy, limited to its range; a switching sensor gives volts on a steep curve with
hysteresis.
"""

from collections.abc import Callable
from math import exp, log

from breathmap.protocol.wire.fields import SENSOR_ABSENT, SENSOR_FAULT, SENSOR_READY, SENSOR_WARMING
from breathmap.simulator.parameters import LambdaSensor
from breathmap.simulator.physics import held

NAN = float("nan")

# The switching curve: logistic between its rich and lean plateaus. Levels and the middle are those
# of common practice (about 0.1 V lean, 0.9 V rich, 0.45 V taken as stoichiometric); the width makes
# 0.2 to 0.8 V span about 1 % of lambda. From memory, no source.
LEAN_V, RICH_V, WIDTH_LAMBDA, MIDDLE_V = 0.08, 0.88, 0.0045, 0.45
# The sensor switches a little later in either direction.
HYSTERESIS_LAMBDA = 0.002
# Where log((rich − v)/(v − lean)) is zero is 0.48 V; this puts lambda 1 at MIDDLE_V.
_SHIFT = WIDTH_LAMBDA * log((RICH_V - MIDDLE_V) / (MIDDLE_V - LEAN_V))


def switching_volts(lambda_: float) -> float:
    """Return the switching sensor's voltage in equilibrium at a lambda (no hysteresis)."""
    z = held((lambda_ - 1.0 + _SHIFT) / WIDTH_LAMBDA, -40.0, 40.0)
    return LEAN_V + (RICH_V - LEAN_V) / (1.0 + exp(z))


def switching_lambda(volts: float) -> float:
    """Return the lambda a bridge reads from a switching sensor: the curve inverted, held within
    0.97 to 1.03, beyond which the curve is too flat to say more."""
    v = held(volts, LEAN_V + 1e-4, RICH_V - 1e-4)
    lambda_ = 1.0 - _SHIFT + WIDTH_LAMBDA * log((RICH_V - v) / (v - LEAN_V))
    return held(lambda_, 0.97, 1.03)


class FittedSensor:
    """One sensor in its exhaust. Faults act through the public attributes.

    phi: lagged equivalence ratio inside the sensor. slow: factor on its lag. gain, offset_lambda:
    applied to the reading. stuck, unplugged: what they say.
    """

    def __init__(self, parameters: LambdaSensor, warm: bool) -> None:
        self.parameters = parameters
        self.phi = 0.0
        self.before = 0.0
        self.slow = 1.0
        self.gain = parameters.gain
        self.offset_lambda = parameters.offset_lambda
        self.stuck = False
        self.unplugged = False
        self.heated_s = 1e9 if warm else 0.0
        self._held = NAN
        self._lag_s = parameters.lag_s
        self._is_switching = parameters.kind == "switching"
        self._lean_going = False

    def expose(self, phi: float, interval_s: float) -> None:
        """Let gas act on the sensor for a time: exact first-order step."""
        self.before = before = self.phi
        self.phi = before + (phi - before) * (1.0 - exp(-interval_s / (self._lag_s * self.slow)))

    @property
    def state(self) -> int:
        """Sensor state as on the wire."""
        if self.unplugged:
            return SENSOR_ABSENT if self._is_switching else SENSOR_FAULT
        return SENSOR_READY if self.heated_s >= self.parameters.warm_up_s else SENSOR_WARMING

    def reading(self, part: float, normal: Callable[[], float]) -> float:
        """Return lambda (wideband) or volts (switching); NaN when there is none.

        part: 0 to 1, the moment of reading between the last two steps. normal: draws its noise.
        """
        if self.unplugged or self.heated_s < self.parameters.warm_up_s:
            return NAN
        if self.stuck:
            if self._held != self._held:
                self._held = self._read(part, normal)
            return self._held
        self._held = NAN
        return self._read(part, normal)

    def _read(self, part: float, normal: Callable[[], float]) -> float:
        p, before = self.parameters, self.before
        phi = before + part * (self.phi - before)
        noise = normal() * p.noise if p.noise > 0.0 else 0.0
        lambda_ = 1.0 / phi if phi > 0.1 else 10.0
        lambda_ = lambda_ * self.gain + self.offset_lambda
        if not self._is_switching:
            return held(lambda_ * (1.0 + noise), p.range_low, p.range_high)
        # Noise is on the volts; hysteresis delays the switch in the direction of travel.
        if self.phi != before:
            self._lean_going = self.phi < before
        late = -HYSTERESIS_LAMBDA if self._lean_going else HYSTERESIS_LAMBDA
        return held(switching_volts(lambda_ + late) + noise, 0.0, 1.1)

    def bridge_lambda(self, part: float, normal: Callable[[], float]) -> float:
        """Return the lambda that a bridge reports for this sensor."""
        value = self.reading(part, normal)
        return switching_lambda(value) if self._is_switching and value == value else value
