"""The public door, `breathmap.learner.api`, suffices by itself."""

import csv
import math
import tomllib
from collections.abc import Iterable
from copy import deepcopy
from pathlib import Path

import numpy as np
import pytest
from checkout import EARLIER

from breathmap.learner import api
from breathmap.learner.words.description_text import EXAMPLE

HEADER = (
    "Time (ms),Engine speed,Manifold pressure (mbar),Throttle,Coolant (F),Battery,"
    "Target AFR,Cut,AFR left,AFR right"
)


def rows_of(path: Path) -> list[list[str]]:
    """Return a table's cells as text, without its axes."""
    with path.open(encoding="utf-8", newline="") as file:
        return [row[1:] for row in list(csv.reader(file))[1:]]


def proposals(
    description: api.EngineDescription,
    tables: list[list[float]],
    samples: Iterable[api.Sample],
) -> dict[str, api.Proposal]:
    """Learn and propose under the free rules, as the door's own lines show it."""
    learner = api.Learner(description.settings(tables))
    for sample in samples:
        learner.learn_one(sample)
    return {
        bank.name: api.propose(
            bank.table.cells,
            api.solve(bank.evidence, cells_pct=bank.table.cells),
            description.storage,
            description.axes,
            api.FREE,
        )
        for bank in learner.banks
    }


def test_from_a_recording_to_proposed_tables() -> None:
    """With nothing but the door, a recording gives the corrections that `breathmap replay` wrote,
    and a table that leans no cell out further than they say."""
    bench = EARLIER / "bench"
    text = (bench / "engine.toml").read_text(encoding="utf-8")
    description = api.parse_description(tomllib.loads(text))
    tables = [
        [float(cell) for row in rows_of(bench / bank.table) for cell in row]
        for bank in description.bank
    ]
    recording = api.read_recording((EARLIER / "ride.bin").read_bytes())

    found = proposals(description, tables, recording.samples())

    assert list(found) == ["left", "right"]
    for (name, proposal), cells in zip(found.items(), tables, strict=True):
        written = rows_of(EARLIER / "replayed" / f"{name}-correction.csv")
        old = np.array(cells).reshape(proposal.cells_pct.shape)
        correction = np.array([[float(cell) for cell in row] for row in written])
        half_a_step = 50.0 * description.storage.step_pct / old
        off = 100.0 * (proposal.cells_pct / old - 1.0) - correction
        moved = proposal.decisions == api.CHANGED
        assert moved.sum() > 30
        assert (np.abs(off) <= half_a_step + 0.01)[moved].all()
        assert (off >= -half_a_step - 0.01).all()
        assert set(proposal.decisions.ravel().tolist()) <= set(api.DECISIONS)


def test_a_log_is_read_from_its_text() -> None:
    """A CSV log's rows are samples that the learner takes, their sensors ready."""
    description = api.parse_description(EXAMPLE)
    reader = api.LogReader(f"{HEADER}\n1000,3000,550,12.5,185,13.9,13,0,12.87,14.3\n", description)

    (sample,) = list(reader.samples())

    assert sample.speed_rpm == 3000.0
    assert sample.sensor_state == [api.SENSOR_READY] * 2
    assert not math.isnan(sample.measured_lambda[1])


def test_a_log_without_its_columns_is_refused() -> None:
    """A description that names no columns, or a log that lacks one, raises LogError: one line."""
    without = deepcopy(EXAMPLE)
    del without["log"]

    with pytest.raises(api.LogError, match=r"no \[log\] part"):
        api.LogReader(HEADER, api.parse_description(without))
    with pytest.raises(api.LogError, match="no column 'Battery'"):
        api.LogReader(HEADER.replace("Battery", "Volts"), api.parse_description(EXAMPLE))
