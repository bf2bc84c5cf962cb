"""What the simulated controller has switched on or off, and the two set-ups a person uses.

Every function of the controller is one switch and a few numbers. The learning set-up switches off
or sets flat whatever would hide the table's error; the normal set-up is the one to hand the vehicle
over with. A forgotten switch is a fault that a class can be shown.
"""

from dataclasses import dataclass, fields, replace
from math import isfinite

from breathmap.simulator.table import Axes

SWITCHES = (
    "acceleration_enrichment",
    "deceleration_enleanment",
    "power_enrichment",
    "overrun_fuel_cut",
    "closed_loop",
    "long_term_adaptation",
    "idle_speed_control",
    "idle_heat_protection",
    "warm_up_enrichment",
    "rev_limiter",
)


@dataclass(frozen=True)
class Settings:
    """All settings of the controller. Raises ValueError on a number that is not finite.

    target_lambda: one number (a flat target) or a flat tuple of cells on the VE axes.
    sensor: "wideband" or "switching", what the closed loop listens to.
    """

    target_lambda: float | tuple[float, ...] = 0.88
    sensor: str = "wideband"
    acceleration_enrichment: bool = False
    deceleration_enleanment: bool = False
    power_enrichment: bool = False
    overrun_fuel_cut: bool = False
    closed_loop: bool = False
    long_term_adaptation: bool = False
    idle_speed_control: bool = False
    idle_heat_protection: bool = False
    warm_up_enrichment: bool = True
    rev_limiter: bool = True

    # Throttle movement that counts as transient, extra fuel per speed of it, and its decay.
    transient_pct_per_s: float = 35.0
    transient_gain_s: float = 0.0016
    transient_decay_s: float = 0.35
    transient_maximum: float = 0.40
    power_throttle_pct: float = 70.0
    power_fuel: float = 0.06
    cut_above_rpm: float = 2300.0
    cut_below_rpm: float = 1700.0
    cut_throttle_pct: float = 0.8
    cut_after_s: float = 0.35
    recovery_fuel: float = 0.10
    recovery_s: float = 0.25
    loop_minimum: float = 0.75
    loop_maximum: float = 1.25
    loop_gain_per_s: float = 1.2
    switching_ramp_per_s: float = 0.06
    switching_jump: float = 0.018
    loop_coolant_c: float = 60.0
    loop_most_kpa: float = 85.0
    adaptation_per_s: float = 0.03
    adaptation_maximum: float = 0.20
    idle_rpm: float = 1250.0
    idle_gain_mm2: float = 0.004
    idle_most_mm2: float = 8.0
    idle_hot_c: float = 105.0
    idle_hot_fuel: float = 0.06
    warm_up_fuel_at_0c: float = 0.35
    warm_up_until_c: float = 70.0
    after_start_fuel: float = 0.20
    after_start_s: float = 20.0
    rev_limit_rpm: float = 7900.0

    def __post_init__(self) -> None:
        if self.sensor not in ("wideband", "switching"):
            raise ValueError(f"sensor must be wideband or switching, got {self.sensor}")
        for f in fields(self):
            value = getattr(self, f.name)
            cells = value if isinstance(value, tuple) else (value,)
            if any(isinstance(c, float) and not isfinite(c) for c in cells):
                raise ValueError(f"{f.name} must be finite, got {value}")
        if not self.loop_minimum <= 1.0 <= self.loop_maximum:
            raise ValueError("loop_minimum and loop_maximum must enclose 1")

    def changed(self, **changes: object) -> "Settings":
        """Return the same settings with some changed; TypeError on an unknown name."""
        return replace(self, **changes)  # type: ignore[arg-type]


def learning_setup(method: str = "wideband") -> Settings:
    """Return the set-up for learning.

    "wideband": flat target 0.88, every correction off. "switching": flat stoichiometric target,
    closed loop on, long-term adaptation and transient functions off.
    """
    if method == "wideband":
        return Settings(target_lambda=0.88)
    if method == "switching":
        return Settings(target_lambda=1.0, sensor="switching", closed_loop=True)
    raise ValueError(f"method must be wideband or switching, got {method}")


def normal_setup(axes: Axes, sensor: str = "wideband") -> Settings:
    """Return the set-up for use: target by load, every function on."""
    return Settings(
        target_lambda=tuple(_use_target(p) for p in axes.load_kpa for _ in axes.speed_rpm),
        sensor=sensor,
        **dict.fromkeys(SWITCHES, True),
    )


def _use_target(load_kpa: float) -> float:
    """Stoichiometric at part load, richer towards full load (common practice, no source)."""
    return 1.0 if load_kpa < 70 else max(0.88, 1.0 - 0.006 * (load_kpa - 70.0))
