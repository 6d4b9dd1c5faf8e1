"""What the cabinet can do at all: coldest holdable, duty needed, duty limit.

Steady states of a mean day (doors and loads spread over 24 h); simulation confirms them
later.  Colder needs more duty only up to a point: beyond it the module's own heat, or
the hot sink it warms, wins.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy.optimize import brentq, minimize_scalar

from ctrl.build import at_ambient, humidity_at, start_resistance_ohm, with_supply_v
from ctrl.config import Config
from plant import drive, heat_sinks, sensors
from plant.cabinet import Plant, to_record
from plant.constants import ZERO_C_K
from plant.steady import NoSteadyState, Operating, operating_point

LEAST_DUTY = 0.02
DUTY_RESOLUTION = 1e-3  # the firmware's own step
# A duty limit stands this far below a reversal of the gain, so that a hotter sink or a
# stronger module than assumed does not reach it. Engineering choice; common practice
# recommends 70 to 90 % of the peak.
PEAK_MARGIN = 0.9
# Names of a cooler room's peak among the candidates of the duty limit.
ROOM_PEAKS = {
    "usual": "peak cooling in the usual room",
    "coldest": "peak cooling in the coldest room",
}


@dataclass(frozen=True)
class Limits:
    """Temperatures that must not be exceeded [K].

    `folded_mean_k` is the mean hot sink of a relay that is switched by its fold-back; None
    where nothing is switched so.
    """

    hot_sink_k: float
    foam_k: float
    hot_face_k: float
    folded_mean_k: float | None = None

    @property
    def at_part_load(self) -> "Limits":
        """Those of a drive that full power would take past the hot sink's limit."""
        if self.folded_mean_k is None:
            return self
        return replace(self, hot_sink_k=min(self.hot_sink_k, self.folded_mean_k))

    def exceeded(self, point: Operating) -> str | None:
        """Return the name of the limit that `point` exceeds most, or None."""
        excess = {
            "hot sink": point.hot_sink_k - self.hot_sink_k,
            "foam": point.foam_k - self.foam_k,
            "module hot face": point.hot_face_k - self.hot_face_k,
        }
        worst = max(excess, key=lambda name: excess[name])
        return worst if excess[worst] > 0.0 else None


def limits_of(config: Config) -> Limits:
    """Return the temperature limits; the hot sink's is where the firmware starts to cut back.

    Without a sensor on the hot sink nothing cuts back, and the stated limit alone counts.  A
    relay is switched off where a finer drive is cut back in full, and on again below where that
    begins: full power may take its hot sink up to the one, but once folded back it goes to and
    fro between the two.
    """
    part, protection = config.limits, config.protection
    hot_sink_c, folded_k = part.hot_sink_max_c, None
    if config.hot_sink_sensor is not None:
        start_c, full_c = protection.fold_back_start_c, protection.fold_back_full_c
        relay = config.drive.kind == "relay"
        hot_sink_c = min(hot_sink_c, full_c if relay else start_c)
        folded_k = 0.5 * (start_c + full_c) + ZERO_C_K if relay else None
    return Limits(
        hot_sink_c + ZERO_C_K, part.foam_max_c + ZERO_C_K, part.module_max_c + ZERO_C_K, folded_k
    )


def fans_at(plant: Plant, duty: float) -> tuple[float, float]:
    """Return how much of the time hot and cold fan turn at a steady duty [-].

    A fan wired with a relay-switched module turns for the relay's share of the time; on
    fast pulses or smoothed current it turns whenever the module runs at all.
    """
    with_module = duty if plant.drive.kind == drive.RELAY else float(duty > 0.0)
    turns = {heat_sinks.WITH_MODULE: with_module, heat_sinks.STOPPED: 0.0}
    hot, cold = (
        turns.get(wiring, 1.0) for wiring in (plant.hot_sink.fan_wiring, plant.cold_sink.fan_wiring)
    )
    return hot, cold


def at_duty(plant: Plant, duty: float, ambient_k: float) -> Operating:
    """Return the steady state at a duty, with the fans as they are wired.

    Raises
    ------
    NoSteadyState
        When the hot side runs away.
    """
    hot_fan, cold_fan = fans_at(plant, duty)
    return operating_point(plant, duty, ambient_k, hot_fan, cold_fan)


def within(plant: Plant, duty: float, ambient_k: float, limits: Limits) -> str | None:
    """Return what forbids a duty in the steady state: a limit's name, or None."""
    try:
        return limits.exceeded(at_duty(plant, duty, ambient_k))
    except NoSteadyState:
        return "hot sink"


def largest_duty(plant: Plant, ambient_k: float, limits: Limits) -> tuple[float, str | None]:
    """Return the largest duty that keeps the temperature limits, and the limit that stops it.

    The hot side warms with duty without exception, so a bisection finds it.
    """
    decided = within(plant, 1.0, ambient_k, limits)
    if decided is None:
        return 1.0, None
    limits = limits.at_part_load
    low, high = 0.0, 1.0
    while high - low > DUTY_RESOLUTION:
        middle = 0.5 * (low + high)
        forbidden = within(plant, middle, ambient_k, limits)
        if forbidden is None:
            low = middle
        else:
            high, decided = middle, forbidden
    return low, decided


@dataclass(frozen=True)
class Coldest:
    """The coldest contents that can be held at an ambient, and what decides it."""

    point: Operating
    decided_by: str

    @property
    def contents_c(self) -> float:
        """Contents' temperature [°C]."""
        return self.point.contents_k - ZERO_C_K


def coldest_holdable(
    plant: Plant, ambient_k: float, limits: Limits, most_duty: float = 1.0
) -> Coldest:
    """Return the coldest steady state within the limits, duty optimised up to `most_duty`.

    A scan finds the valley, a bounded search its floor: a smoothed drive has its best
    duty below 1 when the hot sink is poor.
    """
    most, stopped_by = largest_duty(plant, ambient_k, limits)
    if most_duty < most:
        most, stopped_by = most_duty, "the duty limit"
    if most <= LEAST_DUTY:
        return Coldest(at_duty(plant, 0.0, ambient_k), stopped_by or "hot sink")
    saturated = _saturation_duty(plant, ambient_k, most)
    if saturated is not None:
        most, stopped_by = saturated, "supply voltage"
    duties = np.linspace(LEAST_DUTY, most, 9)
    contents = [at_duty(plant, duty, ambient_k).contents_k for duty in duties]
    best = int(np.argmin(contents))
    if best == len(duties) - 1:
        # Still falling at the end unless the last step hides a turn.
        before = at_duty(plant, most - 0.02 * most, ambient_k).contents_k
        if before >= contents[-1]:
            return Coldest(at_duty(plant, most, ambient_k), stopped_by or "full drive")
    bounds = (float(duties[max(best - 1, 0)]), float(duties[min(best + 1, len(duties) - 1)]))
    found = minimize_scalar(
        lambda duty: at_duty(plant, duty, ambient_k).contents_k,
        bounds=bounds,
        method="bounded",
        options={"xatol": DUTY_RESOLUTION},
    )
    return Coldest(at_duty(plant, float(found.x), ambient_k), "peak cooling")


def _saturation_duty(plant: Plant, ambient_k: float, most: float) -> float | None:
    """Return the duty beyond which a regulated current rises no more, or None.

    There the supply's voltage is used up: more duty does nothing.
    """
    if plant.drive.kind != drive.CURRENT:
        return None
    most_a = at_duty(plant, most, ambient_k).mean_current_a

    def lacks_a(duty: float) -> float:
        return most_a - at_duty(plant, duty, ambient_k).mean_current_a

    if lacks_a(0.98 * most) > 1e-3 * most_a:
        return None
    low, high = LEAST_DUTY, most
    while high - low > DUTY_RESOLUTION:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if lacks_a(middle) > 1e-3 * most_a else (low, middle)
    return high


def duty_for(
    plant: Plant, ambient_k: float, contents_k: float, coldest: Coldest
) -> Operating | None:
    """Return the steady state that holds the contents at `contents_k`, or None if none does.

    Between no drive and the coldest point the contents fall with duty; at no drive the
    returned point may be colder than asked for (a cold room).
    """
    if coldest.point.contents_k > contents_k:
        return None
    idle = at_duty(plant, 0.0, ambient_k)
    if idle.contents_k <= contents_k:
        return idle
    low, high = 0.0, coldest.point.duty
    while high - low > 0.1 * DUTY_RESOLUTION:
        middle = 0.5 * (low + high)
        if at_duty(plant, middle, ambient_k).contents_k > contents_k:
            low = middle
        else:
            high = middle
    return at_duty(plant, high, ambient_k)


def sensed_k(plant: Plant, point: Operating) -> float:
    """Return what the control sensor's place stands at [K]."""
    place = plant.control_sensor.place
    if place == sensors.COLD_SINK:
        return point.cold_sink_k
    if place == sensors.CONTENTS:
        return point.contents_k
    return point.air_k


@dataclass(frozen=True)
class DutyLimit:
    """The duty not to exceed, what decides it, and every candidate [-].

    `risk` says which reversal of the gain is nearer than `PEAK_MARGIN` asks, and why; empty
    where none is.
    """

    duty: float
    decided_by: str
    candidates: dict[str, float]
    risk: str = ""

    @property
    def when(self) -> str:
        """In which conditions it was worked out, in words."""
        if self.decided_by in ROOM_PEAKS.values():
            return "so that no room is driven past its peak"
        return "on the hottest day at the highest voltage"


def duty_limit(plant: Plant, config: Config) -> DutyLimit:
    """Return the static duty limit: hottest day, highest supply voltage.

    Candidates are peak cooling (with a margin below the reversal), the temperature
    limits of the hot side, and the currents of supply and wire.  Fast pulses and relays
    always draw their full on-current, so duty does not help supply or fuse there: only
    the wire's heating (root mean square) counts.

    In a cooler room the gain reverses at less duty.  Its peak counts with the same margin,
    unless that costs the worst room its target (`_cooler_peaks`): `risk` says so.
    """
    ambient_k = config.climate.worst_c + ZERO_C_K + 0.5 * config.climate.daily_swing_k
    # The same air whatever room the plant was moved to before: one limit is flashed.
    worst_c = config.climate.worst_c
    hot = at_ambient(plant, worst_c, humidity_at(config, worst_c))
    high = with_supply_v(hot, config.supply.highest_voltage_v)
    candidates = {"full drive": 1.0}
    limits = limits_of(config)
    largest, decided = largest_duty(high, ambient_k, limits)
    if decided is not None:
        candidates[decided] = largest
    coldest = coldest_holdable(high, ambient_k, limits)
    if coldest.decided_by == "peak cooling":
        candidates["peak cooling"] = PEAK_MARGIN * coldest.point.duty
    elif coldest.decided_by == "supply voltage":
        candidates["supply voltage"] = coldest.point.duty
    candidates.update(_current_candidates(high, config, ambient_k))
    peaks, risk = _cooler_peaks(plant, hot, config, min(candidates.values()))
    candidates.update(peaks)
    name = min(candidates, key=lambda key: candidates[key])
    floored = np.floor(candidates[name] / DUTY_RESOLUTION + 1e-9) * DUTY_RESOLUTION
    return DutyLimit(round(float(max(floored, 0.0)), 3), name, candidates, risk)


def _cooler_peaks(
    plant: Plant, hot: Plant, config: Config, most: float
) -> tuple[dict[str, float], str]:
    """Return peak cooling of the cooler rooms with its margin, and what is risked, in words.

    `most` is the limit that all else asks for.  The margin counts at the highest voltage if
    the worst room then holds the target at the lowest; else at the usual one, if it then holds
    at that.
    """
    room, supply = config.climate, config.supply
    found, risks = {}, []
    for name, ambient_c in (("usual", room.usual_c), ("coldest", room.coldest_c)):
        moved = at_ambient(plant, ambient_c, humidity_at(config, ambient_c))
        peak = _peak_duty(moved, config, ambient_c, supply.highest_voltage_v)
        if peak is None:
            continue
        kept = PEAK_MARGIN * peak
        if kept >= most or _is_held(hot, config, kept, supply.lowest_voltage_v):
            found[ROOM_PEAKS[name]] = kept
            continue
        kept = PEAK_MARGIN * (_peak_duty(moved, config, ambient_c, supply.voltage_v) or 1.0)
        if kept < most and _is_held(hot, config, kept, supply.voltage_v):
            found[ROOM_PEAKS[name]] = kept
        risks.append(f"{100.0 * peak:.0f} % in the {name} room")
    if not risks:
        return found, ""
    return found, (
        f"at the highest voltage more duty than {' and than '.join(risks)} only warms; a limit "
        f"{100.0 * (1.0 - PEAK_MARGIN):.0f} % below would take cooling that the worst room "
        "needs at the lowest voltage"
    )


def _peak_duty(moved: Plant, config: Config, ambient_c: float, supply_v: float) -> float | None:
    """Return the duty of peak cooling in a room [-], or None where full drive cools most."""
    found = coldest_holdable(
        with_supply_v(moved, supply_v), ambient_c + ZERO_C_K, limits_of(config)
    )
    return found.point.duty if found.decided_by == "peak cooling" else None


def _is_held(hot: Plant, config: Config, most: float, supply_v: float) -> bool:
    """Tell whether a limit still holds the target on a worst day at a supply voltage."""
    there = with_supply_v(hot, supply_v)
    held = coldest_holdable(there, config.climate.worst_c + ZERO_C_K, limits_of(config), most)
    return held.contents_c <= config.use.target_c


def flashed_duty(config: Config, plant: Plant) -> float:
    """Return the duty limit as it is flashed [-]; a relay has none."""
    return 1.0 if config.drive.kind == "relay" else duty_limit(plant, config).duty


def flashed_coldest(config: Config, plant: Plant, ambient_k: float) -> Coldest:
    """Return the coldest holdable with the duty limit as it is flashed."""
    most = flashed_duty(config, plant)
    return coldest_holdable(plant, ambient_k, limits_of(config), most)


def _current_candidates(plant: Plant, config: Config, ambient_k: float) -> dict[str, float]:
    """Return the duties at which wire and supply reach their currents, at no difference."""
    at = StartCurrents.of(config, plant, plant.drive.supply_v)
    wires = duty_within(at.wire_a, drive.wire_ampacity_a(config.supply.wire_mm2))
    found = {} if plant.drive.kind == drive.RELAY or wires == 1.0 else {"wire": wires}
    # Pulses and relays ask their peak of the supply at every duty.
    if plant.drive.kind not in (drive.RELAY, drive.FAST_PWM):
        supplies = duty_within(at.supply_a, plant.drive.current_limit_a)
        if supplies < 1.0:
            found["supply"] = supplies
    return found


@dataclass(frozen=True)
class StartCurrents:
    """Currents of a cold start, over duty: no difference across the module, fans on.

    There they are the highest: nothing opposes the supply's voltage, and the module's
    resistance is the least.
    """

    part: Any
    module_ohm: float
    rise_v: float
    fans_w: float

    @staticmethod
    def of(config: Config, plant: Plant, supply_v: float) -> "StartCurrents":
        """Return those of a plant on a supply voltage [V]."""
        return StartCurrents(
            to_record(plant).drive,
            start_resistance_ohm(config, plant),
            supply_v - plant.drive.supply_v,
            plant.hot_sink.fan_w + plant.cold_sink.fan_w,
        )

    @property
    def _fans_a(self) -> float:
        return self.fans_w / float(self.part.supply_v + self.rise_v)

    def module_a(self, duty: float) -> float:
        """Return the module's current [A], of pulses the root mean square: what heats a wire.

        A supply that cuts out lets the first instant through.
        """
        holds = self.part.protection == drive.CONSTANT_CURRENT
        _, square, _ = drive.currents_within(
            self.part, 0.0, self.module_ohm, duty, 0.0, self.rise_v, 0.0,
            self.part.current_limit_a if holds else drive.NO_LIMIT_A,
        )  # fmt: skip
        return float(np.sqrt(square))

    def wire_a(self, duty: float) -> float:
        """Return the current in wire and fuse [A]: module and fans."""
        return self.module_a(duty) + self._fans_a

    def supply_a(self, duty: float) -> float:
        """Return what is asked of the supply [A], were it to give whatever is asked."""
        return float(
            drive.wanted_supply_a(
                self.part, 0.0, self.module_ohm, duty, 0.0, self.rise_v, self.fans_w
            )
        )


def duty_within(current_a: Callable[[float], float], most_a: float) -> float:
    """Return the largest duty at which a current that rises with it is at most `most_a` [-]."""
    if current_a(1.0) <= most_a:
        return 1.0
    if current_a(0.0) >= most_a:
        return 0.0
    root = brentq(lambda duty: current_a(duty) - most_a, 0.0, 1.0)
    return float(max(root - 1e-11, 0.0))  # a hair on the safe side
