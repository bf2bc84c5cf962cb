"""Causes in a job: what else than VE could explain a pass, by itself or against an earlier one."""

import re
from pathlib import Path

from breathmap.learner.causes.diagnose import Diagnosis
from breathmap.learner.causes.since import Earlier, earlier_of
from breathmap.learner.words.description import EngineDescription
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.screen import Screen
from breathmap.tools.job.folder import Job
from breathmap.tools.job.recordings import counted, relearn_pass
from breathmap.tools.run.diagnosing import earlier_in


def diagnose_job(job: Job, since: str | None, screen: Screen) -> Diagnosis:
    """Look for causes in the latest pass that holds a recording. since: the number of an earlier
    pass, or an output folder; None looks at the pass alone. Changes nothing."""
    number = latest_pass(job)
    session = relearn_pass(job, number, screen, witnessed=True)
    earlier = None
    if since is not None:
        earlier = _earlier(job, since, number, session.description, screen)
    return session.diagnose(earlier)


def latest_pass(job: Job) -> int:
    """Return the number of the latest pass with something to learn from."""
    for number in range(job.pass_number, 0, -1):
        if counted(job, number):
            return number
    raise UserError(f"{job.folder}: holds no recording yet; run breathmap learn {job.folder} PORT")


def _earlier(job: Job, since: str, number: int, now: EngineDescription, screen: Screen) -> Earlier:
    if not re.fullmatch("[0-9]{1,9}", since):
        return earlier_in(Path(since), now)
    wanted = int(since)
    if not (1 <= wanted < number and counted(job, wanted)):
        raise UserError(
            f"{job.folder}: --since {since} is no pass with a recording before pass {number}"
        )
    session = relearn_pass(job, wanted, screen)
    axes = session.description.axes
    if (axes.speed_rpm, axes.load) != (now.axes.speed_rpm, now.axes.load):
        raise UserError(
            f"{job.folder}: pass {wanted} is on other axes than pass {number}: they cannot be "
            "compared for causes; diagnose each by itself"
        )
    evidences = [bank.evidence for bank in session.learner.banks]
    then = session.description.engine.displacement_cm3
    factor = then / now.engine.displacement_cm3
    return earlier_of(f"pass {wanted}", session.tables, evidences, factor)
