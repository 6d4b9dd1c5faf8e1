"""What a maker knows about the cabinet: the questions, and how an answer is read.

Every question is also an option of ``coldloop new``.  An answer carries its
unit, so that inches are never taken for centimetres.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from ctrl.marking import parse_module
from plant import presets

NUMBER = r"[-+]?(?:\d+(?:[.,]\d*)?|[.,]\d+)"
SIZE = rf"{NUMBER}\s*(mm|cm|in)?$"
LENGTH_MM = {"mm": 1.0, "cm": 10.0, "in": 25.4}
MASS_KG = {"kg": 1.0, "g": 1e-3, "lb": 0.45359237}

Answers = dict[str, Any]
"""Question name -> value, in the units of the configuration file."""


@dataclass(frozen=True)
class Question:
    """One thing a maker knows.

    Parameters
    ----------
    name, option, metavar : str
        Key in `Answers`; option on the command line; its placeholder.
    prompt : str
        The question as asked.
    parse : callable
        Text to value; raises ValueError whose text says what was expected.
    default : callable
        From the answers so far to the text taken when the answer is empty.
    keys : tuple of str
        The configuration keys it sets, in the order of the value's parts.
    asked_if : callable
        Whether the question makes sense after the answers so far.
    fits : callable
        From the answers so far and the value to what was expected, empty where it fits.
    """

    name: str
    option: str
    metavar: str
    prompt: str
    parse: Callable[[str], Any]
    default: Callable[[Answers], str]
    keys: tuple[str, ...]
    asked_if: Callable[[Answers], bool] = lambda answers: True
    fits: Callable[[Answers, Any], str] = lambda answers, value: ""


def _number(text: str) -> float:
    return float(text.replace(",", "."))


def parse_length_mm(text: str) -> float:
    """Read one length with its unit, such as ``50mm``, ``5 cm`` or ``2in``; gives mm."""
    found = re.fullmatch(rf"\s*({NUMBER})\s*(mm|cm|in)\s*", text, re.IGNORECASE)
    if found is None:
        raise ValueError(
            "a length with its unit (mm, cm or in), such as 50mm, or one --unit for all bare ones"
        )
    return round(_number(found[1]) * LENGTH_MM[found[2].lower()], 3)


def parse_box_mm(text: str) -> tuple[float, float, float]:
    """Read width x depth x height; one unit at the end, or one at each; gives mm."""
    parts = re.split(r"\s*[x×]\s*", text.strip(), flags=re.IGNORECASE)
    last = re.search(r"(mm|cm|in)\s*$", text, re.IGNORECASE)
    if len(parts) != 3 or last is None or not all(re.match(SIZE, part, re.I) for part in parts):
        raise ValueError(
            "width x depth x height with the unit (mm, cm or in), such as 300x300x350mm or "
            "14x12x10in, or one --unit for all bare ones"
        )
    bare = [bool(re.fullmatch(NUMBER, part)) for part in parts[:2]]
    if any(bare) and not all(bare):
        raise ValueError("one unit for all three lengths, or one at each")
    if all(bare):
        parts = [f"{parts[0]}{last[1]}", f"{parts[1]}{last[1]}", parts[2]]
    width, depth, height = (parse_length_mm(part) for part in parts)
    return width, depth, height


def with_unit(text: str, unit: str | None) -> str:
    """Return a length as written, with the unit stated for all bare ones behind it."""
    bare = re.fullmatch(rf"\s*{NUMBER}(?:\s*[x×]\s*{NUMBER}){{0,2}}\s*", text, re.IGNORECASE)
    return f"{text.strip()}{unit}" if bare and unit else text


def parse_temperature_c(text: str) -> float:
    """Read a temperature with its unit, such as ``8C``, ``-2 C`` or ``46F``; gives deg C."""
    found = re.fullmatch(rf"\s*({NUMBER})\s*(?:°|deg)?\s*([CF])\s*", text, re.IGNORECASE)
    if found is None:
        raise ValueError("a temperature with its unit (C or F), such as 8C")
    value = _number(found[1])
    return value if found[2].upper() == "C" else round((value - 32.0) / 1.8, 2)


def parse_voltage_v(text: str) -> float:
    """Read a voltage with its unit, such as ``12V``; gives V."""
    found = re.fullmatch(rf"\s*({NUMBER})\s*V\s*", text, re.IGNORECASE)
    if found is None:
        raise ValueError("a voltage with its unit (V), such as 12V")
    return _number(found[1])


def parse_mass_kg(text: str) -> float:
    """Read a weight with its unit, such as ``5kg``, ``800 g`` or ``10lb``; gives kg."""
    found = re.fullmatch(rf"\s*({NUMBER})\s*(kg|g|lb)\s*", text, re.IGNORECASE)
    if found is None:
        raise ValueError("a weight with its unit (kg, g or lb), such as 5kg")
    return round(_number(found[1]) * MASS_KG[found[2].lower()], 4)


def parse_percent(text: str) -> float:
    """Read a percentage with its sign, such as ``60%``; gives percent."""
    found = re.fullmatch(rf"\s*({NUMBER})\s*%\s*", text)
    if found is None:
        raise ValueError("a percentage with its sign, such as 60%")
    return _number(found[1])


def parse_count(text: str) -> int:
    """Read a whole number."""
    if re.fullmatch(r"\s*\d{1,6}\s*", text) is None:
        raise ValueError("a whole number, such as 12")
    return int(text)


def parse_yes_no(text: str) -> bool:
    """Read yes or no."""
    word = text.strip().lower()
    if word in ("yes", "y"):
        return True
    if word in ("no", "n"):
        return False
    raise ValueError("yes or no")


def parse_name(text: str) -> str:
    """Read a name: 1 to 60 characters that can be printed."""
    name = text.strip()
    if not 1 <= len(name) <= 60 or not name.isprintable():
        raise ValueError("a name of 1 to 60 printable characters")
    return name


def one_of(*valid: str) -> Callable[[str], str]:
    """Return a reader of one of these words, in any case of letters."""

    def parse(text: str) -> str:
        word = " ".join(text.split())
        for candidate in valid:
            if candidate.lower() == word.lower():
                return candidate
        nearest = presets.nearest_name(word, valid)
        hint = f"; did you mean {nearest!r}?" if nearest else ""
        raise ValueError("one of " + ", ".join(f'"{name}"' for name in valid) + hint)

    return parse


def parse_purpose(text: str) -> str:
    """Read what the cabinet is for; the file's own check refuses medicines."""
    word = text.strip().lower()
    if not word or not word.isprintable():
        raise ValueError('one of "drinks", "food", "seeds", "film", "other"')
    return word


TARGETS = {"food": "4C", "film": "6C"}

# place -> usual, hottest, coldest day [C], humidity [%], swing from night to day [K]; invented
PLACES = {
    "room": (22.0, 30.0, 10.0, 60.0, 4.0),
    "kitchen": (23.0, 32.0, 12.0, 60.0, 6.0),
    "cellar": (14.0, 20.0, 8.0, 75.0, 2.0),
    "garage": (18.0, 35.0, 0.0, 70.0, 10.0),
    "boat": (22.0, 34.0, 5.0, 75.0, 8.0),
    "van": (24.0, 40.0, 0.0, 60.0, 15.0),
    "outdoors": (20.0, 35.0, -5.0, 70.0, 12.0),
}
# A shut niche gives the sink some of its own warm air back: share, invented.
NICHE_RECIRCULATION = 0.2
FOAM_MM = (10.0, 200.0)  # of the key, on every face


def foam_mm(answers: Answers) -> tuple[float, float, float]:
    """Return the foam's thickness [mm] on the sides, on door and back, on lid and floor."""
    if "outside" not in answers:
        return (answers["foam_thickness"],) * 3
    pairs = zip(answers["inside"], answers["outside"], strict=True)
    side, front, top = (round(0.5 * (outside - inside), 3) for inside, outside in pairs)
    return side, front, top


def _leaves_room_for_foam(answers: Answers, outside: tuple[float, float, float]) -> str:
    if "inside" not in answers:
        return ""
    low, high = FOAM_MM
    if all(low <= foam <= high for foam in foam_mm({**answers, "outside": outside})):
        return ""
    inside = "x".join(f"{size:g}" for size in answers["inside"])
    return f"{2 * low:g} to {2 * high:g} mm more than inside ({inside} mm) each way"


def _with_50_mm_foam(answers: Answers) -> str:
    return "x".join(f"{size + 100.0:g}" for size in answers["inside"]) + "mm"


def _usual(answers: Answers) -> str:
    return f"{PLACES[answers['place']][0]:g}C"


def _worst(answers: Answers) -> str:
    return f"{min(60.0, max(PLACES[answers['place']][1], answers['ambient'] + 5.0)):g}C"


def _coldest(answers: Answers) -> str:
    return f"{max(-30.0, min(PLACES[answers['place']][2], answers['ambient'] - 5.0)):g}C"


def _humidity(answers: Answers) -> str:
    return f"{PLACES[answers['place']][3]:g}%"


BOTTLE_ANSWERS = ("container", "bottles", "liquid")


def _takes_bottles(answers: Answers) -> bool:
    if any(name in answers for name in BOTTLE_ANSWERS):
        return True
    return "goods" not in answers and answers["purpose"] == "drinks"


def _bottles_that_fit(answers: Answers) -> str:
    width, depth, height = answers["inside"]
    each_l = presets.container(answers["container"]).outer_volume_l
    # Half of the box: the rest is air that must get round the bottles.
    return str(min(12, int(0.5 * width * depth * height * 1e-6 / each_l)))


def _always(text: str) -> Callable[[Answers], str]:
    return lambda answers: text


def _names(kind: str) -> Callable[[str], str]:
    return one_of(*presets.names(kind))


QUESTIONS: tuple[Question, ...] = (
    Question(
        "inside",
        "--inside",
        "WxDxH",
        "Inside width x depth x height, with unit",
        parse_box_mm,
        _always("300x300x350mm"),
        ("cabinet.inside_width_mm", "cabinet.inside_depth_mm", "cabinet.inside_height_mm"),
    ),
    Question(
        "outside",
        "--outside",
        "WxDxH",
        "Outside of its foam, width x depth x height, with unit",
        parse_box_mm,
        _with_50_mm_foam,
        (),
        lambda answers: "foam_thickness" not in answers,
        _leaves_room_for_foam,
    ),
    Question(
        "foam",
        "--foam",
        "NAME",
        "Foam by name",
        _names("foam"),
        _always("EPS common"),
        ("cabinet.foam",),
    ),
    Question(
        "foam_thickness",
        "--foam-thickness",
        "LENGTH",
        "Foam thickness all round, with unit; in place of --outside",
        parse_length_mm,
        _always("50mm"),
        ("cabinet.foam_thickness_mm",),
        lambda answers: False,
    ),
    Question(
        "module",
        "--module",
        "NAME",
        "Module's marking, couples and amps, such as 127 couples 6 A or 12706",
        parse_module,
        _always("127 couples 6 A commodity"),
        ("module.preset",),
    ),
    Question(
        "hot_sink",
        "--hot-sink",
        "SIZE",
        "Hot sink outside: small (80 mm fan), medium (finned block, 120 mm), large (heat pipes)",
        _names("hot sink"),
        _always("medium"),
        (),
    ),
    Question(
        "hot_fan",
        "--hot-fan",
        "YES/NO",
        "Is there a fan on the hot sink",
        parse_yes_no,
        _always("yes"),
        (),
    ),
    Question(
        "cold_sink",
        "--cold-sink",
        "SIZE",
        "Cold sink inside: small (palm), medium (hand) or large (two hands)",
        _names("cold sink"),
        _always("medium"),
        (),
    ),
    Question(
        "cold_fan",
        "--cold-fan",
        "YES/NO",
        "Is there a fan on the cold sink",
        parse_yes_no,
        _always("yes"),
        (),
    ),
    Question(
        "supply",
        "--supply",
        "KIND",
        "Power from battery or mains",
        one_of("battery", "mains"),
        _always("mains"),
        ("supply.kind",),
    ),
    Question(
        "voltage",
        "--voltage",
        "VOLTS",
        "Voltage it gives the module, with unit",
        parse_voltage_v,
        _always("12V"),
        ("supply.voltage_v",),
    ),
    Question(
        "drive",
        "--drive",
        "KIND",
        "Drive: relay, fast_pwm or smoothed",
        one_of("relay", "fast_pwm", "smoothed"),
        _always("fast_pwm"),
        ("drive.kind",),
    ),
    Question(
        "sensor",
        "--sensor",
        "KIND",
        "Sensors: thermistor or digital",
        one_of("thermistor", "digital"),
        _always("thermistor"),
        ("sensor.kind",),
    ),
    Question(
        "hot_sink_sensor",
        "--hot-sink-sensor",
        "YES/NO",
        "Is there a sensor on the hot sink",
        parse_yes_no,
        _always("yes"),
        (),
    ),
    Question(
        "cold_sink_sensor",
        "--cold-sink-sensor",
        "YES/NO",
        "Is there a sensor on the cold sink",
        parse_yes_no,
        _always("yes"),
        (),
    ),
    Question(
        "purpose",
        "--purpose",
        "WHAT",
        "What goes in: drinks, food, seeds, film or other",
        parse_purpose,
        _always("drinks"),
        ("use.purpose",),
    ),
    Question(
        "target",
        "--target",
        "TEMP",
        "Wanted temperature of the contents, with unit",
        parse_temperature_c,
        lambda answers: TARGETS.get(answers["purpose"], "8C"),
        ("use.target_c",),
    ),
    Question(
        "container",
        "--container",
        "NAME",
        "Container by name",
        _names("container"),
        _always("PET bottle 0.5 l"),
        ("contents.container",),
        _takes_bottles,
    ),
    Question(
        "bottles",
        "--bottles",
        "COUNT",
        "How many of them",
        parse_count,
        _bottles_that_fit,
        ("contents.count",),
        _takes_bottles,
    ),
    Question(
        "liquid",
        "--liquid",
        "NAME",
        "What is in them",
        _names("liquid"),
        _always("water"),
        ("contents.liquid",),
        _takes_bottles,
    ),
    Question(
        "goods",
        "--goods",
        "WEIGHT",
        "Weight of the goods, with unit",
        parse_mass_kg,
        _always("5kg"),
        ("contents.mass_kg",),
        lambda answers: not _takes_bottles(answers),
    ),
    Question(
        "place",
        "--place",
        "WHERE",
        "Where it stands: " + ", ".join(PLACES),
        one_of(*PLACES),
        _always("room"),
        (),
    ),
    Question(
        "free_air",
        "--free-air",
        "YES/NO",
        "Does it stand free (no: in a niche, where warm air stays)",
        parse_yes_no,
        _always("yes"),
        (),
    ),
    Question(
        "ambient",
        "--ambient",
        "TEMP",
        "Temperature there, usual day, with unit",
        parse_temperature_c,
        _usual,
        ("climate.usual_c",),
    ),
    Question(
        "worst",
        "--worst",
        "TEMP",
        "The same on the hottest day",
        parse_temperature_c,
        _worst,
        ("climate.worst_c",),
    ),
    Question(
        "coldest",
        "--coldest",
        "TEMP",
        "The same on the coldest day",
        parse_temperature_c,
        _coldest,
        ("climate.coldest_c",),
    ),
    Question(
        "humidity",
        "--humidity",
        "PERCENT",
        "Relative humidity there, with %",
        parse_percent,
        _humidity,
        ("climate.relative_humidity_pct",),
    ),
)
