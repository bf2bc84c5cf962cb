"""Which column of a log is what: in six languages, with other units, and where it is not sure."""

import json
import re
import tomllib
from pathlib import Path
from typing import Any

import pytest
from command_line import Breathmap, refused
from log_bench import ENGINE, engine_folder, ride

from breathmap.learner.words.description import parse_description
from breathmap.learner.words.log_rows import TextRows
from breathmap.tools.base.errors import UserError
from breathmap.tools.job.folder import Job
from breathmap.tools.logs.guess import DOUBTFUL, LIKELY, SURE
from breathmap.tools.logs.propose import LogMapping, propose_mapping, with_doubts
from breathmap.tools.logs.words import quantity_of, side_of

AFR = 14.7
PLACES = ("time", "speed_rpm", "map_kpa", "throttle_pct", "coolant_c", "intake_c", "battery_v",
          "target_lambda", "bank[1].measured_lambda")  # fmt: skip
# Headings as people write them, in the order of PLACES: made up for the tests.
LANGUAGES = {
    "English": (
        "Time (s)", "Engine speed (rpm)", "Manifold pressure (kPa)", "Throttle (%)",
        "Coolant (°C)", "Intake air (°C)", "Battery (V)", "Target lambda", "Lambda",
    ),
    "German": (
        "Zeit [s]", "Motordrehzahl [1/min]", "Saugrohrdruck [kPa]", "Drosselklappe [%]",
        "Kühlmittel [°C]", "Ansaugluft [°C]", "Batteriespannung [V]", "Lambda Soll", "Lambda Ist",
    ),
    "French": (
        "Temps (s)", "Régime moteur (tr/min)", "Pression d'admission (kPa)", "Papillon (%)",
        "Température d'eau (°C)", "Température d'air (°C)", "Tension batterie (V)",
        "Lambda consigne", "Lambda mesuré",
    ),
    "Spanish": (
        "Tiempo (s)", "Revoluciones (rpm)", "Presión de admisión (kPa)", "Mariposa (%)",
        "Refrigerante (°C)", "Aire de admisión (°C)", "Tensión batería (V)", "Lambda objetivo",
        "Lambda medida",
    ),
    "Italian": (
        "Tempo (s)", "Giri motore (giri/min)", "Pressione collettore (kPa)", "Farfalla (%)",
        "Temperatura acqua (°C)", "Temperatura aria (°C)", "Tensione batteria (V)",
        "Lambda obiettivo", "Lambda misurata",
    ),
    "Portuguese": (
        "Tempo (s)", "Rotação do motor (rpm)", "Pressão do coletor (kPa)", "Borboleta (%)",
        "Temperatura da água (°C)", "Temperatura do ar (°C)", "Tensão da bateria (V)",
        "Lambda alvo", "Lambda medida",
    ),
}  # fmt: skip


def text_in(headings: tuple[str, ...], separator: str, point: str, above: str = "") -> str:
    """Return the made-up ride as a text with a language's habits."""
    lines = [separator.join(headings)]
    lines += [separator.join(f"{v:.5g}".replace(".", point) for v in row) for row in ride()]
    return above + "\n".join(lines) + "\n"


def mapped(text: str, **more: Any) -> LogMapping:
    """Return the mapping that is proposed for a text."""
    return propose_mapping(Path("ride.csv"), TextRows(text), ["one"], **more)


@pytest.mark.parametrize("language", LANGUAGES)
def test_headings_of_six_languages_are_known(language: str) -> None:
    """Every quantity is found, surely or with the values' word, under each language's words."""
    is_english = language == "English"
    text = text_in(LANGUAGES[language], "," if is_english else ";", "." if is_english else ",")
    mapping = mapped(text)
    found = {key: guess.column.heading for key, guess in mapping.guesses}
    assert found == dict(zip(PLACES, LANGUAGES[language], strict=True))
    assert not mapping.doubts
    assert {guess.sure for _, guess in mapping.guesses} <= {SURE, LIKELY}


def test_a_row_of_units_and_lines_above_are_understood() -> None:
    """Units may stand in a row of their own, below lines that say other things."""
    names = tuple(h.split(" (")[0] for h in LANGUAGES["English"])
    text = text_in(names, ",", ".", "made up\n2026-11-26, 14:00\n\n")
    head, rest = text.split("Lambda\n", 1)
    units = "s,rpm,kPa,%,°C,°C,V,lambda,lambda"
    mapping = mapped(f"{head}Lambda\n{units}\n{rest}")
    assert [guess.sure for _, guess in mapping.guesses] == [SURE] * len(PLACES)


@pytest.mark.parametrize(
    ("place", "heading", "change", "part"),
    [
        (2, "Manifold pressure (mbar)", lambda v: 10 * v, {"scale": 0.1}),
        (2, "Manifold pressure (psi)", lambda v: v / 6.894757, {"scale": 6.894757}),
        (2, "Manifold pressure (inHg)", lambda v: v / 3.386389, {"scale": 3.386389}),
        (2, "Boost (kPa)", lambda v: v - 101.3, {"offset": 101.3}),
        (2, "Ladedruck [bar]", lambda v: (v - 101.3) / 100, {"scale": 100.0, "offset": 101.3}),
        (4, "Coolant (°F)", lambda v: v * 1.8 + 32, {"scale": 0.5555556, "offset": -17.77778}),
        (4, "Water temp", lambda v: v + 273.15, {"offset": -273.15}),
        (0, "Time (ms)", lambda v: 1000 * v, {"unit": "ms"}),
        (0, "Time", lambda v: 1000 * v, {"unit": "ms"}),
        (1, "RPM x1000", lambda v: v / 1000, {"scale": 1000.0}),
        (3, "Throttle", lambda v: v / 100, {"scale": 100.0}),
        (7, "Target AFR", lambda v: v * AFR, {"unit": "afr"}),
        (8, "AFR", lambda v: v * AFR, {"unit": "afr"}),
        (8, "Mixture", lambda v: v * AFR, {"unit": "afr"}),
    ],
)  # fmt: skip
def test_units_are_found_from_words_and_values(
    place: int, heading: str, change: Any, part: dict[str, Any]
) -> None:
    """A unit that is told, or that the values alone can have, gives scale and offset."""
    rows = ride()
    for row in rows:
        row[place] = change(row[place])
    headings = [*LANGUAGES["English"]]
    headings[place] = heading
    lines = ["\t".join(headings), *("\t".join(f"{v:.7g}" for v in row) for row in rows)]
    mapping = mapped("\n".join(lines))
    guess = dict(mapping.guesses)[PLACES[place]]
    entry = guess.entry()
    assert entry.pop("column") == heading
    assert entry == part
    assert guess.sure != DOUBTFUL


def test_a_heading_that_the_values_contradict_is_doubtful() -> None:
    """Words that say kPa over values of mbar are told, marked, and the values believed."""
    rows = ride()
    for row in rows:
        row[2] *= 10
    lines = [",".join(LANGUAGES["English"]), *(",".join(f"{v:.6g}" for v in r) for r in rows)]
    mapping = mapped("\n".join(lines))
    assert re.search(
        r"the log says kPa, but 32\d.* to 9\d\d.* fits mbar", mapping.doubts["map_kpa"]
    )
    marked = with_doubts('[log]\n# manifold\nmap_kpa = { column = "x" }\n', mapping.doubts)
    assert marked.split("\n")[2].startswith("# DOUBTFUL: ")


def test_what_is_needed_and_missing_is_asked_for_or_refused() -> None:
    """Without a commanded mixture nothing is made up: a person names the column or a number."""
    headings = (*LANGUAGES["English"][:7], "Channel 8", "Lambda")
    text = text_in(headings, ",", ".")
    with pytest.raises(UserError, match="commanded mixture; name it with --column target_lambda="):
        mapped(text)
    said = mapped(text, said={"target_lambda": "Channel 8"})
    assert said.log.target_lambda.column == "Channel 8"
    assert mapped(text, said={"target_lambda": "0.9"}).log.target_lambda.constant == 0.9
    asked: list[str] = []

    def ask(question: str, choices: Any) -> int:
        asked.append(question)
        return next(k for k, choice in enumerate(choices) if choice.startswith("Channel 8"))

    assert mapped(text, ask=ask).log.target_lambda.column == "Channel 8"
    assert asked == ["Which column is the commanded mixture?"]


def test_banks_are_told_by_side_then_by_order() -> None:
    """Two mixtures go to the banks that their headings name; headings that do not are doubtful,
    also when they are the same."""
    base = list(LANGUAGES["German"][:8])
    rows = "\n".join(";".join(f"{v:.5g}" for v in [*row, row[-1]]) for row in ride())

    def of(*two: str) -> LogMapping:
        text = ";".join([*base, *two]) + "\n" + rows
        return propose_mapping(Path("r.csv"), TextRows(text), ["left", "right"])

    sides = of("Lambda rechts", "Lambda links")
    assert [b.measured_lambda.column for b in sides.log.bank] == ["Lambda links", "Lambda rechts"]
    assert not sides.doubts
    same = of("Lambda", "Lambda")
    assert [b.measured_lambda.nth for b in same.log.bank] == [1, 2]
    assert "by order" in same.doubts["bank[1].measured_lambda"]


@pytest.mark.parametrize(
    ("heading", "quantity"),
    [
        ("Barometric pressure (kPa)", ""),
        ("Fuel pressure", ""),
        ("Öldruck", ""),
        ("Idle target RPM", ""),
        ("Vehicle speed", ""),
        ("Lambda sensor heater", ""),
        ("Fuel trim bank 1 (%)", "fuel_multiplier"),
        ("Schubabschaltung", "fuel_cut"),
        ("λ", "measured_lambda"),
        ("λ soll", "target_lambda"),
        ("MAP", "map_kpa"),
        ("Injector dead time", ""),
    ],
)
def test_other_quantities_are_left_alone(heading: str, quantity: str) -> None:
    """What only sounds like a quantity is not taken for it."""
    assert quantity_of(heading)[0] == quantity


def test_sides() -> None:
    """A bank is known by number, letter or side."""
    assert [side_of(h) for h in ("AFR 2", "Lambda gauche", "AFR", "O2 B")] == [1, 0, None, 1]


def test_new_with_a_log(tmp_path: Path, breathmap: Breathmap) -> None:
    """`new --log` makes a job whose description reads the log; a replay of it learns."""
    folder = engine_folder(tmp_path)
    (folder / "ride.csv").write_text(text_in(LANGUAGES["Italian"], ";", ","))
    job = tmp_path / "job"
    order = ("new", job, "--table", folder / "one.csv", "--displacement", "689", "--bank", "one")
    ended = breathmap(*order, "--log", folder / "ride.csv")
    assert ended.code == 0, ended.err
    assert "speed_rpm: “Giri motore (giri/min)”, rpm (sure)" in " ".join(ended.out.split())
    assert Job(job).description().log is not None
    assert breathmap("learn", job, folder / "ride.csv").code == 0
    refused(breathmap(*order[:1], tmp_path / "b", *order[2:], "--log", "none.csv"), "no such file")
    assert not (tmp_path / "b").exists()


def test_check_proposes_and_checks(tmp_path: Path, breathmap: Breathmap) -> None:
    """`check ENGINE LOG` proposes a [log] part where there is none, and its text can be put at the
    end of the description; then it says how the log is understood, or refuses it."""
    data = {**ENGINE}
    data.pop("log")
    folder = engine_folder(tmp_path, data)
    engine, log = folder / "engine.toml", folder / "ride.csv"
    log.write_text(text_in(LANGUAGES["French"], ";", ","))
    ended = breathmap("check", engine, log, "--json")
    assert ended.code == 0, ended.err
    result = json.loads(ended.out)
    assert result["columns"]["map_kpa"]["sure"] == SURE
    assert result["quantities"]["speed_rpm"]["unit"] == "rpm"
    engine.write_text(engine.read_text() + result["text"])
    assert parse_description(tomllib.loads(engine.read_text())).log is not None
    said = breathmap("check", engine, log)
    assert "Nothing in it contradicts its units" in said.out
    engine.write_text(
        engine.read_text().replace('admission (kPa)"', 'admission (kPa)", scale = 10')
    )
    refused(breathmap("check", engine, log), "map_kpa", "mbar")
