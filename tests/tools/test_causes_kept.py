"""Plain runs keep what beside VE could explain them, say it, and warn before a table is stored."""

import json
from pathlib import Path

import pytest

from breathmap.tools.cli.main import run


@pytest.fixture(scope="module")
def rides(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The college's bench, and two minutes with a stuck sensor and with none."""
    folder = tmp_path_factory.mktemp("rides")
    for name, faults in (("stuck", "sensor-stuck@right"), ("well", "")):
        order = ["simulate", "--out", str(folder / f"{name}.bin"), "--minutes", "2"]
        order += ["--faults", faults, *([] if faults else ["--describe", str(folder)])]
        assert run(order) == 0
    return folder


def replayed(rides: Path, name: str, out: Path, *more: str) -> int:
    """Replay one of the rides."""
    order = ["replay", str(rides / "engine.toml"), str(rides / f"{name}.bin"), "--out", str(out)]
    return run([*order, *more])


def test_a_stuck_sensor_is_kept_said_and_warned_of(
    rides: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """causes.json holds the finding, the run says it with what to check, the summary and the report
    warn against storing; a healthy replay into the same folder takes all of that away."""
    out = tmp_path / "out"
    assert replayed(rides, "stuck", out) == 0
    said = capsys.readouterr()
    words = " ".join((said.out + said.err).split())
    assert words.count("lambda reading stuck") == 1
    assert f"breathmap diagnose {out} --engine" in words
    found = json.loads((out / "causes.json").read_text())["findings"]
    seen = [(one["cause"], one["bank"], one["unsafe"]) for one in found if one["state"] == "seen"]
    assert seen == [("sensor-stuck", "right", True)]
    warnings = json.loads((out / "summary.json").read_text())["warnings"]
    assert warnings[0].startswith("do not store these tables: right: lambda reading stuck")
    assert run(["report", str(out)]) == 0
    page = (out / "report.html").read_text()
    assert "What else could explain it" in page
    assert "do not store these tables" in page
    assert "right: seen: lambda reading stuck" in page
    assert "store the proposed tables" not in page

    capsys.readouterr()
    assert replayed(rides, "well", out, "--replace", "--json") == 0
    summary = json.loads(capsys.readouterr().out)
    assert summary["warnings"] == []
    found = json.loads((out / "causes.json").read_text())["findings"]
    assert not [one for one in found if one["state"] in ("seen", "likely")]
    assert run(["report", str(out)]) == 0
    assert "do not store" not in (out / "report.html").read_text()


def test_a_search_cut_short_leaves_no_causes_of_another_run(
    rides: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ctrl-C while causes are looked for skips that alone: the results are there, and no causes of
    the run before."""
    out = tmp_path / "out"
    assert replayed(rides, "stuck", out) == 0

    def interrupted(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("breathmap.tools.run.session.diagnose", interrupted)
    assert replayed(rides, "well", out, "--replace") == 0
    assert not (out / "causes.json").exists()
    assert json.loads((out / "summary.json").read_text())["warnings"] == []
