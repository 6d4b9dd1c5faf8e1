"""Tuned settings for the other laws: two-level hold, cascade, best-efficiency hold.

Each says what decided it, and what it cannot do, in the candidate's note.
"""

from dataclasses import dataclass, replace
from math import ceil, floor, log10
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ctrl.bands import narrowest_band_k
from ctrl.build import at_ambient, humidity_at
from ctrl.candidates import (
    Candidate,
    Judged,
    judged_points,
    on_off_candidate,
    pi_candidate,
    reading_delay_s,
    with_drive,
)
from ctrl.capability import (
    Coldest,
    at_duty,
    coldest_holdable,
    duty_for,
    duty_limit,
    limits_of,
    sensed_k,
)
from ctrl.config import Config
from ctrl.config_drive import FittedSensor
from ctrl.cop_table import cop_duties, saving_over_full_drive, usual_lift_k
from ctrl.firmware import Settings, reading_step_k
from ctrl.linearise import linear_plant, sampled_response
from ctrl.margins import Margins, frequency_grid, margins_of, pi_response, worst
from ctrl.tuning import NOISE_DUTY_PCT, STEP_DUTY_PCT, NoTuning, lack_of, tune_pi
from plant import sensors
from plant.cabinet import Plant
from plant.constants import ZERO_C_K

LAWS = ("on_off", "pi", "two_level", "cascade", "best_cop")
PART_LOAD = ("fast_pwm", "smoothed", "current", "slow_window")
GENTLE_BAND_K = 0.5  # least band of a law without a relay; common practice, no source
WARMS_BY_K = 2.0  # at the idle duty the reading would come to rest this far above the setpoint
HIGH_OVER_NEEDED = 1.1  # high level over what the hottest hour needs; engineering choice
OUTER_SLOWER = 4.0  # least ratio of outer to inner integral time; textbook says 3 to 10
LEAST_SAVING = 0.02


def drive_for(law: str, own: str) -> str:
    """Return the drive to run a law on: the config's own where it can, else the nearest."""
    if law == "on_off":
        return own  # whatever can be set finely can be all or nothing
    if law == "best_cop":
        return own if own in ("smoothed", "current") else "smoothed"
    return own if own in PART_LOAD else "fast_pwm"


def law_candidate(
    config: Config, base: Plant, law: str, setpoint_c: float, kind: str | None = None
) -> Candidate:
    """Return one law, tuned, on the config's own drive or on the nearest that can run it.

    Parameters
    ----------
    config : Config
    base : Plant
        The cabinet as the config has it.
    law : str
        One of `LAWS`.
    setpoint_c : float
        Reading to hold [°C].
    kind : str, optional
        Drive to run it on; by `drive_for` when left out.
    """
    kind = drive_for(law, config.drive.kind) if kind is None else kind
    fits = kind == config.drive.kind
    if law == "on_off":
        # A thermostat on a slow window needs no window: the switch alone.
        switch = "relay" if kind == "slow_window" else kind
        found = on_off_candidate(config, base, switch, setpoint_c, fits)
        return found if switch == "relay" else _gentle(config, found)
    if law == "pi":
        return pi_candidate(config, base, kind, setpoint_c, fits)
    tune = {"two_level": two_level, "cascade": cascade, "best_cop": best_cop}[law]
    return tune(config, base, kind, setpoint_c, fits)


def _gentle(config: Config, found: Candidate) -> Candidate:
    """Return a thermostat without contacts with the least band of the laws that have none."""
    if found.on_off is None:
        return found
    band_k = max(narrowest_band_k(config, GENTLE_BAND_K), found.settings.hysteresis_k)
    return replace(
        found, settings=replace(found.settings, hysteresis_k=band_k), on_off=None,
        tuned_by=f"{found.decided_by}, at least {GENTLE_BAND_K:g} K: nothing wears. "
        f"{found.on_off.least_times_words}",
    )  # fmt: skip


def _settings(config: Config, law: str, setpoint_c: float, most: float, **more: Any) -> Settings:
    part, window = config.controller, config.drive.kind == "slow_window"
    return Settings(
        controller=law,
        setpoint_c=setpoint_c,
        period_s=part.period_s,
        duty_limit=max(most, 0.01),
        slew_pct_per_s=part.slew_pct_per_s,
        window_s=config.drive.window_s if window else 0.0,
        window_min_on_s=config.drive.window_min_on_s if window else 0.0,
        **more,
    )


def _room(config: Config, plant: Plant, ambient_c: float) -> tuple[Plant, Coldest]:
    moved = at_ambient(plant, ambient_c, humidity_at(config, ambient_c))
    return moved, coldest_holdable(moved, ambient_c + ZERO_C_K, limits_of(config))


def duty_at_reading(plant: Plant, ambient_k: float, reading_k: float, most: float) -> float:
    """Return the least constant duty at which the control sensor rests at `reading_k` [-].

    0 where the room alone keeps it colder; `most` where no duty up to it suffices.
    """

    def too_warm(duty: float) -> bool:
        return sensed_k(plant, at_duty(plant, duty, ambient_k)) > reading_k

    if not too_warm(0.0):
        return 0.0
    if too_warm(most):
        return most
    low, high = 0.0, most
    while high - low > 1e-3:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if too_warm(middle) else (low, middle)
    return high


# Two levels ----------------------------------------------------------------------------


def two_level(config: Config, base: Plant, kind: str, setpoint_c: float, fits: bool) -> Candidate:
    """Return the tuned two-level hold.

    High is what the hottest hour needs and a tenth more, within the duty limit.  Idle is
    the duty at which the usual room's coolest hour would bring the reading to rest two
    kelvin above the setpoint: the cabinet warms slowly all day, and never cools on idle.
    """
    plant = with_drive(base, kind)
    limit = duty_limit(plant, config).duty
    room = config.climate
    band_k = narrowest_band_k(config, GENTLE_BAND_K)
    half_swing_k = 0.5 * room.daily_swing_k
    setpoint_k = setpoint_c + ZERO_C_K
    hot_k = room.worst_c + half_swing_k + ZERO_C_K
    hottest, coldest = _room(config, plant, room.worst_c)
    # Beyond the duty of most cooling more duty warms: no higher than that.
    most = min(limit, coldest.point.duty if coldest.decided_by == "peak cooling" else 1.0)
    needed = duty_at_reading(hottest, hot_k, setpoint_k - 0.5 * band_k, most)
    high = min(limit, max(HIGH_OVER_NEEDED * needed, 0.1))
    mild_k = room.usual_c - half_swing_k + ZERO_C_K
    idle = duty_at_reading(plant, mild_k, setpoint_k + max(WARMS_BY_K, band_k), 0.9 * high)
    settings = _settings(
        config, "two_level", setpoint_c, floor(1000.0 * high) / 1000.0,
        hysteresis_k=band_k, idle_duty=floor(100.0 * idle) / 100.0,
    )  # fmt: skip
    note = ""
    if settings.idle_duty == 0.0:
        note = "the usual room's coolest hour leaves nothing for an idle level: a plain thermostat"
    elif needed >= most - 1e-3:
        note = "the hottest hour asks for all the duty there is: the high level has no reserve"
    return Candidate(
        "two_level", kind, fits, plant, settings, note=note,
        tuned_by="high level: what the hottest hour needs and a tenth; idle level: the usual "
        "room's coolest hour still warms; band: noise and step of the reading, at least 0.5 K",
    )  # fmt: skip


# Cascade -------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class CascadePoint:
    """One operating point's sampled responses from duty to sink reading and control reading."""

    omega: NDArray
    to_sink: NDArray
    to_reading: NDArray
    period_s: float

    def outer(self, inner: tuple[float, float], gain: float, ti_s: float) -> Margins:
        """Return the margins of the outer loop round a closed inner one.

        L = Co T Gr/Gs, T = Ci Gs/(1 + Ci Gs): what the outer loop asks of the sink reaches
        the reading.
        """
        law = pi_response(*inner, self.period_s, self.omega)
        follows = law * self.to_reading / (1.0 + law * self.to_sink)
        # `pi_response` is per cent of duty; a gain of K per K is a hundred times that.
        return margins_of(
            self.omega, follows * pi_response(100.0 * gain, ti_s, self.period_s, self.omega)
        )


def watched(plant: Plant, sensor: sensors.Sensor) -> Plant:
    """Return the plant with its control sensor on the cold sink, as `sensor` is."""
    return replace(plant, control_sensor=replace(sensor, place=sensors.COLD_SINK))


def _cascade_point(judged: Judged, period_s: float, delay_s: tuple[float, float]) -> CascadePoint:
    """Return the responses at one steady state; delays of sink and control reading [s]."""
    plant = judged.plant
    by_sink = linear_plant(watched(plant, plant.cold_sensor), judged.point)
    by_reading = judged.linear
    omega = frequency_grid(by_reading, period_s, max(delay_s), 0.0)
    return CascadePoint(
        omega,
        sampled_response(by_sink, period_s, delay_s[0], omega),
        sampled_response(by_reading, period_s, delay_s[1], omega),
        period_s,
    )


def outer_gains(
    points: list[CascadePoint], inner: tuple[float, float], noise_k: float, step_k: float
) -> tuple[float, float, Margins]:
    """Return (gain [K per K], integral time [s], worst margins) of the outer loop.

    For integral times from four times the inner one upward the largest robust gain is found
    by halving and bisection in the logarithm; the largest gain over time wins: it takes a
    lasting disturbance away quickest.  The gain is capped where noise (root mean square) or
    a step of the control reading [K] would move the duty by more than `tune_pi` lets it.

    Raises
    ------
    NoTuning
        When no gain is robust on every point.
    """
    cap = min(NOISE_DUTY_PCT / max(noise_k, 1e-3), STEP_DUTY_PCT / step_k) / inner[0]
    found: tuple[float, float, Margins] | None = None
    for ti_s in np.geomspace(OUTER_SLOWER * inner[1], 40.0 * inner[1], 7):

        def margins_at(gain: float, time_s: float = float(ti_s)) -> Margins:
            return worst([point.outer(inner, gain, time_s) for point in points])

        low = 0.02
        if lack_of(margins_at(low)) is not None:
            continue
        high = cap
        if lack_of(margins_at(cap)) is None:
            low = cap
        for _ in range(0 if low == cap else 12):
            middle = float(np.sqrt(low * high))
            low, high = (middle, high) if lack_of(margins_at(middle)) is None else (low, middle)
        if found is None or low / ti_s > found[0] / found[1]:
            found = (low, float(ti_s), margins_at(low))
    if found is None:
        raise NoTuning("no outer gain is robust on every operating point")
    return found


def coldest_above_floor_c(config: Config, plant: Plant, ambient_c: float, floor_c: float) -> float:
    """Return the coldest contents with the cold sink no colder than `floor_c` [°C]."""
    moved, coldest = _room(config, plant, ambient_c)
    if coldest.point.cold_sink_k >= floor_c + ZERO_C_K:
        return coldest.contents_c
    low, high = 0.0, coldest.point.duty
    ambient_k = ambient_c + ZERO_C_K
    while high - low > 1e-3:
        middle = 0.5 * (low + high)
        cold = at_duty(moved, middle, ambient_k).cold_sink_k < floor_c + ZERO_C_K
        low, high = (low, middle) if cold else (middle, high)
    return at_duty(moved, low, ambient_k).contents_k - ZERO_C_K


def floor_note(config: Config, plant: Plant, floor_c: float) -> str:
    """Return what the floor takes from what can be held, or nothing where it takes nothing."""
    target_c, tolerance_k = config.use.target_c, config.use.target_tolerance_k
    for name, ambient_c in (("usual", config.climate.usual_c), ("worst", config.climate.worst_c)):
        held_c = coldest_above_floor_c(config, plant, ambient_c, floor_c)
        _, free = _room(config, plant, ambient_c)
        if held_c > target_c + tolerance_k and free.contents_c <= target_c + tolerance_k:
            return (
                f"a sink no colder than {floor_c:g} °C leaves the contents at {held_c:.1f} °C in "
                f"the {name} room: {target_c:g} °C is out of its reach; a larger cold sink or a "
                "lower floor with a defrost would change it"
            )
    return ""


def cascade(config: Config, base: Plant, kind: str, setpoint_c: float, fits: bool) -> Candidate:
    """Return the tuned cascade; without a sensor on the cold sink it is told, not tuned.

    Inner loop as `tune_pi` does it, on the sink's own reading; then the outer loop round it.
    """
    plant = with_drive(base, kind)
    limit = duty_limit(plant, config).duty
    floor_c = config.controller.sink_floor_c
    settings = _settings(
        config, "cascade", setpoint_c, limit, sink_floor_c=min(floor_c, setpoint_c - 1.0),
        blind_duty=max(floor_of(duty_for_worst(config, plant, setpoint_c, limit)), 0.05),
    )  # fmt: skip
    sensor = config.cold_sink_sensor
    if sensor is None:
        note = "not tuned: it needs a sensor on the cold sink ([cold_sink_sensor])"
        return Candidate("cascade", kind, False, plant, settings, note=note)
    period_s = settings.period_s
    try:
        points, fitted = judged_points(config, plant, setpoint_c, limit)
        delay_s = (_delay_of(sensor, period_s), reading_delay_s(config, period_s))
        tuning = tune_pi(
            [linear_plant(watched(item.plant, plant.cold_sensor), item.point) for item in points],
            period_s, delay_s[0],
            noise_k=sensor.noise_k, reading_lsb_k=reading_step_k(sensor),
            window_s=settings.window_s, fitted=fitted,
        )  # fmt: skip
        inner = _rounded(tuning.kp_pct_per_k, tuning.ti_s)
        window = 0.5 * settings.window_s
        delays = (delay_s[0] + window, delay_s[1] + window)
        each = [_cascade_point(item, tuning.period_s, delays) for item in points]
        gain, outer_ti_s, margins = outer_gains(
            each, inner, config.sensor.noise_k, reading_step_k(config.sensor)
        )
    except NoTuning as error:
        return Candidate("cascade", kind, False, plant, settings, note=f"not tuned: {error}")
    settings = replace(
        settings,
        kp_pct_per_k=inner[0], ti_s=inner[1], period_s=tuning.period_s,
        sink_gain=_two_digits_down(gain), sink_ti_s=float(ceil(outer_ti_s / 5.0) * 5),
    )  # fmt: skip
    return Candidate(
        "cascade", kind, fits, plant, settings, margins=margins,
        note=floor_note(config, plant, settings.sink_floor_c),
        tuned_by=f"inner loop: {tuning.decided_by}; outer loop: robust on every operating point",
    )  # fmt: skip


def duty_for_worst(config: Config, plant: Plant, setpoint_c: float, limit: float) -> float:
    """Return the duty that holds the setpoint in the worst room, at most `limit` [-]."""
    moved, coldest = _room(config, plant, config.climate.worst_c)
    ambient_k = config.climate.worst_c + ZERO_C_K
    point = duty_for(moved, ambient_k, setpoint_c + ZERO_C_K, coldest)
    return min(coldest.point.duty if point is None else point.duty, limit)


def floor_of(duty: float) -> float:
    """Return a duty rounded down to 1/100 [-]."""
    return floor(100.0 * duty + 1e-9) / 100.0


def _delay_of(sensor: FittedSensor, period_s: float) -> float:
    conversion = sensor.conversion_s if sensor.kind == "digital" else 0.0
    return 1.5 * conversion + min(period_s, 1.0)


def _two_digits_down(value: float) -> float:
    digits = 10.0 ** (floor(log10(value)) - 1)
    return round(floor(value / digits + 1e-9) * digits, 6)


def _rounded(kp_pct_per_k: float, ti_s: float) -> tuple[float, float]:
    """Return gain and time as a person would flash them, both to the slower side."""
    return _two_digits_down(kp_pct_per_k), float(ceil(ti_s / 5.0) * 5)


# Best efficiency -----------------------------------------------------------------------


def best_cop(config: Config, base: Plant, kind: str, setpoint_c: float, fits: bool) -> Candidate:
    """Return the tuned best-efficiency hold: PI's own gains above the band, the table below."""
    tuned = pi_candidate(config, base, kind, setpoint_c, fits)
    plant, target_c = tuned.plant, config.use.target_c
    settings = replace(
        tuned.settings, controller="best_cop", hysteresis_k=narrowest_band_k(config, GENTLE_BAND_K),
        cop_duties=cop_duties(plant, target_c), assumed_lift_k=usual_lift_k(plant, target_c),
    )  # fmt: skip
    if tuned.pi is None:
        return replace(tuned, controller="best_cop", settings=settings, fits=False)
    return Candidate(
        "best_cop", kind, fits, plant, settings, margins=tuned.margins,
        note=best_cop_note(config, plant, settings),
        tuned_by="table: least energy for a joule moved, heat that comes back while off counted; "
        "gains above the band: those of PI",
    )  # fmt: skip


def best_cop_note(config: Config, plant: Plant, settings: Settings) -> str:
    """Return what this law cannot gain here, or nothing."""
    target_c = config.use.target_c
    if saving_over_full_drive(plant, target_c) < LEAST_SAVING:
        return "on this drive every duty is as efficient: nothing to gain over a thermostat"
    lift_k = settings.assumed_lift_k
    best = float(np.interp(lift_k, np.arange(len(settings.cop_duties)) * 10.0, settings.cop_duties))
    ambient_c = config.climate.usual_c
    moved, coldest = _room(config, plant, ambient_c)
    point = duty_for(moved, ambient_c + ZERO_C_K, target_c + ZERO_C_K, coldest)
    if point is not None and point.duty > best:
        return (
            f"the usual room needs duty {point.duty:.2f} all day, above the cheapest, {best:.2f}: "
            "it runs as PI does, and PI is simpler"
        )
    return ""
