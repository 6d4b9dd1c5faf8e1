"""What a thermostat's band buys: swing against switchings, predicted and simulated.

The closed-form cycle (`ctrl.switching_cycle`) is the first guess; the whole plant with its
daily swing, doors and damp air is the judge.  A contact's life is counted in switchings; for
the module only the cycles are told, with span and peak of its hot face: no source gives
years for a module in this use, and none are made up.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from math import inf

import numpy as np

from ctrl.build import plant_of
from ctrl.candidates import Candidate, on_off_candidate, reading_delay_s, setpoint_for
from ctrl.capability import coldest_holdable, flashed_coldest, limits_of
from ctrl.config import Config
from ctrl.findings import DAY_S, span
from ctrl.firmware import Settings, firmware_of
from ctrl.record import Record
from ctrl.switching_cycle import Cycle, NoCycle, SwitchedPlant, switched_plant
from ctrl.trial import nearest_point, run_settled
from ctrl.tuning import NoTuning, relay_life_years
from plant import climate as climate_part
from plant import sensors
from plant.cabinet import Plant
from plant.constants import ZERO_C_K
from plant.steady import Operating

BANDS_K = (0.3, 0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0)
MOST_DEVIATION = 0.10  # beyond it the simulated cycle decides
SEARCH_STEPS = 10
LEAST_BAND_K = 0.2
CALM_DAYS = 3
CENTRED_K = 0.1
CENTRINGS = 2
PLACES = {"air": sensors.AIR, "cold_sink": sensors.COLD_SINK, "contents": sensors.CONTENTS}


@dataclass(frozen=True)
class Seen:
    """A thermostat's cycle as a simulated day shows it.

    Swings of air and contents: the median over whole cycles, so that a door counts for one
    cycle [K]; `contents_range_k` over the day [K]; span and peak of the module's hot face
    [K, °C].
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


@dataclass(frozen=True)
class PlacePoint:
    """The thermostat with its sensor at one place, by the same rule for the band."""

    place: str
    hysteresis_k: float
    setpoint_c: float
    usual: Seen
    relay_life_years: float | None
    note: str


@dataclass(frozen=True)
class TradeOff:
    """Bands compared, the band that is taken and why, and the sensor's places."""

    config: Config
    setpoint_c: float
    points: tuple[BandPoint, ...]
    chosen: BandPoint
    decided_by: str
    places: tuple[PlacePoint, ...]
    seed: int
    has_relay: bool


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

    def _start(self, plant: Plant) -> Operating:
        coldest = coldest_holdable(plant, plant.climate.mean_k, limits_of(self.config))
        return nearest_point(plant, self.config.use.target_c + ZERO_C_K, coldest)

    @cached_property
    def starts(self) -> dict[bool, tuple[Plant, Operating]]:
        """(Plant, steady point to start from) of the calm room (True) and of the config's own."""
        quiet = calm(self.plant)
        return {True: (quiet, self._start(quiet)), False: (self.plant, self._start(self.plant))}

    def run(self, hysteresis_k: float, *, quiet: bool, days: int = CALM_DAYS) -> Seen:
        """Return the settled cycle with a full band [K], on a calm day or in the config's own."""
        plant, start = self.starts[quiet]
        settings = replace(self.settings, hysteresis_k=hysteresis_k)
        return seen_in(
            run_settled(
                plant, firmware_of(self.config, settings), start, seed=self.seed, most_days=days
            ).record
        )

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


def band_point(
    thermostat: Thermostat, switched: SwitchedPlant | None, hysteresis_k: float
) -> BandPoint:
    """Return one band's guess and simulations."""
    usual = thermostat.run(hysteresis_k, quiet=False)
    life = relay_life_years(usual.cycles_per_hour, thermostat.config.limits.relay_cycles)
    return BandPoint(
        hysteresis_k,
        thermostat.guess(switched, hysteresis_k),
        thermostat.run(hysteresis_k, quiet=True),
        usual,
        life,
    )


def least_band_k(config: Config, thermostat: Thermostat, least_k: float, most_k: float) -> float:
    """Return the least band whose simulated cycles spare the contact long enough [K].

    Bisected on the simulation in the config's own day; `most_k` where none does.
    """
    wanted = config.limits.relay_life_years

    def spares(band_k: float) -> bool:
        rate = thermostat.run(band_k, quiet=False).cycles_per_hour
        return relay_life_years(rate, config.limits.relay_cycles) >= wanted

    if spares(least_k):
        return least_k
    low, high = least_k, most_k
    if not spares(high):
        return most_k
    for _ in range(SEARCH_STEPS):
        if high - low <= 0.05:
            break
        middle = 0.5 * (low + high)
        low, high = (low, middle) if spares(middle) else (middle, high)
    return high


def decided_band(
    config: Config, candidate: Candidate, thermostat: Thermostat, switched: SwitchedPlant | None
) -> tuple[BandPoint, str]:
    """Return (the band to flash, what decided it): the guess, or the simulation where they differ.

    The band of `tune_on_off` stands where its predicted cycle is within `MOST_DEVIATION` of
    the simulated one; otherwise the least band that spares the contact is sought on the
    simulation, up to the widest swing that the contents allow.
    """
    first = band_point(thermostat, switched, candidate.settings.hysteresis_k)
    why = candidate.decided_by
    life = first.relay_life_years or inf
    for_life = "life of the relay" in why
    if first.guess_is_good and not (for_life and life < config.limits.relay_life_years):
        return first, f"{why}; the predicted cycle, within 10 % of the simulated one"
    if not for_life and "swing" not in why:
        return first, f"{why}; no cycle enters that"
    most_k = max(BANDS_K[-1], first.hysteresis_k)
    if first.usual.air_swing_k > 0.0:
        most_swing_k = candidate.on_off.cycle.air_swing_k if candidate.on_off else inf
        most_k = min(most_k, first.hysteresis_k * max(most_swing_k / first.usual.air_swing_k, 1.0))
    band_k = round(least_band_k(config, thermostat, LEAST_BAND_K, most_k) + 0.049, 1)
    if abs(band_k - first.hysteresis_k) < 0.05:
        return first, f"{why}; the simulated cycle, which gives the same band"
    return (
        band_point(thermostat, switched, band_k),
        f"{why}, on the simulated cycle (the predicted one: "
        f"{_percent(first.period_deviation)} in period, "
        f"{_percent(first.swing_deviation)} in swing)",
    )


def _percent(share: float | None) -> str:
    return "an unknown share" if share is None else f"{100.0 * share:+.0f} %"


def placed(config: Config, place: str) -> Config:
    """Return the config with its control sensor at another place."""
    if config.sensor.place == place:
        return config
    sensor = config.sensor.model_copy(update={"place": place})
    return config.model_copy(update={"sensor": sensor})


def thermostat_of(config: Config, seed: int) -> tuple[Candidate, Thermostat]:
    """Return the tuned thermostat on a relay, setpoint moved onto the target.

    Raises
    ------
    NoTuning
        When the thermostat would be always on or always off.
    """
    config = relay_config(config)
    plant = plant_of(config)
    usual = flashed_coldest(config, plant, config.climate.usual_c + ZERO_C_K)
    candidate = on_off_candidate(config, plant, "relay", setpoint_for(config, plant, usual), True)
    if candidate.on_off is None:
        raise NoTuning(candidate.note.removeprefix("not tuned: "))
    thermostat = Thermostat(config, candidate.plant, candidate.settings, seed)
    for _ in range(CENTRINGS):
        seen = thermostat.run(candidate.settings.hysteresis_k, quiet=False)
        miss_k = seen.contents_c_mean - config.use.target_c
        if not CENTRED_K < abs(miss_k) <= 2.0 * config.use.target_tolerance_k:
            break
        moved = round(candidate.settings.setpoint_c - miss_k, 1)
        settings = replace(candidate.settings, setpoint_c=moved)
        candidate = replace(candidate, settings=settings)
        thermostat = replace(thermostat, settings=settings)
    return candidate, thermostat


def place_point(config: Config, place: str, seed: int) -> PlacePoint | None:
    """Return the thermostat with its sensor at a place, band by the same rule, or None.

    None where it would not cycle.
    """
    try:
        candidate, thermostat = thermostat_of(placed(config, place), seed)
    except NoTuning:
        return None
    settings = candidate.settings
    usual = thermostat.run(settings.hysteresis_k, quiet=False)
    life = relay_life_years(usual.cycles_per_hour, config.limits.relay_cycles)
    note = "as it is now" if place == config.sensor.place else ""
    return PlacePoint(place, settings.hysteresis_k, settings.setpoint_c, usual, life, note)


def trade_off(config: Config, *, bands_k: Sequence[float] = BANDS_K, seed: int = 1) -> TradeOff:
    """Return the trade-off of a thermostat on this cabinet with a relay.

    Parameters
    ----------
    config : Config
    bands_k : sequence of float
        Full bands to try [K].
    seed : int
        Of the sensor noise.

    Raises
    ------
    NoTuning
        When the thermostat would be always on or always off in the usual room.
    """
    candidate, thermostat = thermostat_of(config, seed)
    switched = thermostat.switched()
    chosen, why = decided_band(config, candidate, thermostat, switched)
    points = [band_point(thermostat, switched, band_k) for band_k in bands_k]
    places = [place_point(config, place, seed) for place in PLACES]
    return TradeOff(
        config, candidate.settings.setpoint_c, tuple(points), chosen, why,
        tuple(item for item in places if item is not None), seed,
        config.drive.kind in ("relay", "slow_window"),
    )  # fmt: skip
