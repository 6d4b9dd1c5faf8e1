"""A module's resistance and Seebeck voltage from its current and voltage at a switch-off.

While the current flows V = a dT + I R; the instant after, V = a dT alone, for the faces
have not moved yet: R = step of V over I (textbook).  Then the faces go to their sinks in
tenths of a second and the sinks to the air in minutes.  A log is extrapolated back to the
instant; what a hand meter misses is worked out with the module's own model and told.
"""

from dataclasses import dataclass
from math import hypot, sqrt

import numpy as np
from scipy.integrate import solve_ivp
from scipy.optimize import fsolve

from ctrl.measured_file import Array, HandMeter, Meters, SwitchOff, SwitchOffLog
from plant import leg_material, stage
from plant.cabinet import Plant
from plant.constants import ZERO_C_K
from plant.module import Module

EVEN = 1.0 / sqrt(3.0)  # standard error of a largest error that is even between its ends
# Time constants of the faces that are looked for [s]: ceramic on paste 0.1 to 0.3, worse
# joints more; legs alone 0.1 to 0.2 (estimates from sizes).
FASTEST_S, SLOWEST_SHARE, GRID = 0.03, 0.5, 24
OFF_SHARE, ON_SHARE = 0.03, 0.9
MOST_BETWEEN = 4  # rows that are neither on nor off
PULSED_SHARE = 0.05
BEFORE_S = 1.0
CONTACT_UNSURE, CONDUCTANCE_UNSURE, BIAS_UNSURE = 0.5, 0.1, 0.5  # largest errors, practice
# Joints 50 % off move the faces' mean by some 0.5 K, and bismuth telluride's resistance
# changes by 0.5 % a kelvin.
LEGS_UNSURE = 0.0025


class NotUsable(ValueError):
    """A log that shows no such switch-off; the text says what was expected."""


@dataclass(frozen=True)
class Part:
    """One cause of a standard error, in the quantity's own unit."""

    cause: str
    standard_error: float


@dataclass(frozen=True)
class Estimate:
    """A value with its standard error, made of independent parts."""

    value: float
    parts: tuple[Part, ...]

    @property
    def standard_error(self) -> float:
        """Root of the sum of squares."""
        return sqrt(sum(part.standard_error**2 for part in self.parts))

    def scaled(self, factor: float) -> "Estimate":
        """Return value and errors times a factor."""
        parts = tuple(Part(p.cause, abs(factor) * p.standard_error) for p in self.parts)
        return Estimate(factor * self.value, parts)


@dataclass(frozen=True)
class ModuleResult:
    """Bank of modules at the temperature of the test, and at 25 °C.

    Attributes
    ----------
    resistance, seebeck : Estimate
        At 25 °C [ohm, V/K].
    resistance_as_it_was_ohm, seebeck_as_it_was_v_per_k : float
        At the temperature of the test.
    mean_c, difference_k : float
        Mean and difference of the faces.
    bias_pct : float
        What the plain step of V over I would give too much [%].
    how : str
        In words.
    notes : tuple of str
    """

    resistance: Estimate
    seebeck: Estimate
    resistance_as_it_was_ohm: float
    seebeck_as_it_was_v_per_k: float
    mean_c: float
    difference_k: float
    bias_pct: float
    how: str
    notes: tuple[str, ...] = ()


# The module between its sinks -------------------------------------------------------------


def faces_k(mod: Module, current_a: float, cold_k: float, hot_k: float) -> tuple[float, float]:
    """Return the steady faces [K] between sinks at `cold_k` and `hot_k`."""

    def balance(faces: Array) -> list[float]:
        heat_w, power_w = stage.with_current(mod, current_a, float(faces[0]), float(faces[1]))
        return [
            mod.cold_contact_w_per_k * (cold_k - faces[0]) - heat_w,
            heat_w + power_w - mod.hot_contact_w_per_k * (faces[1] - hot_k),
        ]

    found = fsolve(balance, np.array([cold_k, hot_k]))
    return float(found[0]), float(found[1])


def open_voltage(mod: Module, cold_k: float, hot_k: float) -> float:
    """Return the voltage of the open circuit [V], between faces."""
    tiny_a = 1e-6
    return stage.with_current(mod, tiny_a, cold_k, hot_k)[1] / tiny_a - mod.resistance_ohm * tiny_a


def warm_ohm(mod: Module, current_a: float, cold_k: float, hot_k: float) -> float:
    """Return the resistance [ohm] that a step of the voltage shows, with faces as they are."""
    _, power_w = stage.with_current(mod, current_a, cold_k, hot_k)
    return power_w / current_a**2 - open_voltage(mod, cold_k, hot_k) / current_a


def voltage_after(
    plant: Plant, current_a: float, cold_k: float, hot_k: float, after_s: float
) -> tuple[float, float]:
    """Return the open circuit's voltage [V] at once, and `after_s` later.

    Faces and sinks as in the plant; the sinks stood still before, so that each gives its
    air what it gave then and its own conductance times what it moved since.
    """
    mod = plant.module
    start = faces_k(mod, current_a, cold_k, hot_k)
    at_once_v = open_voltage(mod, *start)
    if after_s <= 0.0:
        return at_once_v, at_once_v
    from_cold_w = mod.cold_contact_w_per_k * (cold_k - start[0])
    to_hot_w = mod.hot_contact_w_per_k * (start[1] - hot_k)

    def slopes(_: float, t: Array) -> list[float]:
        cold_face, hot_face, cold, hot = (float(value) for value in t)
        heat_w, _ = stage.with_current(mod, 0.0, cold_face, hot_face)
        in_w = mod.cold_contact_w_per_k * (cold - cold_face)
        out_w = mod.hot_contact_w_per_k * (hot_face - hot)
        kept_cold = from_cold_w - plant.cold_sink.fan_w_per_k * (cold - cold_k)
        kept_hot = to_hot_w + plant.hot_sink.fan_w_per_k * (hot - hot_k)
        return [
            (in_w - heat_w) / mod.face_heat_capacity_j_per_k,
            (heat_w - out_w) / mod.face_heat_capacity_j_per_k,
            (kept_cold - in_w) / plant.cold_sink.heat_capacity_j_per_k,
            (out_w - kept_hot) / plant.hot_sink.heat_capacity_j_per_k,
        ]

    run = solve_ivp(slopes, (0.0, after_s), [*start, cold_k, hot_k], method="LSODA", rtol=1e-7)
    return at_once_v, open_voltage(mod, float(run.y[0, -1]), float(run.y[1, -1]))


# A log ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Instant:
    """What a log shows at the instant of its switch-off."""

    at_s: float
    at_spread_s: float
    current_a: float
    on_v: float
    off_v: float
    settled_v: float
    step_noise_v: float
    off_noise_v: float
    settled_noise_v: float
    current_noise_a: float
    slope_v_per_s: float
    first_off_v: float


def instant_of(log: SwitchOffLog, window_s: float) -> Instant:
    """Return currents and voltages extrapolated to the switch-off.

    Before it straight lines over up to a second.  After it a straight line for the sinks
    and one or two exponentials for the faces: all time constants of a grid are taken, each
    weighted by how well it fits (Bayes' information criterion), so that what the data
    leaves open shows in the error.

    Raises
    ------
    NotUsable
        When there is no clean switch-off.
    """
    last_on, first_off = _edges(log)
    t, before = log.time_s, slice(None, last_on + 1)
    at_s = 0.5 * (t[last_on] + t[first_off])
    near = t[before] >= at_s - BEFORE_S
    if near.sum() < 10:
        raise NotUsable("10 rows or more before the switch-off")
    current_a, current_noise_a, ripple_a = _line_at(
        t[before][near] - at_s, log.current_a[before][near]
    )
    if ripple_a > PULSED_SHARE * current_a:
        raise NotUsable("a steady current before the switch-off: drive it without pulses")
    on_v, on_noise_v, _ = _line_at(t[before][near] - at_s, log.voltage_v[before][near])
    after = (np.arange(t.size) >= first_off) & (t <= at_s + window_s)
    if after.sum() < 20 or t[-1] < at_s + 0.9 * window_s:
        raise NotUsable(f"20 rows or more, and {window_s:g} s, after the switch-off")
    off = _after(t[after] - at_s, log.voltage_v[after], window_s)
    return Instant(
        at_s=float(at_s),
        at_spread_s=float(t[first_off] - t[last_on]) / sqrt(12.0),
        current_a=current_a,
        on_v=on_v,
        off_v=off[0],
        settled_v=off[2],
        step_noise_v=hypot(on_noise_v, off[1]),
        off_noise_v=off[1],
        settled_noise_v=off[3],
        current_noise_a=current_noise_a,
        slope_v_per_s=off[4],
        first_off_v=float(log.voltage_v[first_off]),
    )


def _edges(log: SwitchOffLog) -> tuple[int, int]:
    current = log.current_a
    sizes = np.abs(current)
    high_a = float(np.median(sizes[sizes >= 0.5 * sizes.max()]))
    if high_a == 0.0 or current[int(np.argmax(sizes))] < 0.0:
        raise NotUsable("a current that cools, above 0 A, before the switch-off")
    off_rows = np.flatnonzero(sizes > OFF_SHARE * high_a)
    first_off = int(off_rows[-1]) + 1
    if first_off >= current.size:
        raise NotUsable("current that stays below 3 % after the switch-off (an open circuit)")
    level_a = float(np.median(current[max(0, first_off - 60) : max(1, first_off - 5)]))
    on_rows = np.flatnonzero(current[:first_off] > ON_SHARE * level_a)
    last_on = int(on_rows[-1]) if on_rows.size else 0
    if last_on == 0 or first_off - last_on - 1 > MOST_BETWEEN:
        raise NotUsable("a current that is cut at once, within a few rows")
    return last_on, first_off


def _line_at(t: Array, y: Array) -> tuple[float, float, float]:
    """Return (value at t = 0, its standard error, scatter) of a straight line."""
    columns = np.column_stack([np.ones_like(t), t])
    found = np.linalg.lstsq(columns, y, rcond=None)[0]
    rest = y - columns @ found
    scatter = max(sqrt(float(rest @ rest) / (t.size - 2)), _step_of(y) / sqrt(12.0))
    covariance = np.linalg.inv(columns.T @ columns)
    # Quantised values that repeat do not average: their step counts in full.
    error = max(scatter * sqrt(covariance[0, 0]), _step_of(y) / sqrt(12.0) / 3.0)
    return float(found[0]), error, scatter


def _step_of(y: Array) -> float:
    """Return the smallest step between values: of a converter, else next to nothing."""
    steps = np.diff(np.unique(np.round(y, 9)))
    return float(steps.min()) if steps.size else 0.0


def _after(t: Array, y: Array, window_s: float) -> tuple[float, float, float, float, float]:
    """Return (V at 0, its error, V of the line at 0, its error, slope at 0)."""
    taus = np.geomspace(FASTEST_S, SLOWEST_SHARE * window_s, GRID)
    sets = [(), *((tau,) for tau in taus)]
    sets += [(one, two) for i, one in enumerate(taus) for two in taus[i + 4 :]]
    fits = []
    for times in sets:
        columns = np.column_stack(
            [np.ones_like(t), t / window_s, *(np.exp(-t / tau) for tau in times)]
        )
        found, _, _, singular = np.linalg.lstsq(columns, y, rcond=None)
        if singular[-1] < 1e-7 * singular[0]:
            continue
        rest = y - columns @ found
        fits.append((times, found, columns, float(rest @ rest)))
    floor = t.size * (_step_of(y) ** 2 / 12.0 + 1e-18)
    squares = np.array([max(fit[3], floor) for fit in fits])
    free = np.array([2 + 2 * len(fit[0]) for fit in fits])
    score = t.size * np.log(squares) + free * np.log(t.size)
    weights = np.exp(-0.5 * (score - score.min()))
    weights /= weights.sum()
    rows = []
    for weight, (times, found, columns, _), square, count in zip(
        weights, fits, squares, free, strict=True
    ):
        if weight < 1e-6:
            continue
        variance = square / max(t.size - count, 1) * np.linalg.inv(columns.T @ columns)
        at_zero = np.array([1.0, 0.0, *([1.0] * len(times))])
        slope = found[1] / window_s - sum(b / tau for b, tau in zip(found[2:], times, strict=True))
        rows.append((weight, at_zero @ found, at_zero @ variance @ at_zero, found[0],
                     variance[0, 0], slope))  # fmt: skip
    table = np.array(rows)
    w = table[:, 0] / table[:, 0].sum()
    value, line, slope = (float(w @ table[:, n]) for n in (1, 3, 5))
    error = sqrt(float(w @ (table[:, 2] + (table[:, 1] - value) ** 2)))
    line_error = sqrt(float(w @ (table[:, 4] + (table[:, 3] - line) ** 2)))
    return value, error, line, line_error, slope


# Results ----------------------------------------------------------------------------------


def by_log(plant: Plant, test: SwitchOff, log: SwitchOffLog, meters: Meters) -> ModuleResult:
    """Return resistance and Seebeck coefficient from a log; `NotUsable` if it shows none."""
    seen = instant_of(log, test.window_s)
    ohm = (seen.on_v - seen.off_v) / seen.current_a - test.lead_ohm
    if ohm <= 0.0:
        raise NotUsable("a step of the voltage larger than the leads' own")
    plain_ohm = (seen.on_v - seen.first_off_v) / seen.current_a - test.lead_ohm
    timing_v = seen.slope_v_per_s * seen.at_spread_s
    parts = (
        Part("noise and fit", seen.step_noise_v / seen.current_a),
        Part("instant of the switch-off", abs(timing_v) / seen.current_a),
        *_ohm_parts(ohm, test, meters, seen.current_a, seen.current_noise_a),
    )
    on_faces = test.thermometers == "faces"
    volts = seen.off_v if on_faces else seen.settled_v
    noise_v = hypot(seen.off_noise_v, timing_v) if on_faces else seen.settled_noise_v
    return _result(
        plant, test, meters, Estimate(ohm, parts), seen.current_a, volts, noise_v,
        bias_pct=100.0 * (plain_ohm / ohm - 1.0),
        how=f"step of voltage over current, extrapolated to the instant over {test.window_s:g} s",
    )  # fmt: skip


def by_hand(plant: Plant, test: HandMeter, meters: Meters) -> ModuleResult:
    """Return the same from a hand meter, its late reading corrected by the module's model."""
    cold_k, hot_k = _sinks_k(plant, test, test.current_a)
    at_once_v, later_v = voltage_after(plant, test.current_a, cold_k, hot_k, test.after_s)
    _, late_v = voltage_after(
        plant, test.current_a, cold_k, hot_k, test.after_s + test.after_tolerance_s
    )
    # The model's module may be another than the one measured: the share lost is what is taken.
    lost = at_once_v / later_v - 1.0 if later_v > 0.0 else 0.0
    missed_v = lost * test.off_v
    off_v = test.off_v + missed_v
    plain_ohm = (test.on_v - test.off_v) / test.current_a - test.lead_ohm
    ohm = (test.on_v - off_v) / test.current_a - test.lead_ohm
    if ohm <= 0.0:
        raise NotUsable("a step of the voltage larger than the leads' own")
    timing_v = EVEN * abs(later_v - late_v)
    bias_v = EVEN * BIAS_UNSURE * abs(missed_v)
    parts = (
        Part("late reading", bias_v / test.current_a),
        Part("when it was read", timing_v / test.current_a),
        *_ohm_parts(ohm, test, meters, test.current_a, 0.0),
    )
    bias_pct = 100.0 * (plain_ohm / ohm - 1.0)
    on_faces = test.thermometers == "faces"
    settled_v = off_v if on_faces else _settled_v(plant, cold_k, hot_k, off_v, at_once_v)
    return _result(
        plant, test, meters, Estimate(ohm, parts), test.current_a, settled_v,
        hypot(timing_v, bias_v), bias_pct,
        how=f"hand meter, read {test.after_s:g} s late: {bias_pct:+.1f} % on the resistance by "
        "the module's model, taken off",
    )  # fmt: skip


def _settled_v(plant: Plant, cold_k: float, hot_k: float, off_v: float, at_once_v: float) -> float:
    """Return what the voltage would be with the faces settled between sinks that stand [V]."""
    faces = faces_k(plant.module, 0.0, cold_k, hot_k)
    return off_v * open_voltage(plant.module, *faces) / at_once_v


def _ohm_parts(
    ohm: float, test: SwitchOff | HandMeter, meters: Meters, current_a: float, noise_a: float
) -> tuple[Part, ...]:
    return (
        Part("voltmeter", EVEN * 0.01 * meters.voltage_tolerance_pct * (ohm + test.lead_ohm)),
        Part(
            "ammeter",
            (ohm + test.lead_ohm)
            * hypot(EVEN * 0.01 * meters.current_tolerance_pct, noise_a / current_a),
        ),
        Part("leads", EVEN * test.lead_tolerance_ohm),
    )


def _sinks_k(plant: Plant, test: SwitchOff | HandMeter, current_a: float) -> tuple[float, float]:
    """Return the sinks' bases [K]; from the faces where those were measured."""
    cold_k, hot_k = test.cold_c + ZERO_C_K, test.hot_c + ZERO_C_K
    if test.thermometers == "sinks":
        return cold_k, hot_k
    mod = plant.module
    heat_w, power_w = stage.with_current(mod, current_a, cold_k, hot_k)
    return (
        cold_k + heat_w / mod.cold_contact_w_per_k,
        hot_k - (heat_w + power_w) / mod.hot_contact_w_per_k,
    )


def _result(
    plant: Plant, test: SwitchOff | HandMeter, meters: Meters, ohm: Estimate, current_a: float,
    volts: float, noise_v: float, bias_pct: float, how: str,
) -> ModuleResult:  # fmt: skip
    mod = plant.module
    cold_k, hot_k = _sinks_k(plant, test, current_a)
    cold_face_k, hot_face_k = faces_k(mod, current_a, cold_k, hot_k)
    mean_k = 0.5 * (cold_face_k + hot_face_k)
    to_25 = mod.resistance_ohm / warm_ohm(mod, current_a, cold_face_k, hot_face_k)
    warmth = Part("temperature of the legs", LEGS_UNSURE * ohm.value)
    difference_k = test.hot_c - test.cold_c
    # With the faces settled the module still conducts: joints take their share of dT.
    joints = mod.conductance_w_per_k * (
        1.0 / mod.cold_contact_w_per_k + 1.0 / mod.hot_contact_w_per_k
    )
    on_faces = test.thermometers == "faces"
    share = 1.0 if on_faces else 1.0 / (1.0 + joints)
    seebeck = volts / (share * difference_k)
    joint_part = 0.0 if on_faces else joints * share * hypot(CONTACT_UNSURE, CONDUCTANCE_UNSURE)
    parts = (
        Part("noise and fit", noise_v / (share * difference_k)),
        Part("voltmeter", EVEN * 0.01 * meters.voltage_tolerance_pct * seebeck),
        Part("thermometers", EVEN * meters.thermometer_tolerance_k / difference_k * seebeck),
        Part("joints", EVEN * joint_part * seebeck),
    )
    at_k = 0.5 * (test.cold_c + test.hot_c) + ZERO_C_K
    ratio = leg_material.ratios(at_k)[0] if mod.temperature_dependence else 1.0
    notes = []
    if difference_k < 10.0 * meters.thermometer_tolerance_k:
        notes.append(
            f"only {difference_k:.1f} K between the thermometers: let it run longer, or compare "
            "them side by side first"
        )
    return ModuleResult(
        resistance=Estimate(ohm.value, (*ohm.parts, warmth)).scaled(to_25),
        seebeck=Estimate(seebeck, parts).scaled(1.0 / ratio),
        resistance_as_it_was_ohm=ohm.value,
        seebeck_as_it_was_v_per_k=seebeck,
        mean_c=mean_k - ZERO_C_K,
        difference_k=hot_face_k - cold_face_k,
        bias_pct=bias_pct,
        how=how,
        notes=tuple(notes),
    )


__all__ = ["Estimate", "ModuleResult", "NotUsable", "Part", "by_hand", "by_log"]
