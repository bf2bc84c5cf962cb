# Board-safe: runs on CPython and MicroPython alike.
"""What the learner must know of one engine: banks, limits, delay. Plain numbers with defaults.

A host fills these from an engine description (`breathmap.learner.words.description`), a board from
its own file.
"""

from breathmap.learner.core.history import DelayModel
from breathmap.learner.core.table import Table

WIDEBAND = 0
SWITCHING = 1

# Time constant of the fuel-film columns, seconds. Common practice, no source: a warm film gives its
# fuel back in some 0.2 to 1 s; the third column says by how much this one's time differs.
FILM_S = 0.35
FILM_TERMS = 3


class Limits:
    """Thresholds of the gates. Each default is common practice, no source, unless said otherwise.

    Travel of load is in units of the load axis (kPa or %).
    """

    def __init__(self) -> None:
        self.speed_min_rpm = 500.0
        self.coolant_min_c = 70.0
        self.coolant_max_c = 115.0
        self.battery_min_v = 11.5
        # What a wideband controller reads reliably.
        self.lambda_min = 0.65
        self.lambda_max = 1.40
        # After the fuel comes back: film refilled, exhaust flushed.
        self.fuel_cut_recovery_s = 1.5
        self.enrichment_recovery_s = 0.5
        # Travel of late (see breathmap.learner.core.history.TRAVEL_S): beyond it a sample is
        # refused ...
        self.throttle_travel_max_pct = 25.0
        self.load_travel_max = 15.0
        self.speed_travel_max_rpm = 750.0
        # ... and at it a sample has half its weight. Broad optimum on simulated road driving.
        self.load_travel_half = 3.0
        self.speed_travel_half_rpm = 150.0
        # Size of the film column (a fraction of the fuel flow) that halves the weight once more.
        self.film_half = 0.1
        # A larger change of target within the delay is refused.
        self.target_change_max = 0.005
        # A reading that stays the same to the last digit for so long of moving load is stuck.
        self.stuck_after_s = 3.0
        # A switching sensor's loop that turns more rarely than this is not settled.
        self.loop_turn_max_s = 1.5
        # A longer silence than this breaks the history.
        self.gap_max_s = 0.25


class BankSettings:
    """One bank: its table, its sensor's delay. `name` is for people."""

    def __init__(self, name: str, table: Table, delay: DelayModel) -> None:
        self.name = name
        self.table = table
        self.delay = delay


class Settings:
    """Everything a Learner needs.

    load_is_throttle: the load axis is throttle opening in %, else manifold pressure in kPa.
    sensor_kind: WIDEBAND or SWITCHING. closed_loop: the method runs closed loop (with a switching
    sensor always). film_s: time constant of the film columns. film_terms: how many there are of
    film, its growth with load, its time constant; 0 leaves the film out. charge_lead: one more
    column, for air that changes between injection and intake. sample_rate_hz: the highest rate
    expected; sizes the history.
    """

    def __init__(
        self,
        banks: "list[BankSettings]",
        load_is_throttle: bool = False,
        sensor_kind: int = WIDEBAND,
        closed_loop: bool = False,
        film_s: float = FILM_S,
        film_terms: int = FILM_TERMS,
        charge_lead: bool = True,
        sample_rate_hz: float = 50.0,
        history_s: float = 2.5,
        noise: float = 0.02,
    ) -> None:
        if not banks:
            raise ValueError("an engine needs at least one bank")
        self.banks = banks
        self.load_is_throttle = load_is_throttle
        self.sensor_kind = sensor_kind
        self.closed_loop = closed_loop or sensor_kind == SWITCHING
        self.film_s = film_s
        self.film_terms = film_terms
        self.charge_lead = charge_lead
        self.sample_rate_hz = sample_rate_hz
        self.history_s = history_s
        self.noise = noise
        self.limits = Limits()

    def term_names(self) -> "list[str]":
        """Names of the global terms, in the order of the evidence's columns."""
        names = ["film", "film_growth", "film_time"][: self.film_terms]
        if self.charge_lead:
            names.append("charge_lead")
        return names
