"""The limits of a drill: which ones a cabinet has, and how a run stands against them."""

from dataclasses import replace

import numpy as np

from ctrl.cases import contents_min_c
from ctrl.config import Config
from ctrl.drill_results import (
    COLDEST,
    CONTENTS,
    FOAM,
    HEALTHY_K,
    HOT_SINK,
    ICE,
    MODULE,
    WARMEST,
    LimitFound,
    PassLine,
)
from ctrl.record import INDEX
from plant.cabinet import Plant

# Where the hot fan stands in the safe state, by its wiring.
FAN_WORDS = {
    "own_switch": "hot fan on",
    "always": "hot fan on, as it is always wired",
    "with_module": "hot fan off with it (on the module's wires)",
}
NO_COLDEST = "no coldest limit of the contents: dry goods do not freeze, and none is stated"


def watched(config: Config, plant: Plant) -> list[tuple[str, str, float, str, bool]]:
    """Return (name, column, limit, unit, whether it is an upper one) of every limit."""
    part, use = config.limits, config.use
    warm_c = use.target_c + use.target_tolerance_k
    found = [
        (HOT_SINK, "hot_sink_c", part.hot_sink_max_c, "°C", True),
        (FOAM, "foam_c", part.foam_max_c, "°C", True),
        (MODULE, "hot_face_c", part.module_max_c, "°C", True),
        (WARMEST, "contents_c", warm_c if use.contents_max_c is None else use.contents_max_c,
         "°C", True),
        (ICE, "blockage_pct", part.sink_ice_blockage_pct, "%", True),
    ]  # fmt: skip
    coldest = contents_min_c(config, plant)
    if coldest is not None:
        found.append((COLDEST, "contents_c", coldest, "°C", False))
    return found


def line_of(line: PassLine, config: Config, plant: Plant) -> PassLine:
    """Return a pass line as this cabinet can be held to it: its own limits, its fan's wiring."""
    names = {name for name, *_ in watched(config, plant)}
    notes = (*line.notes, NO_COLDEST) if COLDEST in set(line.limits) - names else line.notes
    return replace(
        line,
        limits=tuple(name for name in line.limits if name in names),
        fan=FAN_WORDS[config.hot_sink.fan_wiring],
        notes=notes,
    )


def limits_found(
    config: Config, plant: Plant, table: np.ndarray, fault_s: float, line: PassLine,
    sound: np.ndarray,
) -> tuple[LimitFound, ...]:  # fmt: skip
    """Return every limit against the rows after the fault.

    `table` and `sound`, the same room without a fault, are of shape (rows, columns).  A limit of
    the contents that sound running does not keep is put where sound running ends up, and half a
    kelvin: a hot room is no fault of the firmware's.  Other limits stand as stated.
    """
    time_s = table[:, INDEX["time_s"]]
    after = time_s > fault_s
    minutes = (time_s[after] - fault_s) / 60.0
    found = []
    for name, column, stated, unit, upper in watched(config, plant):
        values, limit = table[after, INDEX[column]], stated
        sign = 1.0 if upper else -1.0
        healthy = np.max(sign * sound[:, INDEX[column]])
        if name in CONTENTS and healthy > sign * stated:
            limit = sign * (healthy + HEALTHY_K)
        worst = int(np.argmax(sign * values))
        exceeded = np.flatnonzero(sign * values > sign * limit)
        found.append(
            LimitFound(
                name, float(values[worst]), float(limit), float(stated), float(sign * healthy),
                unit, float(minutes[worst]),
                float(minutes[exceeded[0]]) if exceeded.size else None, name in line.limits,
                column,
            )
        )  # fmt: skip
    return tuple(found)


def broken_of(limits: tuple[LimitFound, ...]) -> list[str]:
    """Return the names of the pass line's limits that were not kept."""
    return [item.name for item in limits if item.in_pass_line and not item.kept]
