"""Learning from Python: `read`, `learn` and what comes of it, as `breathmap.learner.api` names
them."""

import html
import tempfile
from collections.abc import Mapping, Sequence
from importlib import import_module
from pathlib import Path
from typing import Any, Self

import numpy as np
import numpy.typing as npt
from rich.table import Table

from breathmap.learner.causes.diagnose import Diagnosis
from breathmap.learner.decide.proposal import PRESETS, Proposal, Rules, propose, rules_for
from breathmap.learner.exact.solve import Solution
from breathmap.learner.words.description import EngineDescription
from breathmap.learner.words.log_look import is_same_ride, places_of
from breathmap.protocol.wire.sample import Sample
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.files import read_description, read_tables
from breathmap.tools.base.uncertain import PLUS_MINUS
from breathmap.tools.door.frames import Samples, read_samples, samples_in
from breathmap.tools.run.results import with_causes, write_results
from breathmap.tools.run.session import BankResult, Session

Engine = EngineDescription | str | Path
# Of the map's colours: from so large a correction on, in per cent, they are strongest.
STRONGEST_PCT = 10.0


def read(path: str | Path, engine: Engine) -> Samples:
    """Return the samples of a recording or a log of any kind: an array of shape (n,) whose fields
    are those of the field table (`speed_rpm`, `map_kpa`, ...), per bank of shape (n, banks).

    engine: the description, or the path of its TOML file. Raises UserError (one line) where the
    file cannot be read, understood or meant.
    """
    description = read_description(Path(engine)) if isinstance(engine, str | Path) else engine
    return read_samples(Path(path), description)


def learn(
    data: Any,
    engine: Engine,
    *,
    tables: Sequence[Any] | None = None,
    columns: Mapping[str, str] | None = None,
) -> "Run":
    """Return a run that has learned from samples: an array as `read` gives it, a pandas or polars
    data frame, or a structured array.

    engine: the description, or the path of its TOML file, whose tables stand beside it.
    tables: VE in per cent per bank: nested lists or arrays of shape (loads, speeds), or data frames
    with loads as index and speeds as columns. columns: what the columns of a data frame are, by
    key: {"speed_rpm": "RPM", "measured_lambda@left": "AFR #2"}; left out, the description's [log]
    part holds, or else their headings tell. Raises UserError (one line) for what cannot be meant.
    """
    return Run(engine, tables=tables, columns=columns).learn_many(data)


class Run:
    """One run of learning, from any number of sources.

    engine: the description. tables: per bank VE in per cent, flat, load by load. columns: as given.
    """

    def __init__(
        self,
        engine: Engine,
        *,
        tables: Sequence[Any] | None = None,
        columns: Mapping[str, str] | None = None,
    ) -> None:
        """See `learn`."""
        if isinstance(engine, str | Path):
            self.engine = read_description(Path(engine))
            given = read_tables(Path(engine), self.engine) if tables is None else None
        else:
            self.engine, given = engine, None
        if given is None:
            given = _flat_tables(tables, self.engine)
        self.tables = given
        self.columns = dict(columns or {})
        self._session = Session(self.engine, self.tables).witnessed()
        self._session.begin("the first source")
        self._sources = 0
        # Of each source, to know its ride again.
        self._places: list[frozenset[int]] = []
        self._results: list[BankResult] | None = None

    @property
    def samples(self) -> int:
        """Samples learned so far, refused ones among them."""
        return self._session.samples

    @property
    def banks(self) -> list[str]:
        """Names of the banks."""
        return [bank.name for bank in self.engine.bank]

    @property
    def used(self) -> dict[str, int]:
        """How many samples each bank used."""
        return {bank.name: bank.used_count for bank in self._session.learner.banks}

    def learn_one(self, sample: Sample) -> Self:
        """Take one sample; return self."""
        self._session.learn(sample)
        self._results = None
        return self

    def learn_many(self, data: Any) -> Self:
        """Take samples of another source (see `learn`); return self. What cannot be read, and a
        ride that a source before held, whole or in part, leave the run as it was."""
        samples = samples_in(data, self.engine, self.columns)
        if not len(samples):
            raise UserError("there is no sample in it")
        places = places_of(samples)
        for number, earlier in enumerate(self._places, 1):
            if is_same_ride(places, earlier):
                raise UserError(
                    f"it holds the same ride as source {number} of this run; learning it twice "
                    "would count the same evidence twice"
                )
        self._session.begin(f"source {self._sources + 1}")
        self._session.learn_many(samples)
        self._places.append(places)
        self._sources += 1
        self._results = None
        return self

    def solve(self) -> dict[str, Solution]:
        """Return per bank the corrections with their standard errors, as fractions, of shape
        (loads, speeds)."""
        return {result.bank.name: result.solution for result in self._solved()}

    def _solved(self) -> list[BankResult]:
        if self._results is None:
            self._results = self._session.solve()
        return self._results

    def propose(self, rules: Rules | str = "standard") -> dict[str, Proposal]:
        """Return per bank a proposed table with a decision for every cell.

        rules: Rules, or a name of PRESETS: cautious, standard, bold. A proposal is a proposal: look
        at `diagnose` before it is stored anywhere.
        """
        if isinstance(rules, str):
            if rules not in PRESETS:
                raise UserError(f"rules {rules!r}: there are {', '.join(PRESETS)}")
            rules = PRESETS[rules]
        allowed = rules_for(self.engine, rules)
        return {
            result.bank.name: propose(
                cells, result.solution, self.engine.storage, self.engine.axes, allowed
            )
            for cells, result in zip(self.tables, self._solved(), strict=True)
        }

    def diagnose(self) -> Diagnosis:
        """Return what else than VE could explain what was seen."""
        return self._session.diagnose(solutions=list(self.solve().values()))

    def to_xarray(self, rules: Rules | str = "standard") -> Any:
        """Return all tables as an xarray Dataset over bank, load and speed. Raises ImportError
        where xarray is not installed."""
        xarray = import_module("xarray")
        fields = self._fields(rules)
        axes = self.engine.axes
        return xarray.Dataset(
            {name: (("bank", "load", "speed_rpm"), values) for name, values in fields.items()},
            coords={"bank": self.banks, "load": axes.load, "speed_rpm": axes.speed_rpm},
            attrs={"engine": self.engine.engine.name, "load_unit": axes.load_unit},
        )

    def to_frame(self, rules: Rules | str = "standard") -> Any:
        """Return all cells as a pandas DataFrame, a row each, indexed by bank, load and speed_rpm.
        Raises ImportError where pandas is not installed.

        Columns: before_pct, proposed_pct (VE), correction_pct, standard_error_pct, coverage
        (equivalent independent samples), decision. `frame.loc["left", "proposed_pct"].unstack()` is
        a table with its labels.
        """
        pandas = import_module("pandas")
        axes = self.engine.axes
        index = pandas.MultiIndex.from_product(
            [self.banks, axes.load, axes.speed_rpm], names=["bank", "load", "speed_rpm"]
        )
        fields = self._fields(rules)
        return pandas.DataFrame({n: v.ravel() for n, v in fields.items()}, index=index)

    def _fields(self, rules: Rules | str) -> dict[str, npt.NDArray[Any]]:
        solved, proposed = self._solved(), self.propose(rules).values()
        parts: dict[str, list[npt.NDArray[Any]]] = {
            "before_pct": [r.old_pct for r in solved],
            "proposed_pct": [p.cells_pct for p in proposed],
            "correction_pct": [100.0 * r.solution.correction for r in solved],
            "standard_error_pct": [100.0 * r.solution.standard_error for r in solved],
            "coverage": [r.solution.coverage for r in solved],
            "decision": [p.decisions for p in proposed],
        }
        return {name: np.stack(tables) for name, tables in parts.items()}

    def save(self, folder: str | Path) -> Path:
        """Write tables, summary and evidence into a folder, as `breathmap replay` does; return it.
        UserError where it holds something already."""
        place = Path(folder)
        if place.is_file() or (place.is_dir() and any(place.iterdir())):
            raise UserError(f"{place} exists and is not empty; give another folder")
        place.mkdir(parents=True, exist_ok=True)
        self._write(place)
        return place

    def _write(self, place: Path) -> None:
        outcome = write_results(place, self._session, [f"{self._sources} sources in Python"])
        with_causes(place, outcome, self.diagnose())

    def report(self, path: str | Path) -> Path:
        """Write one HTML file with maps, errors, decisions and a summary in words; return it."""
        # Drawing is loaded only where it is asked for.
        from breathmap.tools.report.write import write_report

        with tempfile.TemporaryDirectory(prefix="breathmap-") as folder:
            self._write(Path(folder))
            return write_report(Path(folder), Path(path))[0]

    def __repr__(self) -> str:
        used = ", ".join(f"{name} used {count:,}" for name, count in self.used.items())
        return f"<Run of {self.engine.engine.name}: {self.samples:,} samples; {used}>"

    def __rich__(self) -> Table:
        table = Table(title=repr(self), title_justify="left")
        for name in ("bank", "used", "cells visited", "correction rms %", "standard error %"):
            table.add_column(name, justify="left" if name == "bank" else "right")
        for result in self._solved():
            s, seen = result.solution, result.solution.visited
            numbers = [s.correction[seen], s.standard_error[seen]]
            shown = [f"{100 * np.sqrt(np.mean(n * n)):.2f}" if n.size else "-" for n in numbers]
            visited = f"{seen.sum()} of {seen.size}"
            table.add_row(result.bank.name, f"{result.bank.used_count:,}", visited, *shown)
        return table

    def _repr_html_(self) -> str:
        """Return the map of corrections of each bank, for notebooks."""
        parts = [f"<p>{html.escape(repr(self)[1:-1])}</p>"]
        parts += [_map(self.engine, result) for result in self._solved()]
        return "\n".join(parts)


def _flat_tables(tables: Sequence[Any] | None, description: EngineDescription) -> list[list[float]]:
    """Return tables as flat lists; UserError where they do not fit the description."""
    axes, names = description.axes, [bank.name for bank in description.bank]
    if tables is None:
        raise UserError("give tables=..., VE in per cent, one per bank")
    if len(tables) != len(names):
        raise UserError(f"{len(tables)} tables for {len(names)} banks ({', '.join(names)})")
    shape = (len(axes.load), len(axes.speed_rpm))
    found = []
    for name, table in zip(names, tables, strict=True):
        if hasattr(table, "columns") and hasattr(table, "index"):
            for said, meant in ((table.columns, axes.speed_rpm), (table.index, axes.load)):
                if [float(label) for label in said] != list(meant):
                    raise UserError(f"table of {name}: its labels are not the engine's axes")
            table = table.to_numpy()
        cells = np.asarray(table, dtype=np.float64)
        if cells.size != shape[0] * shape[1] or cells.shape not in (shape, (cells.size,)):
            raise UserError(f"table of {name}: shape {cells.shape}, {shape} is needed")
        found.append(cells.ravel().tolist())
    return found


def _map(description: EngineDescription, result: BankResult) -> str:
    """Return one bank's corrections as an HTML table, the highest load on top."""
    axes, solution = description.axes, result.solution
    head = "".join(f"<th>{speed:g}</th>" for speed in axes.speed_rpm)
    rows = []
    for j in reversed(range(len(axes.load))):
        cells = "".join(_cell(solution, j, i) for i in range(len(axes.speed_rpm)))
        rows.append(f"<tr><th>{axes.load[j]:g}</th>{cells}</tr>")
    unit = html.escape(axes.load_unit)
    return (
        f"<table><caption>{html.escape(result.bank.name)}: "
        f"correction {PLUS_MINUS} standard error, %</caption>"
        f"<tr><th>{unit} \\ rpm</th>{head}</tr>{''.join(rows)}</table>"
    )


def _cell(solution: Solution, j: int, i: int) -> str:
    if not solution.visited[j, i]:
        return "<td>·</td>"
    value = 100.0 * float(solution.correction[j, i])
    error = 100.0 * float(solution.standard_error[j, i])
    strength = min(1.0, abs(value) / STRONGEST_PCT)
    colour = "179,88,6" if value > 0 else "84,39,136"  # the ends of PuOr, as in reports
    return (
        f'<td style="background:rgba({colour},{0.6 * strength:.2f})">{value:+.1f}±{error:.1f}</td>'
    )
