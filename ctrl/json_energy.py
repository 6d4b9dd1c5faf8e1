"""JSON of the energy a day, of the defrosts tried, and of the map."""

from dataclasses import asdict

from ctrl.config import Config
from ctrl.defrost_kinds import TriedDefrost
from ctrl.energy_day import EnergyDay, EnergyRow
from ctrl.json_out_aim import aim_object
from ctrl.json_out_base import Object, or_why
from ctrl.setpoint_map import Border, Cell, SetpointMap
from ctrl.simulation import battery_lasts_h, cost_per_day

RANGE_RUN = "run where the sink ices or nearly does; of a defrost plan where it works"


def tried_object(item: TriedDefrost) -> Object:
    """Return one kind of defrost that was tried, with its two figures."""
    return {
        "kind": item.kind,
        "works": item.works,
        "energy_kwh_per_day": item.ice.energy_kwh_per_day,
        "at_target_kwh_per_day": item.compared_kwh_per_day,
        "contents_c_max": item.ice.contents_c_max,
        "contents_c_mean": item.ice.contents_c_mean,
        "blockage_pct": item.ice.blockage_pct,
        "melts_per_day": item.ice.melts_per_day,
        **or_why(
            "blockage_range_pct",
            None if item.ice.blockage_range_pct is None else list(item.ice.blockage_range_pct),
            RANGE_RUN,
        ),
    }


def row_object(config: Config, row: EnergyRow) -> Object:
    """Return the energy a day at one room."""
    why = row.why or row.note or "no defrost falls due"
    kwh = row.energy_kwh_per_day
    found: Object = {"where": row.where, "ambient_c": row.ambient_c}
    found |= or_why("steady_w", row.steady_w, row.why or row.note)
    found |= or_why("defrost_kwh", row.defrost_kwh, why)
    found |= or_why("defrost_spread_kwh", row.spread_kwh, why)
    found |= or_why("coldest_holdable_c", row.coldest_holdable_c, "the target is in reach")
    found |= or_why("most_frost_change_g", row.most_frost_change_g, row.why)
    found |= or_why("spread_w", row.spread_w, row.why)
    found |= or_why("defrost_interval_h", row.defrost_interval_h, why)
    found |= or_why("energy_kwh_per_day", kwh, row.why)
    cost = None if kwh is None else cost_per_day(config, kwh)
    lasts = None if kwh is None else battery_lasts_h(config, kwh)
    found |= or_why("cost_per_day", cost, row.why or "tariff.per_kwh is not given")
    return found | or_why("battery_lasts_h", lasts, row.why or "supply.battery_ah is not given")


def energy_day_object(config: Config, found: EnergyDay | None) -> Object | None:
    """Return the energy a day in every room, and what use adds."""
    if found is None:
        return None
    return (
        {"method": found.method, "energy_rows": [row_object(config, row) for row in found.rows]}
        | or_why("pair_kwh_per_day", found.pair_kwh_per_day, "a room of the pair has none")
        | {"usual_kwh_per_day": found.usual_kwh_per_day}
        | or_why("doors_kwh_per_day", found.doors_kwh_per_day, "the door stays shut")
        | or_why("loads_kwh_per_day", found.loads_kwh_per_day, "nothing is loaded")
    )


def cell_object(cell: Cell) -> Object:
    """Return one cell of the map."""
    why = "cannot be held"
    return (
        {"contents_c": cell.contents_c, "regime": cell.state}
        | or_why("duty", cell.duty, why)
        | or_why("plug_w", cell.plug_w, why)
        | or_why("energy_kwh_per_day", cell.kwh_per_day, why)
        | or_why("cold_sink_c", cell.cold_sink_c, why)
    )


def border_object(border: Border) -> Object:
    """Return the boundaries of one room."""
    dry = "does not ice down to the coldest"
    unrun = "nothing found" if border.simulated else "not simulated in this room"
    return (
        {
            "coldest_holdable_c": border.coldest_c,
            "coldest_decided_by": border.decided_by,
        }
        | or_why("ice_free_steady_c", border.ice_free_c, dry)
        | or_why("ice_free_simulated_c", border.simulated_c, unrun)
        | or_why("coldest_ice_free_c", border.icy_c, dry)
    )


def of_map(found: SetpointMap, version: str) -> Object:
    """Return what `map --json` prints."""
    config = found.config
    return {
        "command": "map",
        "version": version,
        "config": config.source,
        "cabinet": config.cabinet.name,
        "target_c": config.use.target_c,
        "relative_humidity_pct": found.humidity_pct,
        "setpoint_offset_k": found.setpoint_offset_k,
        "rooms": [
            {"ambient_c": ambient_c}
            | border_object(found.borders[n])
            | {"cells": [cell_object(row[n]) for row in found.cells]}
            for n, ambient_c in enumerate(found.ambients_c)
        ],
        "advice": asdict(found.advice),
        "aim": aim_object(found.aim),
        "seed": found.seed,
    }
