"""A job whose controller holds one table and trims: files, proof, words."""

import csv
from pathlib import Path

import pytest
from command_line import Breathmap, refused
from job_bench import engine_files, made_up_calibration, made_up_ride

from breathmap.tools.report.job import read_job

CALIBRATION = made_up_calibration(2, 3, 3)


@pytest.mark.parametrize("per", ["cell", "bank"])
def test_a_proposal_has_common_table_and_trims(
    tmp_path: Path, breathmap: Breathmap, per: str
) -> None:
    """Beside the banks' own tables, with every error; proved with the rest; the report says it."""
    engine = engine_files(tmp_path / "engine", CALIBRATION)
    text = f'{engine.read_text()}\n[trims]\nper = "{per}"\nstep_pct = 0.5\nmax_pct = 60\n'
    engine.write_text(text)
    (tmp_path / "ride.bin").write_bytes(made_up_ride(CALIBRATION, [0.06, -0.03], 6))
    job = tmp_path / "job"
    for words in (("new", job, "--engine", engine), ("learn", job, tmp_path / "ride.bin")):
        assert breathmap(*words).code == 0
    proposed = breathmap("propose", job)
    assert proposed.code == 0
    assert "bank2: trim" in proposed.out
    folder = job / "proposals/001"
    with (folder / "trims-cells.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 18
    for row in rows:
        made = float(row["common_pct"]) * (1.0 + float(row["trim_pct"]) / 100.0)
        assert made == pytest.approx(float(row["product_pct"]), abs=0.006)
        assert float(row["trim_error_pct"]) > 0.0
        assert float(row["common_error_pct"]) > 0.0
        if per == "cell":
            assert made == pytest.approx(float(row["table_pct"]), rel=0.011)
    numbers = {row["trim_pct"] for row in rows if row["bank"] == "bank1"}
    assert (len(numbers) == 1) == (per == "bank")
    assert breathmap("history", job, "--verify").code == 0
    assert any(text.startswith("Trims: bank1") for _, text in read_job(job).notes)


def test_one_bank_has_no_trims(tmp_path: Path, breathmap: Breathmap) -> None:
    """Refused where the description says so, in one line."""
    engine = engine_files(tmp_path / "engine", made_up_calibration(1, 3, 3))
    engine.write_text(engine.read_text() + "\n[trims]\n")
    refused(breathmap("new", tmp_path / "job", "--engine", engine), "two banks or more")
