"""One cabinet's model three ways: linear plant, step test, relay test; and its gains.

The linear plant is the truth of the simulation; the two tests use the firmware's readings
alone, as a maker's bench would give them.
"""

from dataclasses import dataclass
from math import log

from ctrl.bench import Bench, NoBenchTest, StepTest, at_rest, bench_of
from ctrl.bench import step_test as run_step
from ctrl.bench_relay import RelayTest
from ctrl.bench_relay import relay_test as run_relay
from ctrl.build import plant_of
from ctrl.candidates import pi_candidate
from ctrl.capability import at_duty, coldest_holdable, duty_for, limits_of
from ctrl.config import Config
from ctrl.first_order import (
    FirstOrder,
    crossover_guess,
    first_order,
    near_crossover,
    response_error_pct,
)
from ctrl.gain_map import GainMap, gain_map
from ctrl.linearise import (
    LinearPlant,
    frequency_response,
    linear_plant,
    steady_gain_k_per_duty,
    time_constants_s,
)
from plant.constants import ZERO_C_K

# A test needs room above and below; the limit itself and next to nothing leave none.
LEAST_SHARE, MOST_SHARE = 0.2, 0.8
MAPPED_DRIVES = ("fast_pwm", "smoothed")  # a relay's means are those of fast pulses
DRIFT_SHARE = 0.05  # of the step's fall that drift may make up over the step
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
    cabinet takes until its drift does not matter [h]; `harmonic_off_pct` and
    `describing_off_pct` are the relay test's response at its own frequency against the
    linear plant's, by the wave itself and by the describing function [%].
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
    harmonic_off_pct: float | None
    describing_off_pct: float | None
    maps: tuple[GainMap, ...]
    seed: int

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


def settle_hours(linear: LinearPlant, model: FirstOrder, step_duty: float, away_k: float) -> float:
    """Return how long a warm cabinet must stand at the duty before a step [h].

    Until the slowest mode, `away_k` [K] off at first, moves less than `DRIFT_SHARE` of the
    step's fall while the step lasts.
    """
    slowest_s = float(time_constants_s(linear)[-1])
    drift_k = abs(away_k) * model.horizon_s / slowest_s
    allowed_k = DRIFT_SHARE * model.gain_k * max(step_duty, 0.05)
    return slowest_s * max(log(max(drift_k / allowed_k, 1.0)), 0.25) / 3600.0


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
    if duty is None:
        held = duty_for(plant, ambient_k, config.use.target_c + ZERO_C_K, coldest)
        most = bench_of(config, plant, coldest.point, seed).most_duty
        wanted = coldest.point.duty if held is None else held.duty
        duty = round(min(max(wanted, LEAST_SHARE * most), MOST_SHARE * most), 2)
    point = at_duty(plant, duty, ambient_k)
    bench = bench_of(config, plant, point, seed)
    linear = linear_plant(plant, point)
    expected = first_order(linear, bench.delay_s)
    step, relay, missing = _tests(bench, expected)
    found = [(LINEAR, expected)]
    found += [] if step is None else [(STEP, step.fitted.model)]
    found += [] if relay is None else [(RELAY, relay.model)]
    omega = near_crossover(expected.low_rad_per_s)
    models = tuple(
        Model(name, item, response_error_pct(item, linear, bench.delay_s, omega),
              off_pct(item, expected))
        for name, item in found
    )  # fmt: skip
    harmonic, describing = _relay_off(relay, bench, linear)
    size = 0.5 if step is None else step.step_duty
    return Identification(
        config=config,
        ambient_c=room_c,
        linear=linear,
        bench=bench,
        models=models,
        missing=tuple(missing),
        step=step,
        relay=relay,
        settle_h=settle_hours(linear, expected, size, ambient_k - linear.reading_k),
        harmonic_off_pct=harmonic,
        describing_off_pct=describing,
        maps=gain_maps(config, linear),
        seed=seed,
    )


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
) -> tuple[float | None, float | None]:
    import numpy as np

    if relay is None:
        return None, None
    omega = np.array([2.0 * np.pi / relay.cycle.period_s])
    held_s = 0.5 * bench.firmware.tick_s
    exact = frequency_response(linear, omega, bench.delay_s + held_s)[0]
    harmonic = 100.0 * abs(relay.cycle.response / exact - 1.0)
    return float(harmonic), float(100.0 * (relay.describing_gain_k / abs(exact) - 1.0))


def gain_maps(config: Config, linear: LinearPlant) -> tuple[GainMap, ...]:
    """Return the gains of both kinds of drive where the tuned loop on each would cross."""
    base = plant_of(config)
    found = []
    for kind in MAPPED_DRIVES:
        tuned = pi_candidate(config, base, kind, linear.reading_k - ZERO_C_K, False)
        if tuned.margins is None:
            omega = 0.5 * crossover_guess(linear, 0.0)
        else:
            omega = tuned.margins.crossover_rad_per_s
        found.append(gain_map(config, base, kind, omega))
    return tuple(found)
