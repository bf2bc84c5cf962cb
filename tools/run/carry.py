"""Recordings learned as if another table had been in the controller, on other axes.

The controller made its pulse of its own VE and the closed loop's factor. With VE of another table
and that factor times old VE over new VE, at every sample's own operating point, it is the same
pulse: nothing but its words has changed, so what is learned is exact for the other table. Where it
lags or is delayed, the history takes the factor along with the operating point.
"""

from collections.abc import Callable, Sequence
from pathlib import Path

from breathmap.learner.core.table import Table
from breathmap.learner.words.description import EngineDescription
from breathmap.protocol.wire.sample import Sample
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.port import Stop
from breathmap.tools.base.screen import Screen
from breathmap.tools.run.evidence_files import is_evidence
from breathmap.tools.run.learning import relearn
from breathmap.tools.run.left_out import LeftOut
from breathmap.tools.run.session import Session

Cells = Sequence[Sequence[float]]


def carried(
    old: EngineDescription,
    old_cells: Cells,
    new: EngineDescription,
    new_cells: Cells,
    paths: list[Path],
    left_out: LeftOut,
    screen: Screen,
) -> Session:
    """Return a session on the new description's axes and tables that has learned recordings made
    with the old ones in the controller. UserError for evidence, which knows its own table only."""
    for path in paths:
        if is_evidence(path):
            raise UserError(f"{path}: evidence cannot be carried to other axes")
    session = Session(old, [list(cells) for cells in old_cells])
    session.questions_logs = False
    session.leave_out(left_out)
    before = [bank.table for bank in session.settings.banks]
    settings = new.settings([list(cells) for cells in new_cells])
    session.learn_on(settings)
    after = [
        Table(list(new.axes.speed_rpm), list(new.axes.load), list(cells)) for cells in new_cells
    ]
    session.retell = _retelling(before, after, settings.load_is_throttle)
    with Stop() as stop:
        relearn(session, paths, screen, stop)
        if stop.asked:
            raise UserError("stopped; nothing was changed")
    return session


def _retelling(
    before: list[Table], after: list[Table], load_is_throttle: bool
) -> Callable[[Sample], None]:
    def retell(sample: Sample) -> None:
        speed_rpm = sample.speed_rpm
        load = sample.throttle_pct if load_is_throttle else sample.map_kpa
        # Written so that NaN fails, too: such a sample is refused in any case.
        if not (0.0 < speed_rpm < 1e6 and -1e3 < load < 1e6):
            return
        for bank, (old, new) in enumerate(zip(before, after, strict=True)):
            old.locate(speed_rpm, load)
            new.locate(speed_rpm, load)
            sample.fuel_multiplier[bank] *= old.ve_pct / new.ve_pct

    return retell
