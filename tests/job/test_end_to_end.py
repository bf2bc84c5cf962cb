"""The whole job on the simulated engine, its controller read and written over a port."""

import csv
import json
from itertools import compress
from pathlib import Path

import numpy as np
import pytest
from command_line import Breathmap, refused
from job_bench import Twin

from breathmap.protocol.host.calibration import differences
from breathmap.simulator.control_server import ControlServer, calibration_of, put_into
from breathmap.simulator.drives import RoadRide
from breathmap.tools.base.screen import Screen
from breathmap.tools.demo.job import run_job_demo
from breathmap.tools.demo.simulating import Order, prepare
from breathmap.tools.job.calibration import read_calibration
from breathmap.tools.job.folder import Job
from breathmap.tools.job.records import Finished, Proposed

STILL_IN = "the learning set-up may still be in the vehicle"


def said_last(out: str) -> str:
    """Return the last line of an output, however it was wrapped."""
    text = " ".join(out.split())
    return text[text.rfind("Caution:") :] if "Caution:" in text else text[-200:]


def rms(values: list[float]) -> float:
    """Return the root mean square."""
    return float(np.sqrt(np.mean(np.square(values))))


def begin(breathmap: Breathmap, job: Path, twin: Twin, kind: str, method: str) -> None:
    """Make the job from the controller and put the learning set-up into it."""
    with twin.standing(kind) as url:
        made = breathmap(
            "new", job, "--port", url, "--bank", "left", "--bank", "right", "--sensor", method
        )
        assert made.code == 0, made.err
        assert STILL_IN in said_last(made.out)
        prepared = breathmap("prepare", job, "--port", url)
    assert prepared.code == 0, prepared.err
    assert STILL_IN in said_last(prepared.out)


def one_pass(
    breathmap: Breathmap, job: Path, twin: Twin, seed: int, minutes: float, *choice: str
) -> str:
    """Learn, propose, accept into the controller; return what propose said."""
    with twin.driving(RoadRide(60.0 * minutes, seed), seed) as url:
        learned = breathmap("learn", job, url, "--give-up", 0)
    assert learned.code == 0, learned.err
    assert STILL_IN in said_last(learned.out)
    proposed = breathmap("propose", job, *choice)
    assert proposed.code == 0, proposed.err
    with twin.standing() as url:
        accepted = breathmap("accept", job, "--port", url)
    assert accepted.code == 0, accepted.err
    assert STILL_IN in said_last(accepted.out)
    return proposed.out


def measured(job: Path, bank: str) -> list[bool]:
    """Return which cells a job's latest pass measured well, row by row."""
    path = max(job.glob(f"proposals/*/{bank}-cells.csv"))
    with path.open(encoding="utf-8", newline="") as file:
        return [float(row["coverage"]) >= 5.0 for row in csv.DictReader(file)]


def test_a_whole_job(breathmap: Breathmap, tmp_path: Path) -> None:
    """From a controller set up for use to a learned table, everything put back, proved, checked by
    a drive that follows the original target, and undone."""
    twin, job = Twin(), tmp_path / "job"
    original = twin.server.calibration

    begin(breathmap, job, twin, "pty", "wideband")
    assert twin.controller.read_target() == pytest.approx([0.89] * 36)
    assert not twin.controller.settings.acceleration_enrichment
    assert not twin.controller.settings.closed_loop
    assert twin.controller.settings.rev_limiter

    one_pass(breathmap, job, twin, 1, 4.0)
    one_pass(breathmap, job, twin, 2, 4.0)
    for bank, name in enumerate(("left", "right")):
        was = original.ve_pct[bank]
        new = twin.controller.read_ve(bank)
        moved = [m and a != b for m, a, b in zip(measured(job, name), was, new, strict=True)]
        before, after = twin.errors_pct(bank, was), twin.errors_pct(bank)
        assert sum(moved) >= 12
        assert rms(list(compress(after, moved))) < 0.4 * rms(list(compress(before, moved)))

    with twin.standing() as url:
        finished = breathmap("finish", job, "--port", url)
        assert finished.code == 0, finished.err
    assert STILL_IN not in finished.out
    now = twin.server.calibration
    assert now.settings == original.settings
    assert now.target_lambda == original.target_lambda
    assert now.displacement_cm3 == original.displacement_cm3
    assert now.ve_pct != original.ve_pct
    opened = Job(job)
    assert differences(now, read_calibration(job / "final", opened.description()))[1] == []
    record = opened.all_of(Finished)[-1]
    assert record.verified
    assert record.differing == sum(
        a != b
        for old, new in zip(original.ve_pct, now.ve_pct, strict=True)
        for a, b in zip(old, new, strict=True)
    )
    # 4 axes fields, 4 of storage, displacement, 10 switches, two VE tables and the target table.
    assert record.compared == 4 + 4 + 1 + 10 + 3 * 36

    with twin.driving(RoadRide(90.0, 5), 5) as url:
        checked = breathmap("learn", job, url, "--give-up", 0)
    assert "original target table in 100% of the time" in checked.out
    assert "Put back: read from the controller." in checked.out
    assert STILL_IN not in checked.out

    verified = breathmap("history", job, "--verify")
    assert verified.code == 0, verified.err
    assert "2 proposals come out the same, byte for byte" in " ".join(verified.out.split())

    with twin.standing() as url:
        undone = breathmap("undo", job, "0", "--port", url)
        assert undone.code == 0, undone.err
    assert twin.server.calibration.ve_pct == original.ve_pct
    assert STILL_IN in said_last(undone.out)


def test_a_rebase(breathmap: Breathmap, tmp_path: Path) -> None:
    """Where cells cannot be stored nothing is proposed without a choice; with a rebase the fuel is
    what was wanted, and the proof shows the displacement beside the VE cells."""
    twin, job = Twin(displacement_cm3=560.0), tmp_path / "job"
    begin(breathmap, job, twin, "tcp", "wideband")
    with twin.driving(RoadRide(240.0, 1), 1) as url:
        assert breathmap("learn", job, url, "--give-up", 0).code == 0

    refused(
        breathmap("propose", job), "stores (102 %)", "--saturate", "lean", "unsafe", "--rebase",
        "coarser",
    )  # fmt: skip
    assert not (job / "proposals").exists()

    saturated = breathmap("propose", job, "--saturate")
    assert saturated.code == 0
    assert "Running there is unsafe" in " ".join(saturated.out.split())

    rebased = breathmap("propose", job, "--rebase")
    assert rebased.code == 0
    assert "kept to within half a step in every cell" in " ".join(rebased.out.split())
    with twin.standing() as url:
        assert breathmap("accept", job, "--port", url).code == 0
        assert breathmap("finish", job, "--port", url).code == 0
    proposal = Job(job).latest(Proposed)
    assert proposal is not None
    assert twin.controller.displacement_cm3 == proposal.displacement_cm3 > 560.0
    assert max(twin.controller.read_ve(0)) <= 102.0
    assert "(rebase)" in (job / "final" / "proof.md").read_text()
    assert breathmap("history", job, "--verify").code == 0
    assert rms(twin.errors_pct(0)) < 6.0


def test_the_switching_sensor(breathmap: Breathmap, tmp_path: Path) -> None:
    """With switching sensors the set-up is a flat stoichiometric target in closed loop, spark is
    left to the person, and so is telling that it was put back."""
    twin, job = Twin("switching"), tmp_path / "job"
    original = twin.server.calibration
    begin(breathmap, job, twin, "tcp", "switching")
    assert set(twin.controller.read_target()) == {1.0}
    assert twin.controller.settings.closed_loop
    assert not twin.controller.settings.long_term_adaptation
    assert "spark" in (job / "setup-sheet.md").read_text()

    before = rms(twin.errors_pct(0))
    one_pass(breathmap, job, twin, 1, 5.0)
    assert rms(twin.errors_pct(0)) < before

    with twin.standing() as url:
        finished = breathmap("finish", job, "--port", url)
    assert finished.code == 0
    assert twin.server.calibration.settings == original.settings
    # The spark cannot be read: nobody may believe that it was put back.
    assert "spark" in finished.out
    assert STILL_IN in said_last(finished.out)


def test_a_forgotten_set_up_is_told(breathmap: Breathmap, tmp_path: Path) -> None:
    """A drive after `finish` with the set-up still in says so, line by line and in the last one."""
    twin, job = Twin(), tmp_path / "job"
    begin(breathmap, job, twin, "tcp", "wideband")
    assert breathmap("finish", job).code == 0  # by hand, and nobody did it

    with twin.driving(RoadRide(150.0, 3), 3) as url:
        checked = breathmap("learn", job, url, "--give-up", 0)

    text = " ".join(checked.out.split())
    assert "the target stayed flat at lambda 0.890" in text
    assert "acceleration enrichment never acted" in text
    assert "closed loop never acted" in text
    assert STILL_IN in said_last(checked.out)


def test_learning_on_another_table_is_refused(breathmap: Breathmap, tmp_path: Path) -> None:
    """`learn` reads the controller first and refuses one that holds another table than the job."""
    twin, job = Twin(), tmp_path / "job"
    begin(breathmap, job, twin, "tcp", "wideband")
    with twin.driving(RoadRide(60.0, 1), 1) as url:
        assert breathmap("learn", job, url, "--give-up", 0).code == 0
    assert breathmap("propose", job).code == 0
    assert breathmap("accept", job).code == 0  # and not stored

    with twin.standing() as url:
        refused(breathmap("learn", job, url), "holds table 0", "table 1", "breathmap store")
        assert breathmap("store", job, "--port", url).code == 0
        assert twin.server.calibration.ve_pct == Job(job).calibration(1).ve_pct
        cells = list(twin.server.calibration.ve_pct[0])
    twin.controller.write_ve(0, [*cells[:5], cells[5] + 3.0, *cells[6:]])
    twin = twin_again(twin)
    with twin.standing() as url:
        refused(breathmap("learn", job, url), "does not know", "somebody changed")
        refused(breathmap("finish", job, "--port", url), "does not know")
    assert json.loads((job / "history.jsonl").read_text().splitlines()[-1])["what"] == "stored"


def twin_again(twin: Twin) -> Twin:
    """Return the same controller as a device that was switched off and on."""
    controller = twin.controller
    twin.server = ControlServer(calibration_of(controller), lambda new: put_into(controller, new))
    return twin


def test_the_demo_of_a_job(tmp_path: Path) -> None:
    """The demo's job runs from `new` to the check drive, ends with the set-up read back, and more
    than halves the fuelling error on the cells that it measured well."""
    job = run_job_demo(tmp_path / "out", Screen(quiet=True), minutes=3.0)

    kinds = [record.what for record in job.records]
    assert kinds[-3:] == ["finished", "read", "checked"]
    assert kinds.count("accepted") == 2
    assert not job.closing_line()[1]
    truth = prepare(Order(truth="grid")).parameters.truth
    first, last = job.start(), job.calibration()
    points = [(n, p) for p in first.load for n in first.speed_rpm]
    for bank, name in enumerate(b.name for b in job.description().bank):
        pairs = [
            (old / truth.ve_pct(bank, n, p) - 1.0, new / truth.ve_pct(bank, n, p) - 1.0)
            for old, new, (n, p), moved in zip(
                first.ve_pct[bank],
                last.ve_pct[bank],
                points,
                measured(job.folder, name),
                strict=True,
            )
            if moved and old != new
        ]
        assert len(pairs) > 30
        assert rms([new for _, new in pairs]) < 0.5 * rms([old for old, _ in pairs])
