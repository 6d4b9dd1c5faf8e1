"""Where one number of a recommendation comes from: `recommend CONFIG --explain NAME`.

A chain: the value; how it was found; what went in, each with its config key, value, unit and
origin; what lay between; which limit decided and what would change it.
"""

from collections.abc import Callable

from ctrl.build import heat_leak_parts_w_per_k, plant_of, start_resistance_ohm
from ctrl.cases import Limit, current_limits
from ctrl.explain_chain import (
    HOT_KEYS,
    ROOM_KEYS,
    SUPPLY_KEYS,
    Chain,
    Step,
    changed_by_draws,
    inputs_of,
)
from ctrl.explain_keys import by_chain, by_family, family_of, places_of
from ctrl.explain_more import MORE_CHAINS
from ctrl.firmware import reading_step_k
from ctrl.pi_search import SIMC
from ctrl.recommend import Recommendation
from plant import drive

SINK_KEYS = ("hot_sink.fan_k_per_w", "cold_sink.fan_k_per_w", "cold_sink.fan_w",
             "module.cold_contact_k_per_w", "module.hot_contact_k_per_w", "module.derating",
             "module.preset", "module.imax_a", "module.vmax_v", "module.dtmax_k",
             "module.qmax_w")  # fmt: skip
FOAM_KEYS = ("cabinet.foam", "cabinet.foam_thickness_mm", "cabinet.foam_conductivity_w_per_m_k")


def _parts(found: Recommendation) -> str:
    """Return what moves the coldest holdable most per 10 %, in words."""
    top = [item for item in found.sensitivities if item.gain_k >= 0.05][:3]
    if not top:
        return "no part by more than 0.05 K per 10 %"
    return "; ".join(f"{item.key} 10 % better: {item.gain_k:.1f} K colder" for item in top)


def _tightest(found: Recommendation, *names: str) -> Limit | None:
    mine = [item for item in found.limits if item.name in names]
    return min(mine, key=lambda item: item.margin / item.ample) if mine else None


def _setpoint(found: Recommendation) -> Chain:
    usual = found.cases[0].findings
    steps = [
        Step("wanted mean of the contents", found.config.use.target_c, "°C"),
        Step("contents, mean, with this setpoint", usual.contents_c.mean, "°C"),
        Step("reading, mean", usual.reading_c.mean, "°C"),
        Step("sensor's place above the contents", found.setpoint_offset_k, "K"),
    ]
    tolerance = found.tolerance
    shifted = changed_by_draws(found, "setpoint_c")
    if tolerance is not None:
        was = tolerance.variants[0].settings.setpoint_c
        steps.append(Step("as tuned, before tolerances were looked at", was, "°C"))
    decided = "the wanted mean of the contents in the usual room"
    if shifted and tolerance is not None:
        decided = f"parts out of tolerance ({tolerance.change}): {tolerance.at_risk}"
    how = (
        "steady state gives the offset of the sensor's place from the contents; a settled day "
        "is simulated and the setpoint moved by what the contents' mean misses the target; "
        "then the variants that tolerances ask for"
    )
    if found.aim.is_out_of_reach or found.aim.is_too_cold:
        how, decided = found.aim.words, "what the usual room allows"
    return Chain(
        "setpoint", found.setpoint_c, "°C",
        how,
        inputs_of(found.config, "use.target_c", "use.target_tolerance_k", "sensor.place",
                  "sensor.tolerance_k", *ROOM_KEYS),
        tuple(steps), decided,
        "a calibrated sensor, or one nearer the contents, moves and narrows the offset",
    )  # fmt: skip


def _pi(found: Recommendation, name: str) -> Chain:
    item = found.chosen.candidate
    tuning, settings = item.pi, item.settings
    which = {"kp": (settings.kp_pct_per_k, "%/K"), "ti": (settings.ti_s, "s")}[name]
    if tuning is None:
        return Chain(name, None, which[1], "the recommended controller has none", (), (),
                     item.note or "the controller is no PI", "another drive")  # fmt: skip
    model, search = tuning.model, tuning.search
    how = (
        "the plant linearised at each operating point, sampled with lag, delay and hold; a "
        "first-order model of the highest gain at crossover; the SIMC rule, slowed until every "
        "point keeps its margins; rounded to the slower side"
    )
    if search is not None:
        how += f"; then a search on the whole loop ({search.reason}), which took: {search.chosen}"
        if settings.gain_schedule:
            how += f" ({search.schedule_reason}); the gain given is its largest"
    steps = [
        Step("model's gain", getattr(model, "gain_k", None), "K per unit of duty"),
        Step("model's time constant", getattr(model, "tau_s", None), "s"),
        Step("model's dead time", getattr(model, "dead_time_s", None), "s"),
        Step("closed-loop time constant asked for", tuning.tau_c_s, "s"),
        Step(
            "by the rule, unrounded"
            if search is None or search.chosen == SIMC
            else "from the search",
            tuning.kp_pct_per_k if name == "kp" else tuning.ti_s,
            which[1],
        ),
        Step("duty's movement from noise", tuning.noise_duty_pct, "%"),
        Step("smallest step of a reading", reading_step_k(found.config.sensor), "K"),
    ]
    if search is not None:
        steps += [
            Step(f"{trial.name}", trial.kp_pct_per_k if name == "kp" else trial.ti_s, which[1])
            for trial in search.trials
        ]
    if item.margins is not None:
        steps += [
            Step("gain margin, worst point", item.margins.gain_margin, ""),
            Step("phase margin, worst point", item.margins.phase_margin_deg, "deg"),
            Step("peak sensitivity, worst point", item.margins.ms, ""),
        ]
    return Chain(
        name, which[0], which[1],
        how,
        inputs_of(found.config, "controller.period_s", "sensor.lag_s", "sensor.noise_k",
                  "sensor.adc_bits", "sensor.conversion_s", "drive.kind", *SUPPLY_KEYS),
        tuple(steps), tuning.decided_by,
        "a quicker or quieter sensor lets the gain rise; a poorer hot sink lowers it",
    )  # fmt: skip


def _hysteresis(found: Recommendation) -> Chain:
    item = found.chosen.candidate
    tuning = item.on_off
    if tuning is None:
        return Chain("hysteresis", None, "K", "the recommended controller has none", (), (),
                     "the controller is no thermostat", "another drive")  # fmt: skip
    usual, tolerance = found.chosen.findings, found.tolerance
    decided = tuning.decided_by
    if item.settings.hysteresis_k != tuning.hysteresis_k and "narrowed" not in decided:
        decided += f"; changed from {tuning.hysteresis_k:g} K on the simulated cycle"
    steps: list[Step] = []
    if changed_by_draws(found, "hysteresis_k") and tolerance is not None:
        was = tolerance.variants[0].settings.hysteresis_k
        steps = [Step("before tolerances were looked at", was, "K")]
        decided = f"parts out of tolerance ({tolerance.change}): {tolerance.at_risk}"
    return Chain(
        "hysteresis", item.settings.hysteresis_k, "K",
        "the widest swing worth having and the relay's life bound the band; the closed form of "
        "the switching cycle predicts both, a settled day shows them",
        inputs_of(found.config, "limits.relay_cycles", "limits.relay_life_years",
                  "use.target_tolerance_k", "use.contents_min_c", "sensor.lag_s",
                  "sensor.noise_k"),
        (
            Step("cycles, simulated", usual.cycles_per_hour, "1/h"),
            Step("swing of the air, simulated", usual.swing_k, "K"),
            Step("band by the closed form", tuning.hysteresis_k, "K"),
            Step("life of the relay with that band, predicted", tuning.relay_life_years, "a"),
            Step("life of the relay with the band flashed, simulated",
                 found.chosen.relay_life_years, "a"),
            *steps,
            Step("least time on", item.settings.min_on_s, "s"),
            Step("least time off", item.settings.min_off_s, "s"),
        ),
        decided, "a relay for more cycles, or a switch, lets the band be narrower",
    )  # fmt: skip


def _duty_limit(found: Recommendation) -> Chain:
    limit, tolerance = found.duty_limit, found.tolerance
    steps = tuple(Step(f"candidate: {name}", duty, "") for name, duty in limit.candidates.items())
    flashed, decided = found.chosen.candidate.settings.duty_limit, limit.decided_by
    if flashed != limit.duty:
        steps += (Step("static limit, rounded down", limit.duty, ""),)
        decided += "; flashed as tuned for this drive"
    if changed_by_draws(found, "duty_limit") and tolerance is not None:
        was = tolerance.variants[0].settings.duty_limit
        steps += (Step("before tolerances were looked at", was, ""),)
        decided = f"parts out of tolerance ({tolerance.change}): {tolerance.at_risk}"
    return Chain(
        "duty_limit", flashed, "",
        "the smallest of the candidates, rounded down to the firmware's step: hottest hour of "
        "the hottest day at the highest supply voltage, steady states; peak cooling counts with "
        "a tenth to spare, in the cooler rooms too where the worst room bears it",
        inputs_of(found.config, *HOT_KEYS, "supply.highest_voltage_v", "supply.current_limit_a",
                  "supply.wire_mm2", "limits.", "protection.fold_back_start_c",
                  "hot_sink.fan_k_per_w", "drive.kind"),
        steps, decided,
        "the deciding candidate's own part: sink, wire or supply; full drive needs none",
    )  # fmt: skip


def _coldest(found: Recommendation) -> Chain:
    first, tolerance = found.provisional, found.tolerance
    steps = [
        Step("in the usual room, steady", first.usual.contents_c, "°C"),
        Step("in the worst room, steady", first.worst.contents_c, "°C"),
        Step("duty there", first.worst.point.duty, ""),
        Step("hot sink there", first.worst.point.hot_sink_k - 273.15, "°C"),
        Step("heat taken up there", first.worst.point.cooling_w, "W"),
        Step(f"{found.coldest_spread_words}: give or take", found.coldest_spread_k, "K"),
    ]
    if tolerance is not None:
        steps.append(Step(f"at {tolerance.least_voltage_v:.1f} V, the lowest it runs at",
                          tolerance.coldest_at_least_voltage_c, "°C"))  # fmt: skip
    return Chain(
        "coldest_holdable", found.coldest_holdable_c, "°C",
        "steady states in the worst room, the duty optimised up to the duty limit and the "
        "temperature limits of the hot side",
        inputs_of(found.config, *HOT_KEYS, *FOAM_KEYS, *SINK_KEYS, *SUPPLY_KEYS),
        tuple(steps), found.coldest_decided_by, _parts(found),
    )  # fmt: skip


def _energy(found: Recommendation) -> Chain:
    usual = found.chosen.findings
    steps = [
        Step("duty, mean", usual.duty_mean, ""),
        Step("room, mean", usual.ambient_c.mean, "°C"),
        Step("contents, mean", usual.contents_c.mean, "°C"),
        Step("mean power at the boundary", usual.energy_kwh_per_day / 0.024, "W"),
        Step("steady power, first look", found.provisional.usual_plug_w, "W"),
        Step("energy that the balance misses, over what flowed", usual.energy_residual_rel, ""),
    ]
    if found.tolerance is not None:
        low, high = found.tolerance.energy_range_kwh_per_day
        steps += [Step("5 % of such cabinets need less than", low, "kWh/d"),
                  Step("5 % need more than", high, "kWh/d")]  # fmt: skip
    best = min(found.controllers, key=lambda item: item.findings.energy_kwh_per_day)
    other = best.candidate
    changes = "no other drive compared needs less"
    if best is not found.chosen:
        kwh = best.findings.energy_kwh_per_day
        changes = f"{other.controller} on {other.drive}: {kwh:.2f} kWh a day"
    return Chain(
        "energy", usual.energy_kwh_per_day, "kWh/d",
        f"a settled day of the whole loop in the usual room, counted at the "
        f"{found.energy_boundary}, with fans, standby, doors, loads and defrost",
        inputs_of(found.config, *ROOM_KEYS, "use.", "supply.efficiency", "supply.standby_w",
                  "hot_sink.fan_w", "cold_sink.fan_w", "drive.kind"),
        tuple(steps), f"the {other_words(found)} and the heat leak", changes,
    )  # fmt: skip


def other_words(found: Recommendation) -> str:
    """Return the drive in words."""
    return f"drive ({found.chosen.candidate.drive.replace('_', ' ')})"


def words(kind: str) -> str:
    """Return a kind of defrost in words."""
    return kind.replace("_", " ")


KIND_METHODS = {
    "timed": "the clock was chosen among the kinds",
    "off_cycle": "of the kinds the off-cycle was chosen: from half the clock's interval on it "
                 "waits for the module's next rest, and the interval given is that half",
    "demand": "of the kinds the one on demand was chosen: the interval given is the least time "
              "between two melts, a grown air-to-sink difference starts them",
    "reversed": "of the kinds reversed current was chosen, at the clock's interval",
}  # fmt: skip


def _defrost(found: Recommendation) -> Chain:
    plan = found.defrost
    keys = ("climate.worst_humidity_pct", "limits.sink_ice_blockage_pct", "defrost.",
            "cabinet.air_changes_per_h", "use.door_openings_per_day", "cold_sink.fin_gap_mm",
            "cold_sink.fin_area_m2", "cold_sink.frost_density_factor")  # fmt: skip
    method = ("frost grown at the dampest air, days repeated until it does; then the rarest "
              "clock's interval tried that keeps the gaps open and the contents cold")  # fmt: skip
    steps = [Step(f"{case.name} room, gaps closed without defrost", case.ice.blockage_pct, "%")
             for case in found.cases]  # fmt: skip
    if plan is None:
        return Chain("defrost_interval", None, "h", method, inputs_of(found.config, *keys),
                     tuple(steps), "the cold sink ices up in no room",
                     "a colder target or damper air would need one")  # fmt: skip
    steps += [Step(f"clock, {hours:g} h: gaps closed", ice.blockage_pct, "%")
              for hours, ice in plan.others]  # fmt: skip
    steps += [Step(f"{words(item.kind)}, at the target{'' if item.works else ', fails'}",
                   item.compared_kwh_per_day, "kWh/d")
              for item in plan.kinds_tried]  # fmt: skip
    method += "; " + KIND_METHODS[plan.kind]
    works = f"{words(plan.kind)}: {plan.why or 'gaps closed by ice'}"
    if not plan.works:
        works = f"no defrost tried keeps it clear; {works}"
    return Chain("defrost_interval", plan.interval_h, "h", method,
                 inputs_of(found.config, *keys), tuple(steps), works,
                 "drier air inside: a tighter seal, fewer openings, a warmer target")  # fmt: skip


def _pull_down(found: Recommendation) -> Chain:
    plant = plant_of(found.config)
    changes = "a stronger drive or fewer things loaded at once"
    return Chain(
        "pull_down", found.pull_down_h, "h",
        "the whole loop from a cabinet at room temperature, just loaded, until the contents come "
        "within the tolerance of the target, usual room",
        inputs_of(found.config, "contents.", "use.target_c", "use.target_tolerance_k",
                  *ROOM_KEYS, *SUPPLY_KEYS),
        (
            Step("contents' heat capacity", plant.contents.heat_capacity_j_per_k, "J/K"),
            Step("film, air to contents", plant.contents.film_w_per_k, "W/K"),
            Step("in the worst room", found.cases[1].pull_down_h, "h"),
        ),
        found.pull_down_reason or "cooling power beside the contents' heat", changes,
    )  # fmt: skip


def _fuse(found: Recommendation) -> Chain:
    config, plant = found.config, plant_of(found.config)
    ohm = start_resistance_ohm(config, plant)
    highest_v = config.supply.highest_voltage_v
    whole_a = current_limits(config, plant)[0].value
    fans_a = (config.hot_sink.fan_w + config.cold_sink.fan_w) / highest_v
    ampacity = drive.wire_ampacity_a(config.supply.wire_mm2)
    tight = _tightest(found, "fuse, 1.25 x current", "fuse protects the wire")
    decided = "" if tight is None else f"{tight.name}: {tight.margin:.1f} {tight.unit} to spare"
    return Chain(
        "fuse", config.supply.fuse_a, "A",
        "as fitted; to bear 1.25 times the start-up current at no difference across the module "
        "and the highest voltage, and to blow before the wire is too warm",
        inputs_of(config, "supply.fuse_a", "supply.wire_mm2", "supply.wire_length_m",
                  *SUPPLY_KEYS, "supply.source_resistance_ohm", "climate.coldest_c",
                  "hot_sink.fan_w", "cold_sink.fan_w", "module.preset", "drive.kind"),
        (
            Step("module's resistance, coldest start", ohm, "ohm"),
            Step("module's current at start-up", whole_a - fans_a, "A"),
            Step("fans", fans_a, "A"),
            Step("1.25 times the whole", 1.25 * whole_a, "A"),
            Step("what the wire carries", ampacity, "A"),
        ),
        decided, "thicker wire for a larger fuse; a lower voltage for less current",
    )  # fmt: skip


def _heat_leak(found: Recommendation) -> Chain:
    parts = heat_leak_parts_w_per_k(found.config)
    largest = max(parts, key=lambda name: parts[name])
    return Chain(
        "heat_leak",
        sum(parts.values()),
        "W/K",
        "shape factors of faces, edges and corners, in series with the films; seal, metal, "
        "opening and leaking air beside them; inside fan running",
        inputs_of(found.config, "cabinet."),
        tuple(Step(name, value, "W/K") for name, value in parts.items()),
        f"{largest}: {100.0 * parts[largest] / sum(parts.values()):.0f} % of it",
        "more foam first, where the foam leads; else the largest part",
    )


CHAINS: dict[str, Callable[[Recommendation], Chain]] = {
    "setpoint": _setpoint,
    "kp": lambda found: _pi(found, "kp"),
    "ti": lambda found: _pi(found, "ti"),
    "hysteresis": _hysteresis,
    "duty_limit": _duty_limit,
    "coldest_holdable": _coldest,
    "energy": _energy,
    "defrost_interval": _defrost,
    "pull_down": _pull_down,
    "fuse": _fuse,
    "heat_leak": _heat_leak,
    **MORE_CHAINS,
}
# A variant for the tolerances changes setpoint, band, duty limit and defrost, and what follows
# from them: none of these.
WITHOUT_DRAWS = frozenset(
    {"kp", "ti", "min_on", "min_off", "slew", "trip", "fuse", "heat_leak", "bottleneck_gain"}
)


def is_known(name: str) -> bool:
    """Return whether a name is a chain's, or a place in the JSON that has one."""
    return name in CHAINS or family_of(name) is not None


def explain(found: Recommendation, name: str) -> Chain:
    """Return the chain of one number; `name` is a key of `CHAINS` or a place in the JSON.

    Raises
    ------
    KeyError
        For a place that this recommendation's JSON has not, or that holds no number.
    """
    if name in CHAINS:
        return CHAINS[name](found)
    family = family_of(name)
    if family is None or name not in places_of(found):
        raise KeyError(name)
    if isinstance(family, str):
        return by_chain(found, name, CHAINS[family](found))
    return by_family(found, name, family)
