"""A module's resistance and Seebeck voltage from its current and voltage at a switch-off.

While the current flows V = a dT + I R; the instant after, V = a dT alone, for the faces
have not moved yet: R = step of V over I (textbook).  Then the faces go to their sinks in
tenths of a second and the sinks to the air in minutes.  A log is extrapolated back to the
instant; what a hand meter misses is worked out with the module's own model and told.
"""

from dataclasses import dataclass, replace
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
CONTACT_UNSURE, CONDUCTANCE_UNSURE, BIAS_UNSURE = 0.5, 0.1, 1.0  # largest errors, practice
SAME_COUPLES = 0.25
# Of the label's open voltage: less is no module of whatever couples, but a shorted one; more
# than ten times the label's couples is none that is sold.
LEAST_OPEN, MOST_OPEN = 0.1, 10.0
NO_MODULE = (
    "a current, two voltages and two temperatures that some module could give: look at their "
    "decimal points, and at which thermometer was on which side"
)
FACES_UNSURE = 0.3  # of joints told by the faces' settling: hot and cold need not be alike
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
    joints : Estimate or None
        Both joints together [K/W]; None by hand.
    joints_factor : float
        Each joint over the config's.
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
    joints: Estimate | None
    joints_factor: float
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

    found, _, done, _ = fsolve(balance, np.array([cold_k, hot_k]), full_output=True)
    if done != 1:
        raise NotUsable(NO_MODULE)
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


@dataclass(frozen=True)
class _Seen:
    """What a test showed, whichever way: step [ohm], voltages [V], their standard errors.

    `open_v` is the open circuit's at the instant with the thermometers on the faces, and with
    settled faces where they sit in the sinks.  `fast_v` is what the faces' settling takes
    of it, None where it was not seen.
    """

    ohm: float
    current_a: float
    open_v: float
    open_noise_v: float
    fast_v: float | None
    fast_noise_v: float


def by_log(plant: Plant, test: SwitchOff, log: SwitchOffLog, meters: Meters) -> ModuleResult:
    """Return resistance and Seebeck coefficient from a log; `NotUsable` if it shows none."""
    at = instant_of(log, test.window_s)
    _checked_open(plant.module, test, at.settled_v)
    ohm = _positive((at.on_v - at.off_v) / at.current_a - test.lead_ohm)
    plain_ohm = (at.on_v - at.first_off_v) / at.current_a - test.lead_ohm
    timing_v = abs(at.slope_v_per_s * at.at_spread_s)
    on_faces = test.thermometers == "faces"
    seen = _Seen(
        ohm, at.current_a,
        open_v=at.off_v if on_faces else at.settled_v,
        open_noise_v=hypot(at.off_noise_v, timing_v) if on_faces else at.settled_noise_v,
        fast_v=at.off_v - at.settled_v,
        fast_noise_v=hypot(at.off_noise_v, at.settled_noise_v, timing_v),
    )  # fmt: skip
    parts = (
        Part("noise and fit", at.step_noise_v / at.current_a),
        Part("instant of the switch-off", timing_v / at.current_a),
        *_ohm_parts(ohm, test, meters, at.current_a, at.current_noise_a),
    )
    fitted = _fitted(plant.module, test, seen)
    how = f"step of voltage over current, extrapolated to the instant over {test.window_s:g} s"
    return _result(plant.module, fitted, test, meters, seen, parts, plain_ohm, how)


def by_hand(plant: Plant, test: HandMeter, meters: Meters) -> ModuleResult:
    """Return the same from a hand meter, its late reading corrected by the module's model.

    The model's module takes on what was measured, until both agree.
    """
    _checked_open(plant.module, test, test.off_v)
    plain_ohm = _positive((test.on_v - test.off_v) / test.current_a - test.lead_ohm)
    on_faces = test.thermometers == "faces"
    fitted, missed_v, timing_v = plant.module, 0.0, 0.0
    for _ in range(4):
        own = replace(plant, module=fitted)
        sinks_k = _sinks_k(fitted, test, test.current_a)
        at_once_v, later_v = voltage_after(own, test.current_a, *sinks_k, test.after_s)
        late_s = test.after_s + test.after_tolerance_s
        timing_v = EVEN * abs(later_v - voltage_after(own, test.current_a, *sinks_k, late_s)[1])
        if later_v <= 0.0:
            raise NotUsable("a reading sooner after the switch-off")
        missed_v = (at_once_v / later_v - 1.0) * test.off_v
        ohm = (test.on_v - test.off_v - missed_v) / test.current_a - test.lead_ohm
        if ohm <= 0.0:  # the plain step was larger than the leads' own
            raise NotUsable(NO_MODULE)
        off_v = test.off_v + missed_v
        settled_v = off_v * open_voltage(fitted, *faces_k(fitted, 0.0, *sinks_k)) / at_once_v
        bias_v = EVEN * BIAS_UNSURE * abs(missed_v)
        seen = _Seen(ohm, test.current_a, off_v if on_faces else settled_v,
                     hypot(timing_v, bias_v), None, 0.0)  # fmt: skip
        fitted = _fitted(plant.module, test, seen)
    parts = (
        Part("late reading", bias_v / test.current_a),
        Part("when it was read", timing_v / test.current_a),
        *_ohm_parts(ohm, test, meters, test.current_a, 0.0),
    )
    bias_pct = 100.0 * (plain_ohm / ohm - 1.0)
    how = (
        f"hand meter, read {test.after_s:g} s late: {bias_pct:+.1f} % on the resistance by "
        "the module's model, taken off"
    )
    return _result(plant.module, fitted, test, meters, seen, parts, plain_ohm, how)


def _checked_open(stated: Module, test: SwitchOff | HandMeter, open_v: float) -> None:
    usual_v = stated.seebeck_v_per_k * (test.hot_c - test.cold_c)
    if open_v < LEAST_OPEN * usual_v:
        raise NotUsable(
            f"an open circuit's voltage of about {usual_v:.2f} V after the switch-off, not "
            f"{open_v:.2f} V: no diode, bridge or load across the module, the meter at the "
            "module's own wires, hot and cold side not exchanged"
        )


def _positive(ohm: float) -> float:
    if ohm <= 0.0:
        raise NotUsable("a step of the voltage larger than the leads' own")
    return ohm


def _ohm_parts(
    ohm: float, test: SwitchOff | HandMeter, meters: Meters, current_a: float, noise_a: float
) -> tuple[Part, ...]:
    whole = ohm + test.lead_ohm
    ammeter = hypot(EVEN * 0.01 * meters.current_tolerance_pct, noise_a / current_a)
    return (
        Part("voltmeter", EVEN * 0.01 * meters.voltage_tolerance_pct * whole),
        Part("ammeter", whole * ammeter),
        Part("leads", EVEN * test.lead_tolerance_ohm),
    )


def _sinks_k(mod: Module, test: SwitchOff | HandMeter, current_a: float) -> tuple[float, float]:
    """Return the sinks' bases [K]; from the faces where those were measured."""
    cold_k, hot_k = test.cold_c + ZERO_C_K, test.hot_c + ZERO_C_K
    if test.thermometers == "sinks":
        return cold_k, hot_k
    heat_w, power_w = stage.with_current(mod, current_a, cold_k, hot_k)
    return (
        cold_k + heat_w / mod.cold_contact_w_per_k,
        hot_k - (heat_w + power_w) / mod.hot_contact_w_per_k,
    )


def _joints_share(mod: Module) -> float:
    """Return how the settled faces' difference falls short of the sinks' [-]: 1/(1 + K R)."""
    joints = 1.0 / mod.cold_contact_w_per_k + 1.0 / mod.hot_contact_w_per_k
    return 1.0 / (1.0 + mod.conductance_w_per_k * joints)


def conductance_like(seebeck_ratio: float, resistance_ratio: float) -> float:
    """Return the conductance's ratio to another module's [-] from those of a and R.

    R K goes with the couples squared, whatever the legs' size (textbook); the couples are
    the label's unless the Seebeck coefficient is off by more than material explains.
    """
    same_couples = abs(seebeck_ratio - 1.0) <= SAME_COUPLES
    return (1.0 if same_couples else seebeck_ratio**2) / resistance_ratio


def _fitted(stated: Module, test: SwitchOff | HandMeter, seen: _Seen) -> Module:
    """Return the module as measured, at 25 °C where it varies.

    Leg temperatures, joints and conductance enter the corrections, so they must be those of
    the module on the bench, not of its label: repeated until it stands.  K as
    `conductance_like`; joints by what the faces' settling took, both alike.
    """
    mod, joints = stated, 1.0
    for _ in range(12):
        sinks_k = _sinks_k(mod, test, seen.current_a)
        faces = faces_k(mod, seen.current_a, *sinks_k)
        settled = faces_k(mod, 0.0, *sinks_k)
        ohm = seen.ohm * mod.resistance_ohm / warm_ohm(mod, seen.current_a, *faces)
        between_k = test.hot_c - test.cold_c
        if test.thermometers == "sinks":
            between_k *= _joints_share(mod)
        mean_k = 0.5 * (test.cold_c + test.hot_c) + ZERO_C_K
        ratio = leg_material.ratios(mean_k)[0] if mod.temperature_dependence else 1.0
        seebeck = seen.open_v / between_k / ratio
        if not (0.0 < ohm and 0.0 < seebeck < MOST_OPEN * stated.seebeck_v_per_k):
            raise NotUsable(NO_MODULE)
        if seen.fast_v is not None:
            model_v = open_voltage(mod, *faces) - open_voltage(mod, *settled)
            share = seen.fast_v / model_v if model_v > 0.0 else 1.0
            joints = min(max(joints * min(max(share, 0.5), 2.0), 0.05), 20.0)
        more = conductance_like(seebeck / stated.seebeck_v_per_k, ohm / stated.resistance_ohm)
        mod = replace(
            stated,
            seebeck_v_per_k=seebeck,
            resistance_ohm=ohm,
            conductance_w_per_k=stated.conductance_w_per_k * more,
            cold_contact_w_per_k=stated.cold_contact_w_per_k / joints,
            hot_contact_w_per_k=stated.hot_contact_w_per_k / joints,
        )
    return mod


def _result(
    stated: Module, mod: Module, test: SwitchOff | HandMeter, meters: Meters, seen: _Seen,
    ohm_parts: tuple[Part, ...], plain_ohm: float, how: str,
) -> ModuleResult:  # fmt: skip
    faces = faces_k(mod, seen.current_a, *_sinks_k(mod, test, seen.current_a))
    to_25 = mod.resistance_ohm / seen.ohm
    warmth = Part("temperature of the legs", LEGS_UNSURE * seen.ohm)
    share = _joints_share(mod) if test.thermometers == "sinks" else 1.0
    difference_k = test.hot_c - test.cold_c
    seebeck = seen.open_v / (share * difference_k)
    noise = seen.fast_noise_v / seen.fast_v if seen.fast_v else 0.0
    unsure = CONTACT_UNSURE if seen.fast_v is None else hypot(FACES_UNSURE, noise / EVEN)
    joint_part = (1.0 - share) * hypot(min(unsure, 1.0), CONDUCTANCE_UNSURE)
    parts = (
        Part("noise and fit", seen.open_noise_v / (share * difference_k)),
        Part("voltmeter", EVEN * 0.01 * meters.voltage_tolerance_pct * seebeck),
        Part("thermometers", EVEN * meters.thermometer_tolerance_k / difference_k * seebeck),
        Part("joints", EVEN * joint_part * seebeck),
    )
    joints = None
    if seen.fast_v is not None:
        value = 1.0 / mod.cold_contact_w_per_k + 1.0 / mod.hot_contact_w_per_k
        joints = Estimate(
            value,
            (Part("noise and fit", abs(noise) * value),
             Part("model of the faces", EVEN * FACES_UNSURE * value)),
        )  # fmt: skip
    notes = []
    if difference_k < 10.0 * meters.thermometer_tolerance_k:
        notes.append(
            f"only {difference_k:.1f} K between the thermometers: let it run longer, or compare "
            "them side by side first"
        )
    return ModuleResult(
        resistance=Estimate(seen.ohm, (*ohm_parts, warmth)).scaled(to_25),
        seebeck=Estimate(seebeck, parts).scaled(mod.seebeck_v_per_k / seebeck),
        joints=joints,
        joints_factor=stated.hot_contact_w_per_k / mod.hot_contact_w_per_k,
        resistance_as_it_was_ohm=seen.ohm,
        seebeck_as_it_was_v_per_k=seebeck,
        mean_c=0.5 * (faces[0] + faces[1]) - ZERO_C_K,
        difference_k=faces[1] - faces[0],
        bias_pct=100.0 * (plain_ohm / seen.ohm - 1.0),
        how=how,
        notes=tuple(notes),
    )


__all__ = ["Estimate", "ModuleResult", "NotUsable", "Part", "by_hand", "by_log"]
