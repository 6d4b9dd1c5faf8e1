"""More chains: rated energies, cost, battery, hold-over, times, trip, share that holds, ice."""

from collections.abc import Callable
from functools import partial

from ctrl.energy_day import METHOD
from ctrl.explain_chain import HOT_KEYS, ROOM_KEYS, SUPPLY_KEYS, Chain, Step, inputs_of
from ctrl.recommend import Recommendation
from ctrl.simulation import battery_lasts_h, cost_per_day

TIMES = {"min_on": "on", "min_off": "off"}


def _rated(found: Recommendation, room_c: float) -> Chain:
    name, inputs = f"energy_{room_c:g}", inputs_of(
        found.config, "use.target_c", "supply.efficiency", "supply.standby_w", "hot_sink.fan_w",
        "cold_sink.fan_w", "drive.kind", *SUPPLY_KEYS,
    )  # fmt: skip
    rows = () if found.energy_day is None else found.energy_day.rows
    # 25 °C and the own climate may share a temperature: the first row of it is the rated one.
    row = next((item for item in rows if item.ambient_c == room_c), None)
    if row is None:
        return Chain(name, None, "kWh/d", METHOD, inputs, (), "not worked out", "nothing")
    steps = (
        Step("steady power at the target", row.steady_w, "W"),
        Step("what a defrost adds", row.defrost_kwh, "kWh"),
        Step("time between two", row.defrost_interval_h, "h"),
    )
    decided = row.why or "steady power" + ("" if row.defrost_kwh is None else " and defrost")
    return Chain(
        name, row.energy_kwh_per_day, "kWh/d",
        f"{METHOD}: 24 h x (P + dE / t), a constant room, door shut, nothing loaded, counted at "
        f"the {found.energy_boundary}",
        inputs, steps, decided, "less heat leak, a thriftier drive, fans of less power",
    )  # fmt: skip


def _cost(found: Recommendation) -> Chain:
    kwh, price = found.chosen.findings.energy_kwh_per_day, found.config.tariff.per_kwh
    unit = f"{found.config.tariff.currency}/d"
    return Chain(
        "cost", cost_per_day(found.config, kwh), unit, "price of a kWh times the energy a day "
        "as used in the usual room", inputs_of(found.config, "tariff.", *ROOM_KEYS),
        (Step("energy", kwh, "kWh/d"), Step("price", price, "per kWh")),
        "tariff.per_kwh is not given" if price is None else "energy and price",
        "a price in the config" if price is None else "what changes the energy",
    )  # fmt: skip


def _battery(found: Recommendation) -> Chain:
    supply, kwh = found.config.supply, found.chosen.findings.energy_kwh_per_day
    none = supply.battery_ah is None
    return Chain(
        "battery_hours", battery_lasts_h(found.config, kwh), "h",
        "nominal capacity times usual voltage over the mean power in the usual room, to its end",
        inputs_of(found.config, "supply.battery_ah", "supply.voltage_v", *ROOM_KEYS),
        (Step("capacity", supply.battery_ah, "Ah"), Step("energy", kwh, "kWh/d")),
        "supply.battery_ah is not given" if none else "capacity and energy",
        "a capacity in the config" if none else "a larger battery, or what changes the energy",
    )  # fmt: skip


def _hold_over(found: Recommendation) -> Chain:
    steps = [Step(f"{case.name} room", case.hold_over_h, "h") for case in found.cases]
    steps.append(Step("contents, mean", found.cases[0].findings.contents_c.mean, "°C"))
    return Chain(
        "hold_over", found.hold_over_h, "h",
        "power lost at midnight of a settled usual day; the whole cabinet followed, doors and "
        f"loads as on any day, until the contents reach {found.hold_over_limit_c:g} °C",
        inputs_of(found.config, "use.contents_max_c", "use.target_c", "use.target_tolerance_k",
                  "contents.", *ROOM_KEYS),
        tuple(steps),
        "still cold after 72 h" if found.hold_over_h is None else "contents' heat and heat leak",
        "more contents or more foam; a sink that lets less heat back",
    )  # fmt: skip


def _least_time(found: Recommendation, name: str) -> Chain:
    item = found.chosen.candidate
    tuning, settings = item.on_off, item.settings
    if tuning is None:
        return Chain(name, None, "s", "the recommended controller has none", (), (),
                     "the controller is no thermostat", "another drive")  # fmt: skip
    which = ("min_on", "min_off").index(name)
    value = (settings.min_on_s, settings.min_off_s)[which]
    return Chain(
        name, value, "s",
        "half of the predicted time within 60 to 180 s, so that it does not set the cycle, "
        "rounded down to 5 s; no less than what the config states",
        inputs_of(found.config, "drive.kind", f"controller.{name}_s", "sensor.lag_s", *ROOM_KEYS),
        (Step(f"least time {TIMES[name]} worked out, unrounded", tuning.worked_out_s[which], "s"),
         Step(f"least time {TIMES[name]} stated", tuning.stated_s[which], "s"),
         Step("cycles, simulated", found.chosen.findings.cycles_per_hour, "1/h")),
        tuning.least_time_words(which),
        "the key itself, where it is the larger; a wider band makes the cycle longer",
    )  # fmt: skip


def _relay_life(found: Recommendation) -> Chain:
    life, cycles = found.chosen.relay_life_years, found.config.limits.relay_cycles
    return Chain(
        "relay_life", life, "a", "the relay's rated switchings over those of a settled usual day",
        inputs_of(found.config, "limits.relay_cycles", "limits.relay_life_years", *ROOM_KEYS),
        (Step("switchings that it lives", cycles, ""),
         Step("cycles, simulated", found.chosen.findings.cycles_per_hour, "1/h")),
        "nothing wears" if life is None else "the hysteresis flashed and the least times",
        "a wider band, a relay for more switchings, a switch without contacts",
    )  # fmt: skip


def _slew(found: Recommendation) -> Chain:
    value = found.chosen.candidate.settings.slew_pct_per_s
    return Chain(
        "slew", value, "%/s", "as the config says: not tuned",
        inputs_of(found.config, "controller.slew_pct_per_s"), (),
        "no limit is set" if value is None else "controller.slew_pct_per_s",
        "the key itself; it spares the module sudden steps and slows the loop",
    )  # fmt: skip


def _trip(found: Recommendation) -> Chain:
    has_sensor = found.config.hot_sink_sensor is not None
    hottest = max(case.findings.hot_sink_c.max for case in found.cases)
    return Chain(
        "trip", found.config.protection.trip_c if has_sensor else None, "°C",
        "as the config says, judged by stopping the hot fan on the hottest day",
        inputs_of(found.config, "protection.", "limits.hot_sink_max_c", *HOT_KEYS),
        (Step("hottest hot sink in any room, fan turning", hottest, "°C"),
         *(Step(f"hottest, fan stopped, {'with' if x.protected else 'without'} the firmware",
                x.hot_sink_c_max, "°C") for x in found.fan_failure)),
        "protection.trip_c" if has_sensor else "there is no hot-sink sensor",
        "the key itself; the independent thermal cut-out stays in either case",
    )  # fmt: skip


def _share_holds(found: Recommendation) -> Chain:
    part = found.tolerance
    method = (
        "cabinets drawn within every tolerance at once, each run for a day in the usual and the "
        "worst room; one-sided exact bound of the share that keeps every limit"
    )
    keys = ("tolerances.", "module.", "supply.lowest_voltage_v", "supply.highest_voltage_v",
            "sensor.tolerance_k", *ROOM_KEYS)  # fmt: skip
    if part is None:
        return Chain("share_holds", None, "", method, inputs_of(found.config, *keys), (),
                     "the draws were left out", "recommend without --quick")  # fmt: skip
    steps = [
        Step("fresh draws" if part.confirmed else "comparing draws", part.draws, ""),
        Step("kept every limit", part.holds, ""),
        Step("at least, with 95 % confidence", part.share_claimed, ""),
        Step("wanted", part.wanted_share, ""),
        *(Step(f"tried: {item.what}, broke a limit of {item.draws}", item.failed, "")
          for item in part.variants),
        *(Step(f"broke: {name}", count, "") for name, count in part.failures),
    ]  # fmt: skip
    return Chain("share_holds", part.share_holds, "", method, inputs_of(found.config, *keys),
                 tuple(steps), part.reason,
                 f"measure first: {part.measure_first or 'no part stands out'}")  # fmt: skip


def _ice_free(found: Recommendation) -> Chain:
    value = found.coldest_ice_free_c
    return Chain(
        "coldest_ice_free", value, "°C",
        "days without defrost at the dampest air, usual room, repeated until frost does, at "
        "setpoints 0.25 K apart; the coldest mean of the contents from which on every warmer one "
        "is clear by more than the runs scatter",
        inputs_of(found.config, "climate.usual_c", "climate.worst_humidity_pct",
                  "limits.sink_ice_blockage_pct", "cabinet.air_changes_per_h",
                  "cold_sink.fin_gap_mm", "cold_sink.fin_area_m2"),
        (Step("coldest holdable, usual room", found.provisional.usual.contents_c, "°C"),
         Step("wanted", found.config.use.target_c, "°C"),
         Step("scatter of the gaps closed", found.ice_border.scatter_pct, "%"),
         *(Step(f"gaps closed, setpoint {look.setpoint_c:.2f} °C, contents "
                f"{look.contents_c:.1f} °C", look.ice.blockage_pct, "%")
           for look in found.ice_border.looks)),
        "it ices at every temperature tried" if value is None else "growth or gaps closed by ice",
        "drier air inside, or wider gaps between the fins",
    )  # fmt: skip


def _bottleneck(found: Recommendation) -> Chain:
    first = found.bottlenecks[0] if found.bottlenecks else None
    steps = tuple(Step(f"{x.part}: {x.change}", x.gain_k, "K") for x in found.bottlenecks)
    return Chain(
        "bottleneck_gain", None if first is None else first.gain_k, "K",
        "each change made to the config, the plant built anew, and the coldest holdable in the "
        "worst room found from steady states; the gain is its fall",
        inputs_of(found.config, *HOT_KEYS, *SUPPLY_KEYS, "cabinet.foam_thickness_mm",
                  "hot_sink.fan_k_per_w", "cold_sink.fan_k_per_w"),
        steps, "no change fits" if first is None else f"{first.part}: {first.change}",
        "the next in the list, once this one is done",
    )  # fmt: skip


MORE_CHAINS: dict[str, Callable[[Recommendation], Chain]] = {
    "relay_life": _relay_life,
    "energy_16": partial(_rated, room_c=16.0),
    "energy_25": partial(_rated, room_c=25.0),
    "energy_32": partial(_rated, room_c=32.0),
    "cost": _cost,
    "battery_hours": _battery,
    "hold_over": _hold_over,
    "min_on": partial(_least_time, name="min_on"),
    "min_off": partial(_least_time, name="min_off"),
    "slew": _slew,
    "trip": _trip,
    "share_holds": _share_holds,
    "coldest_ice_free": _ice_free,
    "bottleneck_gain": _bottleneck,
}
