"""Tuned settings for each controller and drive that could be flashed on this cabinet."""

from dataclasses import dataclass, replace
from math import ceil, floor, inf, log10

from ctrl.build import at_ambient, humidity_at, with_supply_v
from ctrl.capability import (
    Coldest,
    at_duty,
    coldest_holdable,
    duty_for,
    duty_limit,
    fans_at,
    limits_of,
    sensed_k,
)
from ctrl.cases import contents_min_c
from ctrl.config import Config
from ctrl.firmware import Settings, reading_step_k
from ctrl.fold_back import relay_words
from ctrl.linear_points import gain_at
from ctrl.linearise import LinearPlant, linear_plant, steady_gain_k_per_duty
from ctrl.margins import Margins, control_margins, margins, worst
from ctrl.pi_search import search_pi, settings_from, tuning_with
from ctrl.regulation import Regulation, door_recovery
from ctrl.tolerance_draws import least_voltage_v
from ctrl.tuning import NoTuning, OnOffTuning, PITuning, name_of, tune_on_off, tune_pi
from plant import cabinet, drive
from plant.cabinet import Plant
from plant.constants import ZERO_C_K
from plant.steady import NoSteadyState, Operating, operating_point

# A smoothing converter as one would add it; common practice, no source.
ADDED_CONVERTER_EFFICIENCY, ADDED_RIPPLE = 0.92, 0.05
WIDEST_SWING_K = 6.0  # common practice, no source
SWING_OVER_TOLERANCE = 4.5
HELD_K = 0.5
HARDLY_DRIVEN = 0.05  # of the largest duty
LEAST_DUTY = 0.01  # the gain of a smoothed current is highest towards no duty; it is met on the way
FROST_KG_PER_M3 = 200.0  # young frost, 100 to 300 (from memory)


@dataclass(frozen=True)
class Candidate:
    """One controller on one drive, tuned.

    `fits` tells whether the config's own drive can run it; `margins` are the worst over all
    operating points, by python-control, of the gains as rounded; `note` says what the tuning
    fell back to, if it did.  `regulation` is a door opening where the gain is lowest;
    `tuned_at` names the operating points, `tightest_at` the one of the largest Ms; `hot_side` says
    where a relay is switched by its fold-back, if it is.
    """

    controller: str
    drive: str
    fits: bool
    plant: Plant
    settings: Settings
    pi: PITuning | None = None
    on_off: OnOffTuning | None = None
    margins: Margins | None = None
    note: str = ""
    tuned_by: str = ""
    regulation: Regulation | None = None
    tuned_at: tuple[str, ...] = ()
    tightest_at: str = ""
    hot_side: str = ""

    @property
    def decided_by(self) -> str:
        """What set the gains or the band; empty where nothing was tuned."""
        tuning = self.pi or self.on_off
        return self.tuned_by if tuning is None else tuning.decided_by


def with_drive(plant: Plant, kind: str) -> Plant:
    """Return the plant with another drive on the same supply and wire."""
    if drive.DRIVE_KINDS[kind] == plant.drive.kind:
        return plant
    converts = kind == "smoothed"
    return replace(
        plant,
        drive=replace(
            plant.drive,
            kind=drive.DRIVE_KINDS[kind],
            converter_efficiency=ADDED_CONVERTER_EFFICIENCY if converts else 1.0,
            ripple=ADDED_RIPPLE if converts else 0.0,
            converter_fixed_w=0.0,
            converter_loss_per_w=0.0,
        ),
    )


def setpoint_for(config: Config, plant: Plant, coldest: Coldest) -> float:
    """Return the sensor reading [°C] to tune a controller at: the contents mean the target.

    The offset between the sensor's place and the contents comes from the steady state;
    a target that cannot be held is replaced by the coldest holdable plus half a kelvin,
    so that the controller still controls.  What is flashed then says `ctrl.aim`.
    """
    wanted_k = config.use.target_c + ZERO_C_K
    if coldest.point.contents_k > wanted_k - HELD_K:
        wanted_k = max(wanted_k, coldest.point.contents_k + HELD_K)
    point = duty_for(plant, plant.climate.mean_k, wanted_k, coldest) or coldest.point
    offset_k = sensed_k(plant, point) - point.contents_k
    return round(wanted_k + offset_k - ZERO_C_K, 1)


def tuning_points(
    config: Config, plant: Plant, setpoint_c: float, most_duty: float
) -> list[Operating]:
    """Return steady points that span what the controller will meet.

    The duty that holds the setpoint at each ambient, a low duty, and the duty limit on the
    hottest day; the coldest room, and the coldest sink of all of these under as much frost as
    is allowed.  `hardly_driven` are points of higher gain still.
    """
    points = []
    wanted_k = setpoint_c + ZERO_C_K
    for ambient_c in (config.climate.usual_c, config.climate.worst_c):
        moved = at_ambient(plant, ambient_c, humidity_at(config, ambient_c))
        ambient_k = ambient_c + ZERO_C_K
        coldest = coldest_holdable(moved, ambient_k, limits_of(config))
        holding = duty_for(moved, ambient_k, wanted_k, coldest)
        most = min(most_duty, coldest.point.duty)
        duties = {0.25 * most, 0.9 * most}
        if holding is not None and 0.02 < holding.duty <= most:
            duties.add(holding.duty)
        points += [at_duty(moved, duty, ambient_k) for duty in sorted(duties)]
    points.append(_in_coldest_room(config, plant, wanted_k, most_duty))
    iced = min(points, key=lambda point: point.cold_sink_k)
    frosted = frosted_point(plant, iced, config.limits.sink_ice_blockage_pct)
    return points if frosted is None else [*points, frosted]


def hardly_driven(config: Config, plant: Plant) -> list[Operating]:
    """Return the points of `LEAST_DUTY` in the coldest, the usual and the worst room.

    They bound the gains for stability; no rule is fitted there, as the loop passes by only.
    """
    rooms = config.climate
    return [
        at_duty(
            at_ambient(plant, room_c, humidity_at(config, room_c)), LEAST_DUTY, room_c + ZERO_C_K
        )
        for room_c in sorted({rooms.coldest_c, rooms.usual_c, rooms.worst_c})
    ]


@dataclass(frozen=True, eq=False)
class Judged:
    """A steady point that the loop is judged at, on the voltage it is met on, and its slopes."""

    plant: Plant
    point: Operating
    linear: LinearPlant

    @staticmethod
    def at(plant: Plant, point: Operating) -> "Judged":
        """Return a point of a plant with its slopes."""
        return Judged(plant, point, linear_plant(plant, point))

    @property
    def cools(self) -> bool:
        """Whether more duty cools there in the end."""
        return steady_gain_k_per_duty(self.linear) > 0.0


def judged_points(
    config: Config, plant: Plant, setpoint_c: float, most_duty: float
) -> tuple[list[Judged], int]:
    """Return (points a loop is judged at, how many of the first a rule may be fitted on).

    Those of the usual voltage are fitted.  A smoothed current's gain goes nearly with the
    voltage squared: stability is judged at the highest too, regulation at the lowest that the
    module runs at too.  Where more duty warms at another voltage than the usual (free convection
    in the first hundredths of duty, or beyond the peak) the loop only passes through: left out.
    """
    supply, least_v = config.supply, least_voltage_v(config, plant)
    here = tuning_points(config, plant, setpoint_c, most_duty)
    found = [Judged.at(plant, point) for point in [*here, *hardly_driven(config, plant)]]
    others = []
    if supply.highest_voltage_v > supply.voltage_v:
        high = with_supply_v(plant, supply.highest_voltage_v)
        points = tuning_points(config, high, setpoint_c, most_duty) + hardly_driven(config, high)
        others += [Judged.at(high, point) for point in points]
    if least_v < supply.voltage_v:
        low = with_supply_v(plant, least_v)
        points = tuning_points(config, low, setpoint_c, most_duty)
        others += [Judged.at(low, point) for point in points]
    return found + [item for item in others if item.cools], len(here)


def _in_coldest_room(config: Config, plant: Plant, wanted_k: float, most_duty: float) -> Operating:
    """Return the point that holds `wanted_k` in the coldest room, or one hardly driven there.

    A room colder than the setpoint asks for no drive in the end, but warm goods do at first.
    """
    room_c = config.climate.coldest_c
    moved = at_ambient(plant, room_c, humidity_at(config, room_c))
    ambient_k = room_c + ZERO_C_K
    coldest = coldest_holdable(moved, ambient_k, limits_of(config))
    holding = duty_for(moved, ambient_k, wanted_k, coldest)
    most = min(most_duty, coldest.point.duty)
    if holding is not None and HARDLY_DRIVEN * most < holding.duty <= most:
        return holding
    return at_duty(moved, HARDLY_DRIVEN * most, ambient_k)


def frosted_point(plant: Plant, point: Operating, blockage_pct: float) -> Operating | None:
    """Return a steady point again with the fin gaps closed by frost, or None where none forms.

    Mass by the layer's thickness and `FROST_KG_PER_M3`; its own weight of ice delays the sink.
    """
    if point.cold_sink_k >= ZERO_C_K:
        return None
    sink = plant.cold_sink
    volume_m3 = 0.5 * 0.01 * blockage_pct * sink.fin_gap_m * sink.fin_area_m2
    record, state = cabinet.to_record(plant), point.state.copy()
    state[cabinet.FROST], state[cabinet.FROST_VOLUME] = FROST_KG_PER_M3 * volume_m3, volume_m3
    cabinet.set_cold_sink(record, state, point.cold_sink_k)
    hot_fan, cold_fan = fans_at(plant, point.duty)
    ratio = float(point.inputs[cabinet.AMBIENT_W])
    air = replace(plant, climate=replace(plant.climate, humidity_ratio=ratio))
    try:
        found = operating_point(air, point.duty, point.ambient_k, hot_fan, cold_fan, start=state)
    except NoSteadyState:
        return None
    return found if found.cold_sink_k < ZERO_C_K else None


def _narrowest(plants: list[LinearPlant], setting: tuple[float, float, float, float]) -> list[int]:
    """Return the plants at which one of the margins is least, by our own: few, as each costs."""
    own = [margins(item, *setting) for item in plants]
    several = range(len(own))
    return sorted({
        min(several, key=lambda i: own[i].gain_margin),
        min(several, key=lambda i: own[i].phase_margin_deg),
        min(several, key=lambda i: own[i].delay_margin_s),
        max(several, key=lambda i: own[i].ms),
    })  # fmt: skip


def _least_gain_held(plants: list[LinearPlant], gains_k: tuple[float, ...], held_c: float) -> int:
    """Return the plant of least gain among those no colder than the setpoint [°C], or of all.

    Colder ones bound the gains for stability; the loop does not stay there to be disturbed.
    """
    warm = [i for i, item in enumerate(plants) if item.reading_k - ZERO_C_K > held_c - HELD_K]
    return min(warm or range(len(plants)), key=lambda i: gains_k[i])


def reading_delay_s(config: Config, period_s: float) -> float:
    """Return the age of a reading when it acts [s]: half as much again as its conversion."""
    conversion = config.sensor.conversion_s if config.sensor.kind == "digital" else 0.0
    return 1.5 * conversion + min(period_s, 1.0)


def control_period_s(config: Config, kind: str) -> float:
    """Return how often a PI controller on a drive decides, before tuning [s].

    A window takes a new duty once: deciding more often than 60 times in it gains nothing.
    """
    window_s = config.drive.window_s if kind == "slow_window" else 0.0
    return max(config.controller.period_s, float(min(floor(window_s / 60.0), 60)))


def pi_candidate(
    config: Config, base: Plant, kind: str, setpoint_c: float, fits: bool
) -> Candidate:
    """Return the tuned PI controller on a fast-pulsed, smoothed or regulated drive."""
    plant = with_drive(base, kind)
    most = duty_limit(plant, config)
    part = config.controller
    window_s = config.drive.window_s if kind == "slow_window" else 0.0
    period_s = control_period_s(config, kind)
    settings = Settings(
        controller="pi",
        setpoint_c=setpoint_c,
        period_s=period_s,
        duty_limit=max(most.duty, 0.01),
        slew_pct_per_s=part.slew_pct_per_s,
        kp_pct_per_k=part.kp_pct_per_k,
        ti_s=part.ti_s,
        window_s=window_s,
        window_min_on_s=config.drive.window_min_on_s if kind == "slow_window" else 0.0,
    )
    points, fitted = judged_points(config, plant, setpoint_c, most.duty)
    plants = [item.linear for item in points]
    delay_s = reading_delay_s(config, period_s)
    try:
        tuning = tune_pi(
            plants,
            period_s,
            delay_s,
            noise_k=config.sensor.noise_k,
            reading_lsb_k=reading_step_k(config.sensor),
            window_s=settings.window_s,
            fitted=fitted,
        )
    except NoTuning as error:
        return Candidate("pi", kind, fits, plant, settings, note=f"not tuned: {error}")
    # Two digits a person would flash; both roundings are to the slower side.
    digits = 10.0 ** (floor(log10(tuning.kp_pct_per_k)) - 1)
    settings = replace(
        settings,
        kp_pct_per_k=round(floor(tuning.kp_pct_per_k / digits) * digits, 6),
        ti_s=float(ceil(tuning.ti_s / 5.0) * 5),
        period_s=tuning.period_s,
    )
    total_s = delay_s + 0.5 * settings.window_s
    search = search_pi(config, plant, settings, tuning, plants, total_s) if fits else None
    if search is not None:
        settings, tuning = settings_from(search, settings), tuning_with(search, tuning)
    rounded = (settings.kp_pct_per_k, settings.ti_s, settings.period_s, total_s)
    gains = [gain_at(x.duty, settings.kp_pct_per_k, settings.gain_schedule) for x in plants]
    shown = list(range(len(plants))) if settings.gain_schedule else _narrowest(plants, rounded)
    each = [control_margins(plants[i], gains[i], *rounded[1:]) for i in shown]
    tightest = max(range(len(shown)), key=lambda k: each[k].ms)
    tuning = replace(tuning, lowest=_least_gain_held(plants, tuning.gains_k, setpoint_c))
    least = points[tuning.lowest]
    ratio = float(least.point.inputs[cabinet.AMBIENT_W])
    return Candidate(
        "pi", kind, fits, plant, settings, pi=tuning, margins=worst(each),
        regulation=door_recovery(config, least.plant, settings, least.point, ratio),
        tuned_at=tuple(name_of(item) for item in plants),
        tightest_at=name_of(plants[shown[tightest]]),
    )  # fmt: skip


def most_air_swing_k(config: Config, plant: Plant, setpoint_c: float) -> float:
    """Return the largest swing of the air worth having [K].

    The contents hardly feel the air's swing; what counts is that the air stays above what
    the contents may come to, and below the wide swing at which it means little as a reading.
    """
    coldest = contents_min_c(config, plant)
    # At a run share far from a half the mean leaves the middle of a wide band.
    widest_k = min(WIDEST_SWING_K, SWING_OVER_TOLERANCE * config.use.target_tolerance_k)
    if coldest is None:
        return widest_k
    return min(max(2.0 * (setpoint_c - coldest), 1.0), widest_k)


def stated_least_times_s(config: Config) -> tuple[float | None, float | None]:
    """Return the least times on and off that the config states [s]; None where it leaves one out.

    A default is not a statement: only what somebody wrote is a limit of a part.
    """
    part = config.controller
    on_s = part.min_on_s if "min_on_s" in part.model_fields_set else None
    return on_s, part.min_off_s if "min_off_s" in part.model_fields_set else None


def flashed_least_time_s(tuning: OnOffTuning, which: int) -> float:
    """Return the least time on (0) or off (1) as flashed [s].

    What is worked out is rounded down to 5 s, what is stated stands.
    """
    return max(float(floor(tuning.worked_out_s[which] / 5.0) * 5), tuning.stated_s[which] or 0.0)


def on_off_candidate(
    config: Config, base: Plant, kind: str, setpoint_c: float, fits: bool
) -> Candidate:
    """Return the tuned thermostat on a relay, or on the config's own switch."""
    plant = with_drive(base, kind)
    part, relay = config.controller, kind == "relay"
    hot_side = relay_words(config, plant) if relay else ""
    most = 1.0 if relay else duty_limit(plant, config).duty
    settings = Settings(
        controller="on_off",
        setpoint_c=setpoint_c,
        hysteresis_k=part.hysteresis_k,
        min_on_s=part.min_on_s,
        min_off_s=part.min_off_s,
        duty_limit=max(most, 0.01),
    )
    try:
        tuning = tune_on_off(
            plant,
            setpoint_c + ZERO_C_K,
            config.climate.usual_c + ZERO_C_K,
            life_years=config.limits.relay_life_years,
            life_cycles=config.limits.relay_cycles if relay and config.drive.contacts else inf,
            max_air_swing_k=most_air_swing_k(config, plant, setpoint_c),
            noise_k=config.sensor.noise_k,
            reading_lsb_k=reading_step_k(config.sensor),
            delay_s=reading_delay_s(config, 1.0),
            on_duty=settings.duty_limit,
            stated_s=stated_least_times_s(config),
        )
    except NoTuning as error:
        return Candidate("on_off", kind, fits, plant, settings, note=f"not tuned: {error}",
                         hot_side=hot_side)  # fmt: skip
    settings = replace(
        settings,
        hysteresis_k=round(tuning.hysteresis_k, 1),
        min_on_s=flashed_least_time_s(tuning, 0),
        min_off_s=flashed_least_time_s(tuning, 1),
    )
    return Candidate("on_off", kind, fits, plant, settings, on_off=tuning, hot_side=hot_side)


def candidates_of(config: Config, plant: Plant, setpoint_c: float) -> list[Candidate]:
    """Return every candidate, the one for the config's own drive first.

    PI on the config's own drive where it can be set finely, on-off on a relay; the others
    show what another drive would cost or save.
    """
    own = config.drive.kind
    found = [] if own == "relay" else [pi_candidate(config, plant, own, setpoint_c, True)]
    fits = own in ("relay", "slow_window")
    found.append(on_off_candidate(config, plant, "relay", setpoint_c, fits))
    for kind in ("fast_pwm", "smoothed"):
        if kind != own:
            found.append(pi_candidate(config, plant, kind, setpoint_c, False))
    return found
