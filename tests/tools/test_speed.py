"""The benchmark of speed compares like with like."""

import numpy as np
import pytest
from core_bench import use_c, use_python
from scipy.sparse.linalg import lsqr

from breathmap.learner.core.stream import Learner
from breathmap.learner.exact.solve import solve
from breathmap.learner.fast.many import learn_many
from breathmap.protocol.host.recording import read_recording
from breathmap.tools.bench import speed
from breathmap.tools.demo.simulating import Order, frames_on_cable, prepare
from breathmap.tools.demo.teaching_bench import college_bench, write_college


def test_lsqr_solves_what_the_learner_learned(tmp_path, monkeypatch):
    """The rows that lsqr is timed on are the learner's observations: it finds the corrections of
    the solution without prior, nearly (the replay's filters start otherwise than the stream's)."""
    use_c(monkeypatch)
    parameters, controller = college_bench("continuous", "wideband")
    write_college(tmp_path, parameters, controller, "wideband")
    samples = read_recording(
        b"".join(frame for _, frame in frames_on_cable(prepare(Order(minutes=6.0))))
    ).table
    settings = speed.engine(tmp_path / "engine.toml", True)
    learner = Learner(settings)
    verdicts = learn_many(learner, samples)
    matrix, d = speed.observed(samples, settings, verdicts)
    assert matrix.shape[0] == learner.banks[0].used_count
    x = lsqr(matrix, d, atol=1e-10, btol=1e-10)[0][: speed.SPEEDS * speed.LOADS]
    solution = solve(learner.banks[0].evidence, prior=False)
    known = (solution.coverage > 30.0).ravel()
    assert known.sum() > 5
    error = np.abs(x - solution.correction.ravel())[known]
    assert np.median(error) < 0.003


def test_without_the_c_core_it_says_how_to_get_it(monkeypatch, capsys):
    """Where there is no C core: one line and exit code 2."""
    use_python(monkeypatch)
    assert speed.main([]) == 2
    assert "make.core" in capsys.readouterr().err


@pytest.mark.parametrize("line", [speed.Line("a", 2.0, "b", 9.0)])
def test_a_ratio_is_theirs_over_ours(line):
    """4.5 times faster is what 9 µs against 2 µs are."""
    assert line.ratio == pytest.approx(4.5)
    assert "| 4.5 |" in speed.table([line])
