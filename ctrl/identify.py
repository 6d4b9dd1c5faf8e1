"""One cabinet's model three ways: linear plant, step test, relay test; and its gains.

The linear plant is the truth of the simulation; the two tests use the firmware's readings
alone, as a maker's bench would give them.
"""

from dataclasses import dataclass
from math import log

import numpy as np

from ctrl.aim import aim_of
from ctrl.bench import Bench, NoBenchTest, StepTest, at_rest, bench_of
from ctrl.bench import step_test as run_step
from ctrl.bench_relay import RelayTest, hand_model, hand_response
from ctrl.bench_relay import relay_test as run_relay
from ctrl.build import plant_of
from ctrl.candidates import pi_candidate
from ctrl.capability import at_duty, coldest_holdable, duty_for, limits_of
from ctrl.config import Config
from ctrl.first_order import (
    FirstOrder,
    crossover_guess,
    first_order,
    first_order_step,
    near_crossover,
    response_error_pct,
)
from ctrl.gain_map import GainMap, gain_map
from ctrl.linearise import (
    LinearPlant,
    difference_error,
    frequency_response,
    linear_plant,
    steady_gain_k_per_duty,
    time_constants_s,
)
from ctrl.sampled_model import SampledModel, sampled_model
from plant.constants import ZERO_C_K

# A test needs room above and below; the limit itself and next to nothing leave none.
LEAST_SHARE, MOST_SHARE = 0.2, 0.8
MAPPED_DRIVES = ("fast_pwm", "smoothed")  # a relay's means are those of fast pulses
DRIFT_SHARE = 0.05  # of the step's fall that drift may make up over the step
# Beyond these a test's numbers are no model: thrice the error a test is laid out for, and a
# response that a margin of 45 degrees would not survive (common practice, no source).
MOST_NOISE_PCT, MOST_RESPONSE_PCT, MOST_HARMONIC_PCT = 30.0, 40.0, 30.0
LINEAR, STEP, RELAY = "linear plant", "step test", "relay test"


@dataclass(frozen=True)
class Model:
    """One of the three models: how found, the numbers, and what they are worth.

    Attributes
    ----------
    name : str
    model : FirstOrder
    response_error_pct : float
        Largest deviation from the linear plant's response near crossover [%].
    off_pct : tuple of float
        Gain, time constant, dead time against the linear plant's [%].
    """

    name: str
    model: FirstOrder
    response_error_pct: float
    off_pct: tuple[float, float, float]


@dataclass(frozen=True, eq=False)
class Identification:
    """What `coldloop identify` shows.

    `missing` holds (test, why) of tests that gave nothing; `settle_h` is how long a warm
    cabinet takes until its drift does not matter [h], less than `drift_k` [K] over a step.
    `harmonic_off_pct`, `hand_off_pct` and `describing_off_pct` are the relay test's response
    at its own frequency against the linear plant's [%]: by the wave itself, its size by the
    recipe's eight readings, its size by the describing function.  `relay_by_hand` is the
    model by the recipe's own steps, its gain the step's by hand.  `jacobian_error` is how far
    the exact slopes are from differences of the compiled right-hand side, of the largest in a
    row [-].  `note` says why the point is not one that holds the target, empty where it is.
    """

    config: Config
    ambient_c: float
    linear: LinearPlant
    bench: Bench
    models: tuple[Model, ...]
    missing: tuple[tuple[str, str], ...]
    step: StepTest | None
    relay: RelayTest | None
    settle_h: float
    drift_k: float
    harmonic_off_pct: float | None
    hand_off_pct: float | None
    relay_by_hand: FirstOrder | None
    sampled: SampledModel
    describing_off_pct: float | None
    maps: tuple[GainMap, ...]
    seed: int
    jacobian_error: float
    note: str = ""

    @property
    def steady_gain_k(self) -> float:
        """Steady gain at the point [K per unit duty]."""
        return steady_gain_k_per_duty(self.linear)


def off_pct(model: FirstOrder, other: FirstOrder) -> tuple[float, float, float]:
    """Return by how much gain, time constant and dead time differ from another's [%]."""
    pairs = (
        (model.gain_k, other.gain_k), (model.tau_s, other.tau_s),
        (model.dead_time_s, other.dead_time_s),
    )  # fmt: skip
    a, b, c = (100.0 * (mine / theirs - 1.0) for mine, theirs in pairs)
    return a, b, c


def allowed_drift_k(model: FirstOrder, step_duty: float) -> float:
    """Return how far the reading may drift while a step lasts [K]."""
    fall_k = float(first_order_step(model, np.array([model.horizon_s]))[0])
    return DRIFT_SHARE * fall_k * max(step_duty, 0.05)


def settle_hours(linear: LinearPlant, model: FirstOrder, drift_k: float, away_k: float) -> float:
    """Return how long a warm cabinet must stand at the duty before a step [h].

    Until the slowest mode, `away_k` [K] off at first, moves less than `drift_k` [K] while the
    step lasts.
    """
    slowest_s = float(time_constants_s(linear)[-1])
    at_first_k = abs(away_k) * model.horizon_s / slowest_s
    return slowest_s * max(log(max(at_first_k / drift_k, 1.0)), 0.25) / 3600.0


def identify(
    config: Config, *, ambient_c: float | None = None, duty: float | None = None, seed: int = 1
) -> Identification:
    """Return the three models of a config's cabinet, and its gain maps.

    Parameters
    ----------
    config : Config
    ambient_c : float, optional
        Room [°C]; the usual one when left out.
    duty : float, optional
        Settled duty of the tests [-]; the one that holds the target when left out, moved
        so that steps up and down fit.
    seed : int
        Of the sensor noise.
    """
    base = plant_of(config)
    plant = at_rest(base)
    room_c = config.climate.usual_c if ambient_c is None else ambient_c
    ambient_k = room_c + ZERO_C_K
    coldest = coldest_holdable(plant, ambient_k, limits_of(config))
    note = ""
    if duty is None:
        aim = aim_of(config, base, config.drive.kind)
        if ambient_c is None and (aim.is_out_of_reach or aim.is_too_cold):
            note = f"{aim.words}. The model is that of the cabinet at the duty above all the same"
        held = duty_for(plant, ambient_k, config.use.target_c + ZERO_C_K, coldest)
        most = bench_of(config, plant, coldest.point, seed).most_duty
        wanted = coldest.point.duty if held is None else held.duty
        duty = round(min(max(wanted, LEAST_SHARE * most), MOST_SHARE * most), 2)
    point = at_duty(plant, duty, ambient_k)
    bench = bench_of(config, plant, point, seed)
    linear = linear_plant(plant, point)
    expected = first_order(linear, bench.delay_s)
    omega = near_crossover(expected.low_rad_per_s)

    def model_of(name: str, item: FirstOrder) -> Model:
        away = response_error_pct(item, linear, bench.delay_s, omega)
        return Model(name, item, away, off_pct(item, expected))

    models = [model_of(LINEAR, expected)]
    step, relay, missing = _tests(bench, expected)
    if step is not None:
        model = model_of(STEP, step.fitted.model)
        why = no_step_model(step, model)
        if why is None:
            models.append(model)
        else:
            step, relay = None, None
            missing = [(STEP, why), (RELAY, "its gain comes from the step test")]
    harmonic, hand, describing = _relay_off(relay, bench, linear)
    if relay is not None:
        model = model_of(RELAY, relay.model)
        why = no_relay_model(model, harmonic or 0.0)
        if why is None:
            models.append(model)
        else:
            relay, harmonic, hand, describing = None, None, None, None
            missing.append((RELAY, why))
    drift_k = allowed_drift_k(expected, 0.5 if step is None else step.step_duty)
    by_hand = None
    if relay is not None and step is not None:
        by_hand = relay_by_hand(relay, step, bench.firmware.tick_s)
    return Identification(
        config=config,
        ambient_c=room_c,
        linear=linear,
        bench=bench,
        models=tuple(models),
        missing=tuple(missing),
        step=step,
        relay=relay,
        settle_h=settle_hours(linear, expected, drift_k, ambient_k - linear.reading_k),
        drift_k=drift_k,
        harmonic_off_pct=harmonic,
        hand_off_pct=hand,
        relay_by_hand=by_hand,
        sampled=sampled_model(config, linear, expected, bench.delay_s),
        describing_off_pct=describing,
        maps=gain_maps(config, linear),
        seed=seed,
        jacobian_error=difference_error(plant, point),
        note=note,
    )


def no_step_model(step: StepTest, model: Model) -> str | None:
    """Return why a step test's numbers are no model, or None where they are."""
    worst = max(step.fitted.error_pct)
    if worst > MOST_NOISE_PCT:
        return (
            f"noise and steps of the reading leave its numbers {worst:.0f} % unsure, more than "
            f"{MOST_NOISE_PCT:.0f} % is no model; take a finer sensor, or a duty with more room "
            "for a step"
        )
    if model.response_error_pct > MOST_RESPONSE_PCT:
        return (
            f"simulated, its model is {model.response_error_pct:.0f} % off the linear plant's "
            f"response, more than {MOST_RESPONSE_PCT:.0f} % is no model; take another duty"
        )
    return None


def no_relay_model(model: Model, harmonic_off_pct: float) -> str | None:
    """Return why a relay test's numbers are no model, or None where they are."""
    if harmonic_off_pct > MOST_HARMONIC_PCT or model.response_error_pct > MOST_RESPONSE_PCT:
        return (
            f"simulated, its wave is {harmonic_off_pct:.0f} % off the linear plant's response "
            f"and its model {model.response_error_pct:.0f} %, more than "
            f"{MOST_HARMONIC_PCT:.0f} and {MOST_RESPONSE_PCT:.0f} % is no model"
        )
    return None


def _tests(
    bench: Bench, expected: FirstOrder
) -> tuple[StepTest | None, RelayTest | None, list[tuple[str, str]]]:
    missing: list[tuple[str, str]] = []
    step: StepTest | None = None
    relay: RelayTest | None = None
    try:
        step = run_step(bench, expected)
    except NoBenchTest as none:
        missing.append((STEP, str(none)))
    if step is None:
        missing.append((RELAY, "its gain comes from the step test"))
        return step, relay, missing
    try:
        relay = run_relay(bench, step.fitted.model.gain_k, expected)
    except NoBenchTest as none:
        missing.append((RELAY, str(none)))
    return step, relay, missing


def _relay_off(
    relay: RelayTest | None, bench: Bench, linear: LinearPlant
) -> tuple[float | None, float | None, float | None]:
    if relay is None:
        return None, None, None
    omega = np.array([2.0 * np.pi / relay.cycle.period_s])
    held_s = 0.5 * bench.firmware.tick_s
    exact = frequency_response(linear, omega, bench.delay_s + held_s)[0]
    harmonic = 100.0 * abs(relay.cycle.response / exact - 1.0)
    hand_k = hand_response(relay.cycle, relay.half_step_duty)[0]
    sizes = [100.0 * (k / abs(exact) - 1.0) for k in (hand_k, relay.describing_gain_k)]
    return float(harmonic), float(sizes[0]), float(sizes[1])


def relay_by_hand(relay: RelayTest, step: StepTest, tick_s: float) -> FirstOrder | None:
    """Return what the recipe's relay gives: eight readings a cycle, K as read from the step."""
    known = step.fitted.model if step.by_hand is None else step.by_hand
    return hand_model(relay.cycle, relay.half_step_duty, known.gain_k, tick_s)


def gain_maps(config: Config, linear: LinearPlant) -> tuple[GainMap, ...]:
    """Return the gains of each kind of drive where the tuned loop on it would cross.

    Pulsed and smoothed always, a regulated current where the config has one.
    """
    base = plant_of(config)
    found = []
    own = (config.drive.kind,) if config.drive.kind == "current" else ()
    for kind in MAPPED_DRIVES + own:
        tuned = pi_candidate(config, base, kind, linear.reading_k - ZERO_C_K, False)
        if tuned.margins is None:
            omega = 0.5 * crossover_guess(linear, 0.0)
        else:
            omega = tuned.margins.crossover_rad_per_s
        found.append(gain_map(config, base, kind, omega))
    return tuple(found)
