"""One glossary for code, config, CSV and JSON: the table in DEVELOPERS.md, held to them all."""

import re
from pathlib import Path

import pytest

from ctrl.config import config_fields
from ctrl.glossary import GLOSSARY
from ctrl.record import COLUMNS

ROOT = Path(__file__).resolve().parent.parent
HEAD = ["name", "symbol", "unit", "sign or meaning"]

# How a unit is spelt at the end of a name, the longest first.
SPELT = {
    "w_per_m2_k": "W/(m2 K)", "j_per_kg_k": "J/(kg K)", "w_per_m_k": "W/(m K)",
    "kwh_per_day": "kWh/d", "m3_per_h": "m3/h", "g_per_day": "g/d", "pct_per_k": "%/K",
    "pct_per_s": "%/s", "m_per_s": "m/s", "per_hour": "1/h", "w_per_k": "W/K", "j_per_k": "J/K",
    "k_per_w": "K/W", "k_per_s": "K/s", "k_per_h": "K/h",
    "v_per_k": "V/K", "per_day": "1/d", "per_kwh": "1/kWh",
    "per_h": "1/h",
    "per_k": "1/K", "years": "a", "hour": "h", "days": "d", "kwh": "kWh", "pct": "%",
    "deg": "deg", "min": "min", "mm2": "mm2", "ohm": "ohm", "bits": "bit", "rel": "",
    "rad_per_s": "rad/s",
    "w_per_m2": "W/m2", "pa": "Pa", "j": "J", "k_s": "K s",
    "mm": "mm", "m2": "m2", "hz": "Hz", "kg": "kg", "ah": "Ah", "c": "°C", "k": "K", "w": "W",
    "a": "A", "v": "V", "h": "h", "s": "s", "g": "g", "m": "m",
}  # fmt: skip
STATISTICS = ("_max", "_min", "_mean", "_end", "_range")  # may follow the unit: air_c_max
SAME = {"C": "°C", "per h": "1/h", "per day": "1/d", "per kWh": "1/kWh", "year": "a", "-": "",
        "kWh/day": "kWh/d", "g/day": "g/d", "as unit": "", "tariff's money": "1/d"}  # fmt: skip


def unit_like(text):
    """Return a unit in one spelling; nothing for a pure number."""
    text = text.strip().strip("`")
    return SAME.get(text, text)


def unit_of_name(name):
    """Return the unit that a name ends in, or None where it ends in a word."""
    tail = "_" + name
    for known in ("", *STATISTICS):
        if not tail.endswith(known):
            continue
        bare = tail[: len(tail) - len(known)] if known else tail
        for spelt, unit in SPELT.items():
            if bare.endswith("_" + spelt):
                return unit
    return None


@pytest.fixture(scope="module")
def glossary():
    """{name: (symbol, unit, meaning)} as DEVELOPERS.md has it."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    parts = re.split(r"^## Glossary$", text, flags=re.MULTILINE)
    assert len(parts) == 2, "DEVELOPERS.md: expected one heading '## Glossary'"
    section = re.split(r"^## ", parts[1], flags=re.MULTILINE)[0]
    rows = [
        [cell.strip() for cell in line.strip().strip("|").split("|")]
        for line in section.splitlines()
        if line.lstrip().startswith("|")
    ]
    assert rows, f"DEVELOPERS.md: no table under '## Glossary', expected columns {HEAD}"
    assert rows[0] == HEAD
    found = {}
    for row in rows[2:]:
        assert len(row) == len(HEAD), f"DEVELOPERS.md: row {row} has not {len(HEAD)} cells"
        for name in row[0].split(","):
            name = name.strip().strip("`")
            assert name not in found, f"DEVELOPERS.md: {name} stands twice"
            found[name] = (row[1], row[2], row[3])
    return found


def test_every_column_of_the_record_is_explained(glossary):
    assert set(COLUMNS) - set(glossary) == set()


def test_every_json_key_is_explained(glossary):
    assert set(GLOSSARY) - set(glossary) == set()


def test_json_and_glossary_give_the_same_unit(glossary):
    differ = {
        key: (unit, glossary[key][1])
        for key, (unit, _) in GLOSSARY.items()
        if key in glossary and unit_like(unit) != unit_like(glossary[key][1])
    }
    assert differ == {}


def test_config_and_glossary_give_the_same_unit(glossary):
    rows = [(row.key.split(".")[1], row.unit) for row in config_fields()]
    differ = {
        name: (unit, glossary[name][1])
        for name, unit in rows
        if name in glossary and unit_like(unit) != unit_like(glossary[name][1])
    }
    assert differ == {}


def test_every_row_says_what_it_means(glossary):
    assert all(meaning for _, _, meaning in glossary.values())


def test_a_name_that_ends_in_a_unit_has_that_unit(glossary):
    differ = {
        name: (unit, unit_of_name(name))
        for name, (_, unit, _) in glossary.items()
        if name != "min" and unit_of_name(name) not in (None, unit_like(unit))
    }
    assert differ == {}


# Without the table: the three sources among themselves -------------------------------------


def test_the_last_word_of_a_config_key_is_its_unit():
    # The files say so on top: "the key's last word is its unit".
    named = {row.key: (row.unit, unit_of_name(row.key.split(".")[1])) for row in config_fields()}
    wrong = {
        key: (unit, spelt) for key, (unit, spelt) in named.items()
        if unit and spelt != unit_like(unit)
    }  # fmt: skip
    assert len(named) > 100
    assert wrong == {}


def test_names_of_columns_and_json_end_in_their_units():
    wrong = {
        key: (unit, unit_of_name(key)) for key, (unit, _) in GLOSSARY.items()
        if unit_like(unit) != (unit_of_name(key) or "") and key not in ("min", "max", "mean")
    }  # fmt: skip
    assert wrong == {}
    pure = {"frozen_share", "door", "duty", "hot_fan", "cold_fan", "state", "reason", "starts"}
    assert {name for name in COLUMNS if unit_of_name(name) is None} == pure


def test_shared_names_mean_one_unit():
    # A name that is both a column and a JSON key, or a config key and a JSON key, is one thing.
    config = {row.key.split(".")[1]: unit_like(row.unit) for row in config_fields()}
    shared = set(config) & set(GLOSSARY)
    assert len(shared) > 10
    assert {k: config[k] for k in shared} == {k: unit_like(GLOSSARY[k][0]) for k in shared}


def test_this_file_reads_units_from_names():
    assert unit_of_name("air_c") == unit_of_name("contents_c_max") == "°C"
    assert unit_of_name("inside_film_w_per_m2_k") == "W/(m2 K)"
    assert unit_of_name("energy_kwh_per_day") == "kWh/d"
    assert unit_of_name("duty") is None
    assert unit_of_name("longest_min") == "min"
