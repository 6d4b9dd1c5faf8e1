"""Every number of a recommendation, by its place in the JSON: which family it belongs to.

`recommend CONFIG --explain "limits[0].margin"`: a number that has no chain of its own gets its
family's, with the numbers that stand beside it.
"""

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from ctrl.explain_chain import HOT_KEYS, ROOM_KEYS, SUPPLY_KEYS, Chain, Step, inputs_of
from ctrl.glossary import GLOSSARY
from ctrl.recommend import Recommendation

PARTS = ("cabinet.", "hot_sink.", "cold_sink.", "module.", "contents.", "drive.", *SUPPLY_KEYS)
WEATHER = (*ROOM_KEYS, *HOT_KEYS, "climate.coldest_c")


@dataclass(frozen=True)
class Family:
    """Numbers that come about in one way: how, from which keys, and what would change them."""

    method: str
    keys: tuple[str, ...]
    changes: str


STEADY = Family(
    "steady states of the plant with the fans as wired; the duty within the duty limit and the "
    "limits of the hot side", (*PARTS, *WEATHER, "limits."), "foam, sinks, drive or room",
)  # fmt: skip
DAY = Family(
    "a settled day of the whole loop, firmware and nonlinear plant, one tick a second, in that "
    "room; means, extremes and counts of what it recorded", (*PARTS, *WEATHER, "use.", "sensor."),
    "the settings flashed, the parts, the room",
)  # fmt: skip
TUNED = Family(
    "tuned for its drive on the plant linearised at each operating point and on the simulated "
    "cycle, rounded to what one would flash", ("controller.", "sensor.", "drive.", "limits."),
    "a quicker or quieter sensor, another drive",
)  # fmt: skip
LINEAR = Family(
    "the sampled linear plant with sensor lag, dead time and hold at the point that has the "
    "least margin, by python-control", ("controller.period_s", "sensor.", "drive."),
    "less gain, a quicker sensor",
)  # fmt: skip
GIVEN = Family("as the config or the command line says", ("climate.", "use."), "the key itself")

# Longest beginning wins. A word is a chain of `ctrl.explain`; places in lists are left out.
FAMILIES: dict[str, str | Family] = {
    "target_c": GIVEN,
    "seed": Family("given with --seed, else always the same", (), "--seed"),
    "setpoint_c": "setpoint",
    "setpoint_offset_k": "setpoint",
    "coldest_holdable_c": "coldest_holdable",
    "coldest_spread_k": "coldest_holdable",
    "coldest_ice_free_c": "coldest_ice_free",
    "ice_border": "coldest_ice_free",
    "ice_free_setpoint_c": "coldest_ice_free",
    "fuse_advised_a": "fuse",
    "reading_step_k": Family(
        "the sensor's own step, or that of the converter at the target", ("sensor.",),
        "a finer sensor or converter",
    ),
    "duty_limit": "duty_limit",
    "duty_limits": "duty_limit",
    "pull_down_h": "pull_down",
    "hold_over_h": "hold_over",
    "hold_over_limit_c": "hold_over",
    "bottlenecks": "bottleneck_gain",
    "defrost": "defrost_interval",
    "provisional": STEADY,
    "aim": STEADY,
    "too_cold": Family(
        "what the room's settled day leaves beside what is wanted; heat and "
        "foam by steady states with the module off", (*PARTS, *WEATHER, "use."),
        "a warmer room, heating, more foam",
    ),
    "controllers": DAY,
    "controllers.setpoint_c": TUNED,
    "controllers.duty_limit": TUNED,
    "controllers.hysteresis_k": TUNED,
    "controllers.min_on_s": TUNED,
    "controllers.min_off_s": TUNED,
    "controllers.kp_pct_per_k": TUNED,
    "controllers.ti_s": TUNED,
    "controllers.period_s": TUNED,
    "controllers.slew_pct_per_s": GIVEN,
    "controllers.setpoint_weight": TUNED,
    "controllers.gain_schedule": TUNED,
    "controllers.gains_pct_per_k": TUNED,
    "controllers.window_s": GIVEN,
    "controllers.window_min_on_s": GIVEN,
    "controllers.margins": LINEAR,
    "controllers.regulation": Family(
        "the linear plants' gain at crossover and in the end, over duties, rooms and frost; a "
        "door opening simulated where the gain is lowest", (*PARTS, *WEATHER, "use."),
        "a duty nearer to where most of the time is spent",
    ),
    "controllers.relay_life_years": Family(
        "the relay's rated cycles over the cycles of a settled day",
        ("limits.relay_cycles", "limits.relay_life_years"), "a wider band, a relay for more",
    ),
    "pi_search": Family(
        "each gain and integral time tried on the compiled firmware with the nonlinear plant: a "
        "door opening and a turned setpoint, in the usual and the worst room", TUNED.keys,
        "a change must gain 5 %, or the rule stays",
    ),
    "cases": DAY,
    "cases.ambient_c": GIVEN,
    "cases.relative_humidity_pct": GIVEN,
    "cases.coldest_holdable_c": STEADY,
    "cases.pull_down_h": "pull_down",
    "cases.hold_over_h": "hold_over",
    "cases.ice": Family(
        "frost grown at the dampest air from the steady state at the target, days repeated until "
        "it does; the range with frost 50 % denser and lighter",
        ("climate.worst_humidity_pct", "cold_sink.", "cabinet.air_changes_per_h", "use."),
        "drier air inside, wider gaps, a warmer target",
    ),
    "cases.limits": Family(
        "what the room's settled day reached beside the limit; the margin is what is between",
        ("limits.", "use.", "protection."), "the part that is at its limit, or the limit",
    ),
    "limits": Family(
        "what the room's settled day, or the start-up current, reached beside the limit; the "
        "margin is what is between", ("limits.", "use.", "protection.", "supply."),
        "the part that is at its limit, or the limit",
    ),
    "sensitivities": Family(
        "the key made 10 % better, the plant built anew, the coldest holdable in the worst room "
        "by steady states", PARTS, "nothing: it is a property of this build",
    ),
    "fan_failure": Family(
        "the hot fan stopped on the hottest day of the worst room, the whole loop followed",
        ("protection.", "limits.", "hot_sink.", *HOT_KEYS), "trip, fold-back, a larger sink",
    ),
    "heat_soak": Family(
        "the module switched off at the hottest steady state, its fan run on for some time, and "
        "what conducts back counted for an hour",
        ("hot_sink.", "module.", "protection.hot_fan_run_on_s"), "the run-on, the fan's wiring",
    ),
    "tolerance": "share_holds",
    "pairs": Family(
        "two controllers run on the same drawn cabinets; the spread is 1.645 standard deviations "
        "of the paired difference", ("tolerances.", *PARTS), "narrower tolerances",
    ),
    "energy_day": Family(
        "steady power at the target of a shut-door day in a constant room, and what a defrost "
        "adds, as IEC 62552-3 sums them; doors and loads each by a day without",
        (*PARTS, "use.", "tariff."), "less heat leak, a thriftier drive",
    ),
}  # fmt: skip
STEPS_SHOWN = 24


def bare(place: str) -> str:
    """Return a place in the JSON without its places in lists."""
    return re.sub(r"\[\d*\]", "", place)


def family_of(place: str) -> str | Family | None:
    """Return what explains a place: a chain's name, a family, or None for no such number."""
    words = bare(place).split(".")
    for count in range(len(words), 0, -1):
        found = FAMILIES.get(".".join(words[:count]))
        if found is not None:
            return found
    return None


def places(value: Any, place: str = "") -> Iterator[tuple[str, float | None]]:
    """Yield (place, number) of every number at any depth, as limits[0].margin; None of a null."""
    if isinstance(value, Mapping):
        for key, item in value.items():
            yield from places(item, f"{place}.{key}" if place else key)
    elif isinstance(value, Sequence) and not isinstance(value, str):
        for index, item in enumerate(value):
            yield from places(item, f"{place}[{index}]")
    elif isinstance(value, int | float) and not isinstance(value, bool):
        yield place, float(value)
    elif value is None:
        yield place, None


def unit_of(place: str) -> str:
    """Return the unit of a place by its last word that the glossary knows."""
    for word in reversed(bare(place).split(".")):
        unit = GLOSSARY.get(word, ("", ""))[0]
        if unit:
            return unit
    return ""


def places_of(found: Recommendation) -> dict[str, float | None]:
    """Return every number of a recommendation's JSON by its place, None where it is null."""
    from ctrl.json_out import of_recommendation, plain

    return dict(places(plain(of_recommendation(found, ""))))


def numbers_of(found: Recommendation) -> dict[str, float]:
    """Return every number of a recommendation's JSON by its place, without the nulls."""
    return {name: value for name, value in places_of(found).items() if value is not None}


def by_chain(found: Recommendation, place: str, chain: Chain) -> Chain:
    """Return the chain of a number that another number's chain covers."""
    value = numbers_of(found).get(place)
    own = Step(chain.name, chain.value, chain.unit)
    return replace(chain, name=place, value=value, unit=unit_of(place), steps=(own, *chain.steps))


def by_family(found: Recommendation, place: str, family: Family) -> Chain:
    """Return the chain of one number by its family, the numbers beside it on the way."""
    known = numbers_of(found)
    above = place.rpartition(".")[0]
    beside = [
        Step(name.removeprefix(above).lstrip("."), value, unit_of(name))
        for name, value in known.items()
        if name != place and (not above or name.startswith((f"{above}.", f"{above}[")))
    ]
    missing = "" if place in known else "; null, or not in this recommendation"
    return Chain(
        place, known.get(place), unit_of(place), family.method,
        inputs_of(found.config, *family.keys), tuple(beside[:STEPS_SHOWN]),
        f"{found.reason}{missing}", family.changes,
    )  # fmt: skip
