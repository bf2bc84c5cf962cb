"""The structures of learner/c/breathmap_learner.h in double precision, member by member.

What is no number of its own stands in pointers, so that C works on the very arrays of the Python
learner. `breathmap.learner.fast.compiled` compares the sizes before it binds.
"""

from ctypes import POINTER, Structure, c_double, c_float, c_int32, c_int64, c_void_p
from typing import Any

MAX_BANKS = 8
REASONS = 22


def _of(kind: Any, names: str) -> list[Any]:
    return [(name, kind) for name in names.split()]


class Table(Structure):
    """struct bl_table"""

    _fields_ = [
        *_of(c_void_p, "speed_rpm load cells"),
        *_of(c_int32, "speed_count load_count index column row"),
        *_of(c_double, "v0 v1 v2 v3 ve_pct"),
    ]


class Evidence(Structure):
    """struct bl_evidence"""

    _fields_ = [
        *_of(c_void_p, "cells border corner term_rhs term_x term_dot sums block_score block_index"),
        ("held", c_void_p),
        *_of(c_double, "noise table_sd term_sd residual weight outlier_share"),
        *_of(c_int32, "speed_count load_count n_terms square block_used outlier"),
    ]


class DelayModel(Structure):
    """struct bl_delay_model"""

    _fields_ = _of(c_double, "cycles exhaust_volume_cm3 sensor_lag_s exhaust_temp_k swept_cm3")


class History(Structure):
    """struct bl_history"""

    _fields_ = [
        *_of(c_void_p, "time_s speed_rpm load throttle target turned"),
        *_of(c_void_p * MAX_BANKS, "commanded air passed_cm3"),
        ("gas_cm3", c_void_p),
        *_of(c_double, "now_s share"),
        *_of(c_int32, "size banks newest count older newer left"),
    ]


class Seen(Structure):
    """struct bl_seen"""

    _fields_ = [
        *_of(c_void_p, "terms input before low band"),
        *_of(c_double, "film_s load_top film_size speed_rpm load commanded primed_s"),
        *_of(c_double, "speed_travel load_travel throttle_travel transport_s"),
        *_of(c_int32, "film_terms lead n_terms"),
    ]


class Limits(Structure):
    """struct bl_limits"""

    _fields_ = [
        *_of(c_double, "speed_min_rpm coolant_min_c coolant_max_c battery_min_v"),
        *_of(c_double, "lambda_min lambda_max fuel_cut_recovery_s enrichment_recovery_s"),
        *_of(c_double, "throttle_travel_max_pct load_travel_max speed_travel_max_rpm"),
        *_of(c_double, "load_travel_half speed_travel_half_rpm film_half"),
        *_of(c_double, "target_change_max stuck_after_s loop_turn_max_s gap_max_s"),
    ]


class Settings(Structure):
    """struct bl_settings"""

    _fields_ = [
        ("banks", c_void_p),
        ("limits", Limits),
        *_of(c_double, "film_s history_s noise"),
        *_of(c_int32, "bank_count load_is_throttle sensor_kind closed_loop film_terms charge_lead"),
    ]


class LoopWatch(Structure):
    """struct bl_loop_watch"""

    _fields_ = [
        *_of(c_double, "usual_s value since_turn_s since_turn_before_s"),
        ("turns", c_int64),
        ("rising", c_int32),
    ]


class Gates(Structure):
    """struct bl_gates"""

    _fields_ = [
        ("settings", POINTER(Settings)),
        *_of(c_double, "since_cut_s since_enrichment_s since_other_s since_gap_s"),
    ]


class Aside(Structure):
    """struct bl_aside"""

    _fields_ = [
        *_of(c_void_p, "cells border corner term_rhs term_x term_dot sums block_score block_index"),
        *_of(c_double, "noise outlier_share spike_s"),
        *_of(c_int64, "used taken_out"),
        *_of(c_int32, "block_used is_kept"),
    ]


class BankLearner(Structure):
    """struct bl_bank_learner"""

    _fields_ = [
        ("table", Table),
        ("delay", DelayModel),
        ("seen", Seen),
        ("evidence", Evidence),
        ("loop", LoopWatch),
        ("aside", POINTER(Aside)),
        *_of(c_double, "weight observation delay_s spike_s stuck_s measured"),
        *_of(c_int64, "seen_count used_count"),
        ("refused", c_int64 * REASONS),
        *_of(c_int32, "number verdict"),
    ]


class Learner(Structure):
    """struct bl_learner"""

    _fields_ = [
        ("settings", POINTER(Settings)),
        ("banks", POINTER(BankLearner)),
        ("history", History),
        ("gates", Gates),
        *_of(c_void_p, "air gas_cm3"),
        ("block_s", c_double),
        ("last_us", c_int64),
        ("bank_count", c_int32),
    ]


class Columns(Structure):
    """struct bl_columns"""

    _fields_ = [
        *_of(c_void_p, "time_us lost_before flags speed_rpm map_kpa throttle_pct coolant_c"),
        *_of(c_void_p, "intake_c battery_v target_lambda measured_lambda fuel_multiplier"),
        ("sensor_state", c_void_p),
        ("count", c_int64),
        ("banks", c_int32),
    ]


class Verdicts(Structure):
    """struct bl_verdicts"""

    _fields_ = [
        *_of(c_void_p, "verdict taken_out weight observation residual delay_s speed_rpm load"),
        *_of(c_void_p, "stuck_s load_travel outlier"),
    ]


class Lean(Structure):
    """struct bl_lean"""

    _fields_ = [
        ("settings", POINTER(Settings)),
        *_of(c_void_p, "lean_load lean_lambda target_load above_target"),
        *_of(c_double, "judged_s low base step_s flow quiet_s"),
        *_of(c_int64, "count last_us"),
        *_of(c_int32, "lean_count target_count at steps"),
        ("on", c_int32 * MAX_BANKS),
        ("run", c_float * (9 * MAX_BANKS)),
        ("kept", c_float * 63),
    ]


class Alarms(Structure):
    """struct bl_alarms"""

    _fields_ = [
        ("lean", Lean),
        *_of(c_double, "coolant_max_c frames_lost_pct"),
        ("quiet_s", c_double * 6),
        *_of(c_double * MAX_BANKS, "gone_s warming_s"),
        *_of(c_double, "running_s span_s time_s"),
        *_of(c_int64 * 2, "came lost"),
        ("last_us", c_int64),
        ("was_ready", c_int32 * MAX_BANKS),
    ]


# In the order of learner/c/host.c.
STRUCTURES = (
    Table, Evidence, DelayModel, History, Seen, Limits, Settings, LoopWatch, Gates, Aside,
    BankLearner, Learner, Columns, Verdicts, Lean, Alarms,
)  # fmt: skip
