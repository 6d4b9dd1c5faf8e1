"""The tables of the file that describe use and control: room, contents, limits, controller."""

from typing import Annotated, Literal

from pydantic import BeforeValidator, Field
from pydantic_core import PydanticCustomError

from ctrl.config_cabinet import preset_name
from ctrl.config_fields import (
    INVENTED,
    MEMORY,
    PRACTICE,
    REQUIRED,
    Fault,
    Section,
    choice,
    quantity,
    whole,
    words,
)
from plant import presets

MEDICINE_WORDS = ("medic", "medik", "vaccin", "insulin", "drug", "pharma", "blood")


class Climate(Section):
    """The room where the cabinet stands."""

    usual_c: float = quantity(REQUIRED, -30, 60, "C", "room temperature on a usual day, mean")
    worst_c: float = quantity(REQUIRED, -30, 60, "C", "room temperature on the hottest day, mean")
    coldest_c: float = quantity(REQUIRED, -30, 60, "C", "room temperature on the coldest day, mean")
    daily_swing_k: float = quantity(
        0.0, 0, 30, "K", "from the day's lowest to its highest", "constant room"
    )
    hottest_hour: float = quantity(15.0, 0, 24, "h", "hour of the day that is hottest", PRACTICE)
    relative_humidity_pct: float = quantity(
        60.0, 5, 100, "%", "relative humidity on a usual day", INVENTED
    )
    worst_humidity_pct: float = quantity(
        80.0, 5, 100, "%", "relative humidity on the dampest day", INVENTED
    )
    altitude_m: float = quantity(
        0.0,
        -400,
        5000,
        "m",
        "above the sea: thin air takes less heat; stated K/W are of sea level",
        "sea level",
    )
    sun_w_per_m2: float = quantity(
        0.0, 0, 1400, "W/m2", "sun on the cabinet at its highest; full sun 800 to 1000", "shade"
    )
    sun_from_hour: float = quantity(6.0, 0, 24, "h", "hour when the sun comes to it", INVENTED)
    sun_to_hour: float = quantity(18.0, 0, 24, "h", "hour when the sun leaves it", INVENTED)
    radiant_w_per_m2: float = quantity(
        0.0, 0, 2000, "W/m2", "heat radiation of a hot thing nearby, above the room's", "none"
    )
    log_file: str | None = words(
        None, "CSV log of the weather; simulate alone reads it", 200, "no log"
    )

    def faults(self) -> list[Fault]:
        """Check coldest <= usual <= worst, and the two humidities."""
        found: list[Fault] = []
        if self.worst_c < self.usual_c:
            found.append(("worst_c", f"at least usual_c ({self.usual_c:g} C)"))
        if self.coldest_c > self.usual_c:
            found.append(("coldest_c", f"at most usual_c ({self.usual_c:g} C)"))
        if self.worst_humidity_pct < self.relative_humidity_pct:
            expected = f"at least relative_humidity_pct ({self.relative_humidity_pct:g} %)"
            found.append(("worst_humidity_pct", expected))
        if self.sun_to_hour <= self.sun_from_hour:
            found.append(("sun_to_hour", f"after sun_from_hour ({self.sun_from_hour:g} h)"))
        return found


class _Contents(Section):
    film_w_per_m2_k: float | None = quantity(
        None,
        1,
        200,
        "W/(m2 K)",
        "air to contents, inside fan running; of the place, not thinned by altitude",
        "from correlations",
    )
    film_fan_stopped_w_per_m2_k: float | None = quantity(
        None,
        1,
        200,
        "W/(m2 K)",
        "air to contents, inside fan stopped; of the place, not thinned by altitude",
        "from correlations",
    )
    start_c: float = quantity(20.0, -30, 60, "C", "temperature when first loaded", INVENTED)
    air_speed_m_per_s: float = quantity(
        0.5, 0, 5, "m/s", "air past the contents, inside fan running", INVENTED
    )
    radiating_share: float = quantity(
        0.5, 0, 1, "", "share of the surface that sees walls, not its like", INVENTED
    )
    touching_share: float = quantity(
        0.0, 0, 0.9, "", "share of the surface lost where things touch", "nothing touches"
    )
    supercooling_k: float = quantity(
        0.0, 0, 15, "K", "how far below freezing before ice begins; bottles at rest 2 to 8",
        "freezes at its freezing point; limits count that point anyhow",
    )  # fmt: skip
    wet_area_m2: float = quantity(
        0.0, 0, 50, "m2", "bare wet surface: open dishes; leaves a third of theirs, roots a tenth",
        "all closed or dry; the shares: common practice, no source",
    )  # fmt: skip

    def faults(self) -> list[Fault]:
        """Check that stopping the fan does not improve the film."""
        running, stopped = self.film_w_per_m2_k, self.film_fan_stopped_w_per_m2_k
        if running is None or stopped is None or stopped <= running:
            return []
        expected = f"at most film_w_per_m2_k ({running:g} W/(m2 K))"
        return [("film_fan_stopped_w_per_m2_k", expected)]


class Bottles(_Contents):
    """What is kept: bottles, cans or jars of one kind."""

    kind: Literal["bottles"] = choice(REQUIRED, "bottles, or goods by weight")
    container: Annotated[str, preset_name("container")] = words(
        REQUIRED, "container by name", preset="container"
    )
    count: int = whole(REQUIRED, 0, 500, "", "how many")
    liquid: Annotated[str, preset_name("liquid")] = words(
        REQUIRED, "what is in them, by name", preset="liquid"
    )

    def container_data(self) -> presets.Container:
        """Return the named container's data."""
        return presets.container(self.container)

    def liquid_data(self) -> presets.Liquid:
        """Return the named liquid's data."""
        return presets.liquid(self.liquid)


class Goods(_Contents):
    """What is kept: goods by weight."""

    kind: Literal["goods"] = choice(REQUIRED, "bottles, or goods by weight")
    mass_kg: float = quantity(REQUIRED, 0, 500, "kg", "weight of the goods")
    specific_heat_j_per_kg_k: float = quantity(
        REQUIRED, 300, 4300, "J/(kg K)", "dry goods 1000 to 2000, wet goods 3000 to 4000"
    )
    surface_m2: float = quantity(REQUIRED, 0.001, 50, "m2", "surface that the air touches")
    water_share: float = quantity(0.0, 0, 1, "", "part of the weight that can freeze", "dry goods")
    freezing_c: float = quantity(0.0, -40, 5, "C", "where that part freezes", "water")
    piece_mm: float = quantity(
        100.0, 1, 1000, "mm", "side of one packet, for film and core", INVENTED
    )


Contents = Annotated[Bottles | Goods, Field(discriminator="kind")]


def _never_medicine(value: object) -> object:
    if isinstance(value, str) and any(part in value.lower() for part in MEDICINE_WORDS):
        raise PydanticCustomError("medicine", "refused")
    return value


class Use(Section):
    """What the cabinet is for, how cold, and how it is opened and loaded."""

    purpose: Annotated[
        Literal["drinks", "food", "seeds", "film", "other"], BeforeValidator(_never_medicine)
    ] = choice(REQUIRED, "what is kept; never medicines")
    target_c: float = quantity(REQUIRED, -25, 45, "C", "wanted temperature of the contents, mean")
    target_tolerance_k: float = quantity(
        1.0, 0.1, 10, "K", "how far the mean may be from it", INVENTED
    )
    contents_max_c: float | None = quantity(
        None, -25, 60, "C", "warmest the contents may get in a cycle", "no limit of its own"
    )
    contents_min_c: float | None = quantity(
        None, -40, 45, "C", "coldest the contents may get", "freezing point and 0.5 K"
    )
    humidity_limit_pct: float | None = quantity(
        None, 5, 100, "%", "highest relative humidity inside", "no limit"
    )
    door_openings_per_day: int = whole(0, 0, 200, "per day", "how often the door is opened", "none")
    door_open_s: float = quantity(10.0, 1, 600, "s", "how long it stays open each time", INVENTED)
    door_first_hour: float = quantity(7.0, 0, 24, "h", "hour of the first opening", INVENTED)
    door_last_hour: float = quantity(22.0, 0, 24, "h", "hour of the last opening", INVENTED)
    load_hour: float = quantity(18.0, 0, 24, "h", "hour when warm things go in", INVENTED)
    load_share: float = quantity(
        0.0, 0, 1, "", "share of the contents swapped for warm each day", "none"
    )
    load_c: float = quantity(20.0, -30, 60, "C", "temperature of what goes in", INVENTED)

    def faults(self) -> list[Fault]:
        """Check that the limits enclose the target and the door hours are in order."""
        found: list[Fault] = []
        if self.contents_max_c is not None and self.contents_max_c < self.target_c:
            found.append(("contents_max_c", f"at least target_c ({self.target_c:g} C)"))
        if self.contents_min_c is not None and self.contents_min_c > self.target_c:
            found.append(("contents_min_c", f"at most target_c ({self.target_c:g} C)"))
        if self.door_last_hour < self.door_first_hour:
            expected = f"at or after door_first_hour ({self.door_first_hour:g} h)"
            found.append(("door_last_hour", expected))
        return found + self._opening_faults()

    def _opening_faults(self) -> list[Fault]:
        # Evenly spread openings must not run into each other.
        if self.door_openings_per_day < 2 or self.door_last_hour < self.door_first_hour:
            return []
        span_s = (self.door_last_hour - self.door_first_hour) * 3600.0
        apart_s = span_s / (self.door_openings_per_day - 1)
        if apart_s > self.door_open_s:
            return []
        return [("door_open_s", f"less than the {apart_s:.0f} s from one opening to the next")]


class Controller(Section):
    """The controller and its settings, as `simulate` runs them."""

    kind: Literal["recommend", "on_off", "pi", "fixed", "two_level", "cascade", "best_cop"] = (
        choice(
            "recommend", "recommend works the settings out; the others run as written", "main job"
        )
    )
    setpoint_c: float | None = quantity(
        None, -40, 60, "C", "reading of the control sensor to hold", "use.target_c"
    )
    hysteresis_k: float = quantity(1.0, 0.1, 20, "K", "on-off: from switching off to on", PRACTICE)
    min_on_s: float = quantity(180.0, 0, 3600, "s", "once on, at least this long", PRACTICE)
    min_off_s: float = quantity(180.0, 0, 3600, "s", "once off, at least this long", PRACTICE)
    kp_pct_per_k: float = quantity(
        20.0, 0.01, 1000, "%/K", "PI: duty for each kelvin too warm", PRACTICE
    )
    ti_s: float = quantity(1800.0, 1, 1e5, "s", "PI: integral time", PRACTICE)
    period_s: float = quantity(1.0, 0.1, 60, "s", "how often the controller decides anew", PRACTICE)
    duty_limit: float = quantity(1.0, 0.01, 1, "", "highest duty, 1 is full power", "no limit")
    slew_pct_per_s: float = quantity(5.0, 0.01, 100, "%/s", "fastest change of duty", PRACTICE)
    fixed_duty: float = quantity(1.0, 0, 1, "", "fixed: the duty, 1 is full power", "full power")
    idle_duty: float = quantity(
        0.2, 0, 0.99, "", "two_level: duty in place of off, below duty_limit", INVENTED
    )
    sink_floor_c: float = quantity(
        0.5, -40, 30, "C", "cascade: coldest the cold sink is asked to be", "just above ice"
    )
    sink_gain: float = quantity(
        2.0, 0.001, 1000, "", "cascade: kelvin of cold sink for each kelvin too warm", PRACTICE
    )
    sink_ti_s: float = quantity(
        1800.0, 1, 1e5, "s", "cascade: integral time of the sink's setpoint", PRACTICE
    )
    blind_duty: float = quantity(
        0.5, 0.01, 1, "", "cascade: duty while the cold-sink sensor is in fault", PRACTICE
    )
    setpoint_weight: float = quantity(
        1.0, 0, 1, "", "PI: how much of a turned setpoint acts at once", "all of it"
    )
    feed_forward_pct_per_k: float = quantity(
        0.0, 0, 100, "%/K", "PI: duty for each kelvin of the room above the setpoint", "none"
    )
    schedule_1_duty: float | None = quantity(
        None, 0, 1, "", "PI gain schedule: lowest duty", "one gain for all duties"
    )
    schedule_1_kp_pct_per_k: float | None = quantity(
        None, 0.01, 1000, "%/K", "PI gain schedule: gain there and below", "kp_pct_per_k"
    )
    schedule_2_duty: float | None = quantity(
        None, 0, 1, "", "PI gain schedule: second duty", "one gain for all duties"
    )
    schedule_2_kp_pct_per_k: float | None = quantity(
        None, 0.01, 1000, "%/K", "PI gain schedule: gain there", "kp_pct_per_k"
    )
    schedule_3_duty: float | None = quantity(
        None, 0, 1, "", "PI gain schedule: third duty", "two points"
    )
    schedule_3_kp_pct_per_k: float | None = quantity(
        None, 0.01, 1000, "%/K", "PI gain schedule: gain there and above", "two points"
    )

    @property
    def tick_s(self) -> float:
        """Length of one protection tick [s]: the period, and at most 1 s."""
        return min(self.period_s, 1.0)

    @property
    def gain_schedule(self) -> tuple[tuple[float, float], ...]:
        """Points (duty [-], gain [% per K]) of the gain schedule; empty for one gain."""
        points = (
            (self.schedule_1_duty, self.schedule_1_kp_pct_per_k),
            (self.schedule_2_duty, self.schedule_2_kp_pct_per_k),
            (self.schedule_3_duty, self.schedule_3_kp_pct_per_k),
        )
        return tuple((duty, kp) for duty, kp in points if duty is not None and kp is not None)

    def _schedule_faults(self) -> list[Fault]:
        names = ("1", "2", "3")
        given = [
            [getattr(self, f"schedule_{n}_{key}") for key in ("duty", "kp_pct_per_k")]
            for n in names
        ]
        for n, (duty, kp) in zip(names, given, strict=True):
            if (duty is None) != (kp is None):
                missing = "duty" if duty is None else "kp_pct_per_k"
                return [(f"schedule_{n}_{missing}", "a number: a point has a duty and a gain")]
        if given[0][0] is None and given[1][0] is None and given[2][0] is None:
            return []
        for n, point in zip(names[:2], given, strict=False):
            if point[0] is None:
                return [(f"schedule_{n}_duty", "a number: a schedule has points 1 and 2")]
        duties = [point[0] for point in given if point[0] is not None]
        for n, low, high in zip(names[1:], duties, duties[1:], strict=False):
            if high < low + 0.001:
                return [(f"schedule_{n}_duty", f"above the point before, {low:g}")]
        return []

    def faults(self) -> list[Fault]:
        """Check that the period is a whole number of ticks, and the slew limit a step a tick."""
        step_s = 1.0 if self.period_s > 1.0 else 0.1
        steps = self.period_s / step_s
        if abs(steps - round(steps)) > 1e-9:
            # Protection runs every tick, at most 1 s apart; the period counts ticks.
            return [("period_s", "whole seconds above 1 s, whole tenths of a second below")]
        # The firmware's duty has steps of 1/1000, at least one a tick.
        slowest = 0.1 / self.tick_s
        if self.slew_pct_per_s < slowest:
            return [("slew_pct_per_s", f"at least {slowest:g} %/s at a {self.tick_s:g} s tick")]
        if self.kind == "two_level" and self.idle_duty >= self.duty_limit:
            return [("idle_duty", f"below duty_limit ({self.duty_limit:g})")]
        return self._schedule_faults()


class Protection(Section):
    """What keeps the hot side in bounds whatever the controller asks. No safety device."""

    fold_back_start_c: float = quantity(
        55.0, 20, 100, "C", "hot sink: above this the duty is cut back", PRACTICE
    )
    fold_back_full_c: float = quantity(
        65.0, 20, 110, "C", "hot sink: here the cut is largest", PRACTICE
    )
    trip_c: float = quantity(70.0, 25, 120, "C", "hot sink: above this all stops", PRACTICE)
    hot_fan_run_on_s: float = quantity(
        180.0, 0, 3600, "s", "hot fan goes on this long after the module", PRACTICE
    )
    hot_cut_out_c: float | None = quantity(
        None, 30, 140, "C", "cut-out of its own on the hot sink, if fitted: opens here",
        "none fitted",
    )  # fmt: skip
    low_cut_out_c: float | None = quantity(
        None, -40, 40, "C", "cold thermostat of its own inside, if fitted: opens here",
        "none fitted",
    )  # fmt: skip
    series_contactor: bool = choice(
        False,
        "second switch in the module's supply wire; not driven by the exported firmware",
        "none fitted",
    )

    def faults(self) -> list[Fault]:
        """Check start < full < trip."""
        found: list[Fault] = []
        if self.fold_back_full_c <= self.fold_back_start_c:
            expected = f"above fold_back_start_c ({self.fold_back_start_c:g} C)"
            found.append(("fold_back_full_c", expected))
        if self.trip_c <= self.fold_back_full_c:
            found.append(("trip_c", f"above fold_back_full_c ({self.fold_back_full_c:g} C)"))
        return found


class Defrost(Section):
    """Stopping the module now and then so that ice melts off the cold sink."""

    kind: Literal["none", "timed", "off_cycle", "demand", "reversed"] = choice(
        "none",
        "none; by the clock; at the module's rest; when ice is felt; by the clock with current "
        "reversed",
        "none",
    )
    interval_h: float = quantity(12.0, 1, 336, "h", "from one defrost to the next", PRACTICE)
    end_c: float = quantity(3.0, 0.5, 20, "C", "cold sink: melted when this warm", PRACTICE)
    longest_min: float = quantity(40.0, 1, 240, "min", "longest melt", PRACTICE)
    drip_min: float = quantity(4.0, 0, 60, "min", "then drip this long, inside fan off", PRACTICE)
    latest_h: float | None = quantity(
        None, 1, 672, "h", "off_cycle, demand: by the clock at the latest after this",
        "twice interval_h",
    )  # fmt: skip
    grown_pct: float = quantity(
        30.0, 1, 100, "%", "demand: growth of the air-to-sink difference that starts a melt", MEMORY
    )
    reverse_pct: float = quantity(
        25.0, 1, 60, "%", "reversed: duty the other way while melting", INVENTED
    )

    def faults(self) -> list[Fault]:
        """Check that a defrost ends before the next one begins."""
        if self.kind == "reversed" and self.drip_min == 0.0:
            return [("drip_min", 'above 0 for kind = "reversed": off before it cools again')]
        if self.latest_h is not None and self.latest_h < self.interval_h:
            return [("latest_h", f"at least interval_h ({self.interval_h:g} h)")]
        if self.longest_min + self.drip_min < self.interval_h * 60.0:
            return []
        return [("interval_h", "more than longest_min and drip_min together")]


class Limits(Section):
    """What must not be exceeded; each finding is held against one of these."""

    hot_sink_max_c: float = quantity(70.0, 30, 120, "C", "hottest the hot sink may get", PRACTICE)
    foam_max_c: float = quantity(
        66.0, 40, 100, "C", "hottest the foam may get; suppliers of EPS say 66 to 75",
        "EPS suppliers' sheets: 66 C, 150 F",
    )  # fmt: skip
    module_max_c: float = quantity(
        80.0, 40, 150, "C", "hottest the module's hot face may get", MEMORY
    )
    sink_ice_blockage_pct: float = quantity(
        5.0, 0.1, 90, "%", "share of the fin gap that ice may close", INVENTED
    )
    relay_life_years: float = quantity(5.0, 0.1, 50, "year", "wanted life of the relay", INVENTED)
    relay_cycles: float = quantity(
        1e5, 1e3, 1e8, "", "switchings the relay lives at load", "relay sheets: at least 1e5"
    )


class Tariff(Section):
    """What the electricity costs, if you want it in money."""

    per_kwh: float | None = quantity(None, 0, 1000, "per kWh", "price of one kWh", "not stated")
    currency: str = words("money", "name of the money", longest=12)


class Tolerances(Section):
    """How far the cabinet built may be from the cabinet described: largest errors, either way.

    What is not here stands where the part is: `module.*_tolerance_pct`,
    `sensor.tolerance_k`, and the voltages of the supply.
    """

    contacts_pct: float = quantity(
        30.0, 0, 80, "%", "K/W of the module's two joints, each", "common practice, no source"
    )
    foam_conductivity_pct: float = quantity(
        10.0, 0, 50, "%", "heat that the foam conducts; damp and age count", PRACTICE
    )
    foam_thickness_mm: float = quantity(
        2.0, 0, 20, "mm", "thickness of every face, as cut and glued", INVENTED
    )
    sinks_pct: float = quantity(
        10.0, 0, 80, "%", "K/W of hot and cold sink, each, fan on or off", PRACTICE
    )
    leaks_pct: float = quantity(
        30.0, 0, 90, "%", "air leakage, seal, bolts and module opening together", PRACTICE
    )
    room_k: float = quantity(
        1.0, 0, 10, "K", "usual and hottest room warmer or colder than stated", INVENTED
    )
    humidity_pct: float = quantity(
        5.0, 0, 50, "%", "room's relative humidity, in points of a per cent", INVENTED
    )
    wanted_share: float = quantity(
        0.95, 0.5, 0.999, "", "share of such cabinets that shall keep every limit", "invented"
    )
