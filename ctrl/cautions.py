"""Cautions that apply to a cabinet, and protections it lacks."""

from ctrl.branches import FanFailure
from ctrl.build import extraction_of, plant_of
from ctrl.capability import StartCurrents, flashed_duty
from ctrl.cases import Case, Limit, current_limits
from ctrl.config import Config
from ctrl.thermistor_fit import thermistor_cautions
from plant import cabinet, drive
from plant.cabinet import Plant
from plant.module import figure_of_merit

# US FDA Food Code 3-501.16, cold holding (from memory).
FOOD_MAX_C = 5.0
NEAR_FOAM_K = 10.0


def advised_fuse_a(config: Config, plant: Plant | None = None) -> float | None:
    """Return the next standard fuse above 1.25 times the start-up current [A], or None."""
    whole = current_limits(config, plant_of(config) if plant is None else plant)[0]
    return drive.fuse_for_a(whole.value)


def cautions_of(config: Config, plant: Plant, cases: list[Case]) -> list[str]:
    """Return the cautions in the order of how much harm they prevent."""
    supply = config.supply
    current_a = current_limits(config, plant)[0].value
    fuse = advised_fuse_a(config, plant)
    beyond = f"a fuse made for more than {drive.FUSE_RATINGS_A[-1]:g} A"
    fuse_text = f"a {fuse:g} A fuse" if fuse is not None else beyond
    found = [
        "A firmware limit is not a safety device: fit an independent thermal cut-out "
        "(70 to 85 °C, manual reset) on the hot sink, in the module's own supply wire.",
        f"Up to {current_a:.1f} A flow at {supply.highest_voltage_v:g} V: put {fuse_text} at the "
        f"supply end of the wire, and wire that carries more than the fuse "
        f"({supply.wire_mm2:g} mm² carries about {drive.wire_ampacity_a(supply.wire_mm2):.0f} A). "
        "Local codes come first.",
        "Never for medicines: they need equipment made and certified for them.",
    ]
    if supply.kind == "mains":
        found.append(
            "The mains side of the supply can kill: buy the supply closed and approved, "
            "and leave its inside to licensed people."
        )
    hottest_foam = max(case.findings.foam_c.max for case in cases)
    if hottest_foam > config.limits.foam_max_c - NEAR_FOAM_K:
        found.append(
            f"Foam beside the hot sink comes to {hottest_foam:.0f} °C; polystyrene must stay "
            f"below {config.limits.foam_max_c:g} °C and burns. Keep a metal or mineral collar "
            "and an air gap between sink and foam."
        )
    warmest = max(case.findings.contents_c.max for case in cases if case.name != "coldest")
    if config.use.purpose == "food" and max(warmest, config.use.target_c) > FOOD_MAX_C:
        found.append(
            f"Food that spoils is kept at {FOOD_MAX_C:g} °C or colder at all times; here it "
            f"comes to {warmest:.1f} °C. After two hours above that, throw it away."
        )
    elif config.use.target_c > FOOD_MAX_C:
        found.append(
            f"At {config.use.target_c:g} °C nothing that spoils: food needs 5 °C or colder."
        )
    doubts = sheet_cautions(config) + climate_cautions(config) + thermistor_cautions(config)
    starved = starved_cautions(config, plant) + collapse_cautions(config, plant)
    return found + starved + doubts


def starved_cautions(config: Config, plant: Plant) -> list[str]:
    """Return what hangs on a supply whose voltage falls because it holds its current."""
    supply = config.supply
    at = StartCurrents.of(config, plant, supply.highest_voltage_v)
    wanted_a = at.supply_a(1.0 if plant.drive.kind == drive.RELAY else flashed_duty(config, plant))
    if supply.protection != "constant_current" or wanted_a <= supply.current_limit_a:
        return []
    return [
        f"The supply holds its current at {supply.current_limit_a:g} A where {wanted_a:.1f} A "
        "would flow at start-up: its voltage falls, and fans and electronics on it slow down or "
        "restart. Take a larger supply, or feed them from one of their own."
    ]


MOST_APART_K = 60  # faces of a working module; the sheets' largest difference is about 68


def collapse_cautions(config: Config, plant: Plant) -> list[str]:
    """Return a caution where a regulated current may pull down a supply that holds its own.

    A converter that holds its output asks more current of a falling voltage: past the most that
    the supply gives the voltage collapses until the converter is wide open, and the output is
    efficiency times the supply's limit.  The model caps the power alone, which is up to
    1/efficiency more.  Up to efficiency times the limit none of it can happen.
    """
    part, supply = cabinet.to_record(plant).drive, config.supply
    if part.kind != drive.CURRENT or supply.protection != "constant_current":
        return []
    limit_a, set_a = part.current_limit_a, part.set_current_a
    sure_a = part.converter_efficiency * limit_a
    module, loop_ohm = plant.module, part.wire_ohm + part.switch_ohm
    ohm = (module.resistance_ohm + loop_ohm) * (1.0 + part.ripple**2)
    most_w = drive.most_input_w(part, supply.lowest_voltage_v, limit_a)

    def asked_w(apart_k: float) -> float:
        output_w = set_a * (module.seebeck_v_per_k * apart_k + ohm * set_a)
        return float(drive.converter_input_w(part, output_w))

    apart_k = next((k for k in range(MOST_APART_K + 1) if asked_w(k) > most_w), None)
    if set_a <= sure_a or apart_k is None:
        return []
    return [
        f"From {apart_k} K between the module's faces {set_a:g} A ask more of the supply than the "
        f"{limit_a:g} A it holds at {supply.lowest_voltage_v:g} V: its voltage collapses and the "
        f"module gets {sure_a:.1f} A, up to {100.0 * (set_a / sure_a - 1.0):.0f} % less than is "
        f"reckoned with here. Set {sure_a:.1f} A at most, or take a larger supply."
    ]


# A sheet's numbers that miss a common module by more tolerances than this are wrong somewhere.
SHEET_MISFIT = 1.5
# Bismuth telluride legs reach about 3e-3 1/K (from memory); joints take some of that.
LARGEST_MERIT_PER_K = 3.1e-3


def sheet_cautions(config: Config) -> list[str]:
    """Return what is to be doubted in the module's data sheet."""
    found, part = extraction_of(config), config.module
    tell = "measure its resistance and what it cools before trusting any of this"
    doubts = []
    if found.misfit > SHEET_MISFIT:
        doubts.append(
            f"The module's sheet contradicts itself: its numbers miss a common module by "
            f"{found.misfit:.1f} of their tolerances, and leave its resistance open by "
            f"{found.tolerance_pct['resistance']:.0f} %; {tell}."
        )
    merit = figure_of_merit(*found.values)
    if part.stages == 1 and merit > LARGEST_MERIT_PER_K:
        doubts.append(
            f"The sheet asks for a figure of merit of {1e3 * merit:.1f}/1000 K, more than bismuth "
            f"telluride gives (about 3): is it a stack of two stages? If not, {tell}."
        )
    return doubts


def climate_cautions(config: Config) -> list[str]:
    """Return a caution where a weather log is stated that the rooms judged do not follow."""
    if config.climate.log_file is None:
        return []
    return [
        "The weather log is not used here: these are the usual, the hottest and the coldest "
        "room of the config. simulate runs through the log."
    ]


def not_kept(limits: list[Limit]) -> list[str]:
    """Return a caution for each limit that is missed outside any room: wire, fuse, relay."""
    return [
        f"Not kept: {item.name}, {item.value:.1f} {item.unit} where {item.limit:g} {item.unit} "
        "is the limit. Mend this first."
        for item in limits
        if not item.kept
    ]


def fan_failure_cautions(failures: tuple[FanFailure, ...]) -> list[str]:
    """Return a caution where a failed hot fan passes a limit of foam, sink or module."""
    if not failures:
        return []
    first = failures[0]
    passed = {
        name: minutes
        for name in ("foam limit", "hot sink limit", "module limit")
        if (minutes := first.minutes[name]) is not None
    }
    if not passed:
        return []
    name = min(passed, key=lambda key: passed[key])
    guard = "although the firmware cuts back" if first.protected else "and nothing cuts back"
    return [
        f"If the hot fan fails on the hottest day, the {name} is passed after "
        f"{passed[name]:.0f} min, {guard}: set the thermal cut-out below it."
    ]


def absent_protections(config: Config) -> list[str]:
    """Return what the firmware cannot do for want of a sensor, and what the sensor would buy."""
    found = []
    if config.hot_sink_sensor is None:
        left = "nothing in the firmware guards the hot side, as a relay has no duty to limit"
        if config.drive.kind != "relay":
            left = "only the static duty limit guards the hot side"
        found.append(
            f"no hot-sink sensor: no fold-back, no trip; {left}. A second thermistor there "
            "buys both."
        )
    if config.cold_sink_sensor is None:
        found.append(
            "no cold-sink sensor: defrost ends by time alone. A sensor between the fins ends "
            "it as soon as the ice is gone."
        )
    if config.supply.kind == "battery" and config.supply.low_battery_cut_off_v is None:
        found.append("no low-battery cut-off: the cabinet can empty the battery for good.")
    found.append("no fan tachometer: a stopped fan shows only by its effect on the temperatures.")
    return found
