"""Which files of tests take longest. They begin the run: one that came last would run alone."""

from pathlib import Path

from checkout import ROOT

TESTS = ROOT / "tests"

# 12 s of processor time and more, when last measured.
LONGEST = (
    "learner/test_causes.py",
    "bridge/test_firmware.py",
    "end_to_end/test_fault_effects.py",
    "end_to_end/test_accuracy.py",
    "tools/test_classroom.py",
    "tools/test_fuzz.py",
    "job/test_vehicle.py",
    "job/test_end_to_end.py",
    "view/test_app.py",
    "end_to_end/test_find_delay.py",
    "job/test_broken_disk.py",
    "board/test_install.py",
    "end_to_end/test_convergence.py",
    "job/test_kill.py",
    "tools/test_causes_kept.py",
    "tools/test_alarms.py",
    "board/test_single_precision.py",
    "job/test_power_cuts.py",
    "report/test_words.py",
    "job/test_learn_file.py",
    "job/test_despite.py",
)
_PLACE = {TESTS / name: place for place, name in enumerate(LONGEST)}


def place(path: Path) -> int:
    """Return where a file comes in the run; all that are not long come last, as they are."""
    return _PLACE.get(path, len(_PLACE))
