"""A thermostat's bands: swing against switchings, predicted and simulated, and the one to take.

The closed-form cycle (`ctrl.switching_cycle`) is the first guess; the whole plant with its
daily swing, doors and damp air is the judge.  A contact's life is counted in switchings; for
the module only the cycles are told, with span and peak of its hot face: no source gives
years for a module in this use, and none are made up.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache, cached_property
from math import ceil, inf

import numpy as np

from ctrl.candidates import Candidate, most_air_swing_k, reading_delay_s
from ctrl.capability import coldest_holdable, limits_of
from ctrl.cases import usual_run
from ctrl.config import Config
from ctrl.findings import DAY_S, span
from ctrl.firmware import Settings, firmware_of, reading_step_k
from ctrl.protection_settings import R_FOLD_BACK
from ctrl.record import Record
from ctrl.switching_cycle import Cycle, NoCycle, SwitchedPlant, switched_plant
from ctrl.trial import nearest_point, run_settled
from ctrl.tuning import BAND_OVER_NOISE, LEAST_BAND_K, relay_life_years
from plant import climate as climate_part
from plant.cabinet import Plant
from plant.constants import ZERO_C_K
from plant.steady import Operating

BANDS_K = (0.3, 0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0)
MOST_DEVIATION = 0.10  # beyond it the simulated cycle decides
CALM_DAYS = 3
FOLDED_SHARE = 0.01  # of the day; beyond it the fold-back switches the relay, not the band
NEVER_PER_H = 0.01  # once in four days, for a contact that never switches: no infinite life


@dataclass(frozen=True)
class Seen:
    """A thermostat's cycle as a simulated day shows it.

    Swings of air and contents: the median over whole cycles, so that a door counts for one
    cycle [K]; `contents_range_k` and `air_day_range_k` over the day, doors and melts included [K];
    span and peak of the module's hot face [K, °C]; hottest hot sink [°C] and share of the day in
    which its fold-back keeps the module off [-].
    """

    period_s: float
    run_share: float
    air_swing_k: float
    contents_swing_k: float
    contents_range_k: float
    contents_c_mean: float
    cycles_per_hour: float
    module_span_k: float
    module_peak_c: float
    energy_kwh_per_day: float
    air_day_range_k: float
    hot_sink_c_max: float
    folded_share: float


@dataclass(frozen=True)
class BandPoint:
    """One band: first guess, what is simulated on a calm day and in the config's own day.

    `period_deviation` and `swing_deviation` are guess over calm simulation less one [-];
    None where the guess finds no cycle.
    """

    hysteresis_k: float
    guess: Cycle | None
    calm: Seen
    usual: Seen
    relay_life_years: float | None

    @property
    def period_deviation(self) -> float | None:
        """Predicted over simulated period, less one [-]."""
        if self.guess is None or not np.isfinite(self.calm.period_s):
            return None
        return self.guess.period_s / self.calm.period_s - 1.0

    @property
    def swing_deviation(self) -> float | None:
        """Predicted over simulated swing of the air, less one [-]."""
        if self.guess is None or self.calm.air_swing_k <= 0.0:
            return None
        return self.guess.air_swing_k / self.calm.air_swing_k - 1.0

    @property
    def guess_is_good(self) -> bool:
        """Whether both deviations stay within `MOST_DEVIATION`."""
        both = (self.period_deviation, self.swing_deviation)
        return all(x is not None and abs(x) <= MOST_DEVIATION for x in both)


def starts_of(duty: np.ndarray) -> np.ndarray:
    """Return the rows at which a duty goes from zero to above zero."""
    running = duty > 0.0
    return np.flatnonzero(running[1:] & ~running[:-1]) + 1


def per_cycle(signal: np.ndarray, starts: np.ndarray) -> float:
    """Return the median range of a signal over whole cycles; over all of it without two starts."""
    if starts.size < 2:
        return float(np.ptp(signal))
    return float(
        np.median([np.ptp(signal[a : b + 1]) for a, b in zip(starts[:-1], starts[1:], strict=True)])
    )


def seen_in(record: Record) -> Seen:
    """Return the cycle that the record's last day shows."""
    part = record.last(DAY_S)
    starts = starts_of(part["duty"])
    period_s = inf
    if starts.size >= 2:
        period_s = float(starts[-1] - starts[0]) / (starts.size - 1) * part.row_s
    energy = part["energy_kwh"]
    hours = part.duration_s / 3600.0
    return Seen(
        period_s=period_s,
        run_share=float(np.mean(part["duty"])),
        air_swing_k=per_cycle(part["air_c"], starts),
        contents_swing_k=per_cycle(part["contents_c"], starts),
        contents_range_k=float(np.ptp(part["contents_c"])),
        contents_c_mean=float(np.mean(part["contents_c"])),
        cycles_per_hour=float(part["starts"][-1] - part["starts"][0]) / hours,
        module_span_k=float(np.ptp(part["hot_face_c"])),
        module_peak_c=span(part["hot_face_c"]).max,
        energy_kwh_per_day=float(energy[-1] - energy[0]) * 24.0 / hours,
        air_day_range_k=float(np.ptp(part["air_c"])),
        hot_sink_c_max=float(np.max(part["hot_sink_c"])),
        folded_share=float(np.mean(part["reason"] == R_FOLD_BACK)),
    )


def calm(plant: Plant) -> Plant:
    """Return the plant in a room that stays as it is: no swing, doors, loads or sun."""
    part = plant.climate
    changes: dict[str, float] = {"swing_k": 0.0, "doors_per_day": 0, "load_share": 0.0}
    known = {name: value for name, value in changes.items() if hasattr(part, name)}
    quiet: climate_part.Climate = replace(part, **known)  # type: ignore[arg-type]
    return replace(plant, climate=quiet)


@dataclass(frozen=True, eq=False)
class Thermostat:
    """A cabinet with its thermostat, ready to be run with other bands."""

    config: Config
    plant: Plant
    settings: Settings
    seed: int

    @cached_property
    def quiet(self) -> tuple[Plant, Operating]:
        """(Plant in a calm room, steady point to start from)."""
        plant = calm(self.plant)
        coldest = coldest_holdable(plant, plant.climate.mean_k, limits_of(self.config))
        return plant, nearest_point(plant, self.config.use.target_c + ZERO_C_K, coldest)

    def run(self, hysteresis_k: float, *, quiet: bool) -> Seen:
        """Return the settled cycle with a full band [K], on a calm day or in the config's own.

        The calm day knows no defrost, as the closed form knows none.
        """
        settings = replace(self.settings, hysteresis_k=hysteresis_k)
        if not quiet:
            run = usual_run(self.config, self.plant, settings, self.seed)
            return seen_in(run.settled.record)
        plant, start = self.quiet
        firmware = firmware_of(self.config, replace(settings, defrost=None))
        return seen_in(
            run_settled(plant, firmware, start, seed=self.seed, most_days=CALM_DAYS).record
        )

    def seen(self, hysteresis_k: float) -> tuple[Seen, float | None]:
        """Return the config's own day with a full band [K], and the contact's life there [a]."""
        usual = self.run(hysteresis_k, quiet=False)
        return usual, contact_life_years(self.config, usual.cycles_per_hour)

    def switched(self) -> SwitchedPlant | None:
        """Return the cabinet linear about its setpoint, or None where it would not cycle."""
        try:
            return switched_plant(
                calm(self.plant), self.settings.setpoint_c + ZERO_C_K, self.plant.climate.mean_k,
                delay_s=reading_delay_s(self.config, 1.0), on_duty=self.settings.duty_limit,
            )  # fmt: skip
        except NoCycle:
            return None

    def guess(self, switched: SwitchedPlant | None, hysteresis_k: float) -> Cycle | None:
        """Return the predicted cycle with a full band [K] and the same least times, or None."""
        if switched is None:
            return None
        try:
            return switched.predict(hysteresis_k, self.settings.min_on_s, self.settings.min_off_s)
        except NoCycle:
            return None


def relay_config(config: Config) -> Config:
    """Return the config with a relay in place of its drive, where it has none."""
    if config.drive.kind == "relay":
        return config
    drive = config.drive.model_copy(update={"kind": "relay"})
    return config.model_copy(update={"drive": drive})


def contact_life_years(config: Config, cycles_per_hour: float) -> float | None:
    """Return the life of a relay's contact [a], or None where nothing wears."""
    if not config.drive.contacts:
        return None
    return relay_life_years(max(cycles_per_hour, NEVER_PER_H), config.limits.relay_cycles)


def band_point(
    thermostat: Thermostat, switched: SwitchedPlant | None, hysteresis_k: float
) -> BandPoint:
    """Return one band's guess and simulations."""
    usual, life = thermostat.seen(hysteresis_k)
    return BandPoint(
        hysteresis_k,
        thermostat.guess(switched, hysteresis_k),
        thermostat.run(hysteresis_k, quiet=True),
        usual,
        life,
    )


def least_where(holds: Callable[[int], bool], low: int, high: int) -> int | None:
    """Return the least whole number from `low` to `high` that holds, or None; by bisection.

    What holds at one is taken to hold at every greater one.
    """
    if holds(low):
        return low
    if not holds(high):
        return None
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if holds(middle) else (middle, high)
    return high


def narrowest_band_k(config: Config, floor_k: float = LEAST_BAND_K) -> float:
    """Return the narrowest band that noise and step of the reading allow, at least a floor [K]."""
    part = config.sensor
    least = max(floor_k, BAND_OVER_NOISE * part.noise_k, 2.0 * reading_step_k(part))
    return ceil(10.0 * least - 1e-6) / 10.0


@dataclass(frozen=True)
class Wanted:
    """What a band is sought for: life of the contact [a] and largest swing of the air [K]."""

    life_years: float
    swing_k: float

    def met_by(self, point: BandPoint) -> bool:
        """Tell whether a simulated band meets both."""
        life = inf if point.relay_life_years is None else point.relay_life_years
        return life >= self.life_years and point.usual.air_swing_k <= self.swing_k


def sought_band(
    config: Config, thermostat: Thermostat, wanted: Wanted, first_k: float
) -> tuple[float, str]:
    """Return (band [K], what decided it), sought in steps of 0.1 K on the simulation.

    The least band that spares the contact; where that swings the air too far, the widest
    that does not: the swing comes before the relay, and the words say what it costs.
    """
    seen = cache(lambda tenths: thermostat.run(0.1 * tenths, quiet=False))

    def life_of(tenths: int) -> float:
        return contact_life_years(config, seen(tenths).cycles_per_hour) or inf

    def too_wide(tenths: int) -> bool:
        return seen(tenths).air_swing_k > wanted.swing_k

    least = round(10.0 * narrowest_band_k(config))
    most = max(round(10.0 * max(BANDS_K[-1], 2.0 * first_k)), least + 1)
    spares = least_where(lambda t: life_of(t) >= wanted.life_years, least, most)
    if spares is not None and not too_wide(spares):
        reason = "noise and step of the reading" if spares == least else "life of the relay"
        return 0.1 * spares, reason
    over = least_where(too_wide, least, most if spares is None else spares)
    band = most if over is None else max(over - 1, least)
    why = f"swing of the air, {wanted.swing_k:g} K at most"
    if too_wide(band):
        why += f" (even this band swings it by {seen(band).air_swing_k:.2f} K)"
    if life_of(band) >= wanted.life_years:
        return 0.1 * band, why
    # Its own life is told beside it, from the settled day of what is flashed.
    why += f", against the relay's life, of which {wanted.life_years:g} years are wanted"
    if spares is None:
        return 0.1 * band, f"{why} and no band up to {0.1 * most:.1f} K gives"
    return 0.1 * band, (
        f"{why}; {0.1 * spares:.1f} K would give {life_of(spares):.1f}, with a swing of "
        f"{seen(spares).air_swing_k:.2f} K"
    )


def decided_band(
    config: Config, candidate: Candidate, thermostat: Thermostat, switched: SwitchedPlant | None
) -> tuple[BandPoint, str]:
    """Return (the band to flash, what decided it): the guess, or the simulation where they differ.

    The band of `tune_on_off` stands where its predicted cycle is within `MOST_DEVIATION` of
    the simulated one and the simulated one meets life and swing; otherwise the simulation
    decides: the least band that spares the contact, up to the widest swing of the air that
    the contents allow (`most_air_swing_k`).
    """
    first = band_point(thermostat, switched, candidate.settings.hysteresis_k)
    why = candidate.decided_by
    wanted = Wanted(
        config.limits.relay_life_years,
        most_air_swing_k(config, candidate.plant, candidate.settings.setpoint_c),
    )
    if first.usual.folded_share > FOLDED_SHARE:
        return first, _folded_words(config, first.usual)
    if wanted.met_by(first):
        if "life of the relay" not in why and "swing" not in why:
            return first, f"{why}; no cycle enters that"
        if first.guess_is_good:
            return first, f"{why}; the predicted cycle, within 10 % of the simulated one"
    band_k, why = sought_band(config, thermostat, wanted, first.hysteresis_k)
    band_k = round(band_k, 1)
    if abs(band_k - first.hysteresis_k) < 0.05:
        return first, f"{why}; on the simulated cycle, which gives the predicted band"
    return (
        band_point(thermostat, switched, band_k),
        f"{why}; on the simulated cycle (the predicted one: "
        f"{_percent(first.period_deviation)} in period, "
        f"{_percent(first.swing_deviation)} in swing)",
    )


def _folded_words(config: Config, seen: Seen) -> str:
    """Return that the fold-back switches the relay, so that no band decides."""
    part = config.protection
    return (
        f"the fold-back, not by the band: the hot sink keeps the relay off "
        f"{100.0 * seen.folded_share:.0f} % of the usual day, above {part.fold_back_full_c:g} °C "
        f"and until below {part.fold_back_start_c:g} °C; the band is the predicted one, and a "
        "better hot sink or less voltage would let it decide"
    )


def _percent(share: float | None) -> str:
    return "an unknown share" if share is None else f"{100.0 * share:+.0f} %"
