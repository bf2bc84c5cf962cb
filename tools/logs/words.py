"""The trade's words and units for the quantities of a log, in six languages.

English, German, French, Spanish, Italian, Portuguese, and the acronyms of SAE J1930 (from memory).
Ordinary words of the trade, from no program's list of names. A phrase is met when each of its words
is: as a word, or within one where it is long enough to stand in a compound.
"""

import re
import unicodedata
from dataclasses import dataclass

# Words as short may only stand alone.
COMPOUND_LENGTH = 6

QUANTITIES: dict[str, tuple[str, ...]] = {
    "time": (
        "time", "timestamp", "seconds", "elapsed", "zeit", "uhrzeit", "zeitstempel", "sekunden",
        "temps", "heure", "horodatage", "duree", "tiempo", "hora", "segundos", "tempo", "orario",
        "secondi", "ora", "data hora",
    ),
    "speed_rpm": (
        "rpm", "engine speed", "engine rpm", "revs", "revolutions", "drehzahl", "motordrehzahl",
        "umdrehungen", "regime", "regime moteur", "tr min", "vitesse moteur", "regimen",
        "revoluciones", "velocidad motor", "giri", "giri motore", "regime motore", "rotacao",
        "rotacoes", "rotacao motor", "u min", "tours",
    ),
    "map_kpa": (
        "map", "manifold pressure", "manifold absolute pressure", "intake pressure",
        "inlet pressure", "boost", "boost pressure", "vacuum", "saugrohrdruck", "ladedruck",
        "ansaugdruck", "saugrohr druck", "pression admission", "pression collecteur",
        "pression tubulure", "presion admision", "presion colector", "presion multiple",
        "pressione collettore", "pressione aspirazione", "pressione assoluta", "pressao coletor",
        "pressao admissao", "pressao absoluta",
    ),
    "throttle_pct": (
        "throttle", "throttle position", "tp", "tps", "drosselklappe", "drosselklappenwinkel",
        "papillon", "position papillon", "mariposa", "posicion mariposa", "farfalla",
        "posizione farfalla", "borboleta", "posicao borboleta",
    ),
    "coolant_c": (
        "coolant", "ect", "coolant temperature", "water temperature", "water temp", "engine temp",
        "kuhlmittel", "kuhlwasser", "motortemperatur", "wassertemperatur",
        "liquide refroidissement", "temperature eau", "temperature moteur", "refrigerante",
        "temperatura agua", "temperatura motor", "liquido raffreddamento", "temperatura acqua",
        "arrefecimento", "agua",
    ),
    "intake_c": (
        "iat", "intake air", "intake air temperature", "intake temp", "air temp", "air temperature",
        "charge air", "inlet air", "intake c", "ansaugluft", "ansauglufttemperatur", "ladeluft",
        "lufttemperatur", "temperature air", "air admission", "aire admision",
        "temperatura aire", "aria aspirata", "temperatura aria", "ar admissao", "temperatura ar",
    ),
    "battery_v": (
        "battery", "battery voltage", "supply voltage", "voltage", "batterie",
        "batteriespannung", "bordspannung", "tension batterie", "bateria", "tension bateria",
        "batteria", "tensione batteria", "tensao bateria",
    ),
    "measured_lambda": (
        "lambda", "afr", "air fuel ratio", "air fuel", "wideband", "mixture", "lambdasonde",
        "luftverhaltnis", "gemisch", "sonde lambda", "rapport air", "sonda lambda", "relacion aire",
        "mezcla", "rapporto aria", "miscela", "relacao ar", "mistura", "oxygen sensor", "o2 sensor",
    ),
    "fuel_multiplier": (
        "fuel trim", "trim", "fuel multiplier",
        "short term fuel trim", "closed loop correction", "lambda correction",
        "fuel correction", "gemischkorrektur", "lambdakorrektur", "lambdaregler",
        "correction richesse", "correction lambda", "correction injection", "correccion mezcla",
        "correccion lambda", "ajuste combustible", "correzione lambda", "correzione miscela",
        "correcao lambda", "correcao mistura",
    ),
    "fuel_cut": (
        "fuel cut", "overrun cut", "schubabschaltung", "coupure injection", "corte inyeccion",
        "corte combustible", "taglio iniezione", "cut off", "corte injecao",
    ),
    "closed_loop": (
        "closed loop", "closed loop active", "lambdaregelung aktiv", "boucle fermee",
        "lazo cerrado", "bucle cerrado", "anello chiuso", "malha fechada",
    ),
    "acceleration_enrichment": (
        "acceleration enrichment", "beschleunigungsanreicherung",
        "enrichissement acceleration", "enriquecimiento aceleracion", "arricchimento accelerazione",
        "enriquecimento aceleracao",
    ),
}  # fmt: skip

TARGET_WORDS = (
    "target", "commanded", "desired", "demand", "setpoint", "soll", "sollwert", "ziel", "cible",
    "consigne", "objetivo", "consigna", "deseada", "obiettivo", "desiderato", "alvo", "desejado",
)  # fmt: skip
GAUGE_WORDS = (
    "boost", "gauge", "relative", "vacuum", "uberdruck", "relativ", "relativa", "ladedruck",
    "unterdruck", "depression",
)  # fmt: skip
# Another quantity, whatever else the heading says.
OTHER_WORDS = {
    "speed_rpm": ("limit", "target", "idle", "soll", "cible", "vehicle", "wheel", "fan", "turbo"),
    "map_kpa": (
        "baro", "barometric", "ambient", "fuel", "oil", "umgebungsdruck", "kraftstoff", "ol",
        "atmospherique", "carburant", "huile", "atmosferica", "combustible", "aceite", "olio",
        "carburante", "combustivel", "oleo", "exhaust", "target", "soll", "temp", "temperature",
        "rate",
    ),
    "throttle_pct": ("target", "soll", "rate", "enrichment", "pedal", "volt", "volts"),
    "coolant_c": ("oil", "ol", "huile", "aceite", "olio", "oleo", "enrichment", "correction"),
    "intake_c": ("exhaust", "enrichment", "correction", "flow", "mass", "fuel", "afr", "ratio"),
    "battery_v": ("lambda", "afr", "sensor", "correction", "throttle"),
    "measured_lambda": (
        "trim", "correction", "korrektur", "correccion", "correzione", "correcao", "temp",
        "temperature", "heater", "status", "error", "lambdaregler", "lambdaregelung",
        "lambdakorrektur", "volt", "volts", "loop",
    ),
    "fuel_multiplier": ("long",),
    "time": ("dead", "injection", "injector", "open", "dwell", "runtime", "cycle", "response"),
}  # fmt: skip

SIDES: tuple[tuple[str, ...], ...] = (
    ("1", "a", "left", "front", "links", "vorn", "gauche", "avant", "izquierda", "izquierdo",
     "sinistra", "sinistro", "anteriore", "esquerda", "esquerdo", "delantero", "dianteiro", "l"),
    ("2", "b", "right", "rear", "rechts", "hinten", "droite", "arriere", "derecha", "derecho",
     "destra", "destro", "posteriore", "direita", "direito", "trasero", "traseiro", "r"),
    ("3", "c"),
    ("4", "d"),
)  # fmt: skip


@dataclass(frozen=True)
class Unit:
    """How a unit becomes the one that is meant: value * scale + offset; log: the name that the
    [log] part has for it."""

    name: str
    scale: float = 1.0
    offset: float = 0.0
    log: str = ""


PRESSURE = (
    Unit("kPa"), Unit("mbar", 0.1), Unit("hPa", 0.1), Unit("bar", 100.0), Unit("psi", 6.894757),
    Unit("inHg", 3.386389), Unit("mmHg", 0.1333224), Unit("Pa", 0.001),
)  # fmt: skip
TEMPERATURE = (Unit("°C"), Unit("°F", 5 / 9, -160 / 9), Unit("K", 1.0, -273.15))
MIXTURE = (Unit("lambda", log="lambda"), Unit("AFR", log="afr"), Unit("%", 0.01, log="lambda"))
UNITS: dict[str, tuple[Unit, ...]] = {
    "time": (
        Unit("s", log="s"), Unit("ms", log="ms"), Unit("us", log="us"), Unit("min", log="min"),
    ),
    "speed_rpm": (Unit("rpm"), Unit("1000 rpm", 1000.0), Unit("Hz", 60.0)),
    "map_kpa": PRESSURE,
    "throttle_pct": (Unit("%"), Unit("share of 1", 100.0)),
    "coolant_c": TEMPERATURE,
    "intake_c": TEMPERATURE,
    "battery_v": (Unit("V"), Unit("mV", 0.001)),
    "target_lambda": MIXTURE,
    "measured_lambda": MIXTURE,
    "fuel_multiplier": (
        Unit("factor"), Unit("%", 0.01, 1.0), Unit("% of the fuel", 0.01), Unit("about 0", 1.0, 1.0)
    ),
}  # fmt: skip
# What units are called, without spaces, dots and case, when not by their own names.
CALLED = {
    "c": "°C", "degc": "°C", "celsius": "°C", "gradc": "°C", "f": "°F", "degf": "°F",
    "fahrenheit": "°F", "kelvin": "K", "sec": "s", "seconds": "s", "sek": "s", "msec": "ms",
    "µs": "us", "1/min": "rpm", "u/min": "rpm", "min-1": "rpm", "tr/min": "rpm", "r/min": "rpm",
    "giri/min": "rpm", "1/s": "Hz", "volt": "V", "volts": "V", "millibar": "mbar", "percent": "%",
    "pct": "%",
    "rpmx1000": "1000 rpm", "x1000": "1000 rpm", "krpm": "1000 rpm", "afr": "AFR", ":1": "AFR",
    "λ": "lambda", "lambda": "lambda", "kpaabs": "kPa", "kpa(abs)": "kPa", "kpag": "kPa",
    "psig": "psi", "psia": "psi", "barg": "bar", "bara": "bar", "hg": "inHg", '"hg': "inHg",
    "minutes": "min", "-": "", "": "",
}  # fmt: skip


def plain(text: str) -> str:
    """Return a text in small letters without accents, words apart."""
    text = re.sub(r"(?<=[a-zà-ÿ])(?=[A-ZÀ-Ý])", " ", text).replace("λ", " lambda ").lower()
    text = "".join(
        c for c in unicodedata.normalize("NFKD", text) if not unicodedata.combining(c)
    ).replace("ß", "ss")
    text = re.sub(r"[^a-z0-9]+", " ", text)
    return re.sub(r"(?<=[a-z])(?=\d)|(?<=\d)(?=[a-z])", " ", text).replace("o 2", "o2").strip()


def has_word(text: str, word: str) -> bool:
    """True when a plain text holds a word."""
    if len(word) >= COMPOUND_LENGTH and " " not in word:
        return word in text
    return f" {word} " in f" {text} "


def met(text: str, phrases: tuple[str, ...]) -> str:
    """Return the longest of the phrases that a plain text holds, "" for none."""
    held = [p for p in phrases if all(has_word(text, word) for word in p.split())]
    return max(held, key=len, default="")


def quantity_of(heading: str) -> tuple[str, str]:
    """Return (quantity, the words that say so) of a heading, ("", "") where none does."""
    text = plain(re.sub(r"[(\[{].*?[)\]}]", " ", heading)) or plain(heading)
    best = ("", "")
    for name, phrases in QUANTITIES.items():
        phrase = met(text, phrases)
        others = tuple(word for word in OTHER_WORDS.get(name, ()) if word not in phrase)
        if phrase and not met(text, others) and len(phrase) > len(best[1]):
            best = (name, phrase)
    if best[0] == "measured_lambda" and met(text, TARGET_WORDS):
        return "target_lambda", f"{met(text, TARGET_WORDS)} {best[1]}"
    return best


def side_of(heading: str) -> int | None:
    """Return which bank a heading speaks of, from 0; None where it does not say."""
    found = [side for side, words in enumerate(SIDES) if met(plain(heading), words)]
    return found[0] if len(found) == 1 else None


def unit_named(text: str, quantity: str) -> Unit | None:
    """Return the unit of a quantity that a text names; None where it names none."""
    key = re.sub(r"[\s.°*]", "", text).lower()
    name = CALLED.get(key, key).lower()
    return next((unit for unit in UNITS.get(quantity, ()) if unit.name.lower() == name), None)


def unit_in(heading: str, quantity: str) -> Unit | None:
    """Return the unit that stands in a heading, in brackets or as its last word."""
    for inner in re.findall(r"[(\[{](.*?)[)\]}]", heading):
        if unit := unit_named(inner, quantity):
            return unit
    words = re.split(r"[\s_,;|/]+", heading.strip())
    return unit_named(words[-1], quantity) if len(words) > 1 else None
