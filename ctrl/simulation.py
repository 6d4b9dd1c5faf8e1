"""One run with settings as they are written: what `coldloop simulate` does."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from ctrl.build import plant_of
from ctrl.cases import energy_boundary
from ctrl.config import Config
from ctrl.controllers import Outside
from ctrl.findings import DAY_S, Findings, findings_of
from ctrl.firmware import Settings, firmware_of, settings_of
from ctrl.loop import STATE_WORDS, energy_residual, water_residual
from ctrl.outside_loop import loop_around
from ctrl.protection import OUTSIDE_REASONS, REASONS
from ctrl.record import Record
from ctrl.trial import warm_state
from ctrl.weather_log import weather_rows_of
from plant.cabinet import to_record

ROW_S = 20.0  # widest spacing of the rows that findings read [s]


@dataclass(frozen=True)
class Simulation:
    """A run from a warm start, and what it shows.

    `state_shares` and `reason_shares` hold (words, share of the whole run's time [-]), the
    largest first.
    """

    config: Config
    settings: Settings
    record: Record
    findings: Findings
    state_shares: tuple[tuple[str, float], ...]
    reason_shares: tuple[tuple[str, float], ...]
    seed: int

    @property
    def days(self) -> float:
        """Length of the run [days]."""
        return self.record.duration_s / DAY_S


def shares(codes: np.ndarray, words: dict[int, str]) -> tuple[tuple[str, float], ...]:
    """Return (words, share of the rows [-]) of each code in `codes`, shape (rows,)."""
    found, counts = np.unique(codes.astype(np.int64), return_counts=True)
    named = [
        (words[int(code)], float(count) / codes.size)
        for code, count in zip(found, counts, strict=True)
    ]
    return tuple(sorted(named, key=lambda item: -item[1]))


def simulate(
    config: Config,
    *,
    days: float,
    seed: int,
    row_s: float = ROW_S,
    on_day: Callable[[float], None] = lambda day: None,
    settings: Settings | None = None,
    outside: Outside | None = None,
    piece_s: float = DAY_S,
    watch: Callable[[Record], bool] = lambda piece: True,
) -> Simulation:
    """Run the cabinet from room temperature, by default with the config's own settings.

    Parameters
    ----------
    config : Config
    days : float
        Length [days].
    seed : int
        Of the sensor noise.
    row_s : float
        Spacing of the record's rows [s].
    on_day : callable
        Told the day reached [days] about once a day, between two pieces of the run.
    settings : Settings, optional
        In place of the config's own.
    outside : Outside, optional
        A firmware from outside in place of ours.
    piece_s : float
        Length of a piece [s].
    watch : callable
        Told each piece's record; False ends the run there.

    Raises
    ------
    ValueError
        When a setting does not fit the firmware's words.
    NotFinite
        When a state stops being a number.
    """
    plant = plant_of(config)
    settings = settings_of(config) if settings is None else settings
    loop = loop_around(
        plant, firmware_of(config, settings), warm_state(plant, config), outside, seed=seed,
        weather_rows=weather_rows_of(config, plant),
    )  # fmt: skip
    # Whole rows in every piece, so that their spacing never breaks.
    piece_s = max(piece_s // row_s, 1.0) * row_s
    whole_s = max(days * DAY_S, row_s)
    parts: list[Record] = []
    while loop.time_s < whole_s - 0.5 * row_s:
        parts.append(loop.run(min(piece_s, whole_s - loop.time_s), row_s))
        on_day(loop.time_s / DAY_S)
        if not watch(parts[-1]):
            break
    record = _joined(parts, to_record(plant))
    found = findings_of(
        record, config.use.target_c, config.use.target_tolerance_k, energy_boundary(config)
    )
    return Simulation(
        config=config,
        settings=settings,
        record=record,
        findings=found,
        state_shares=shares(record["state"], STATE_WORDS),
        reason_shares=shares(record["reason"], REASONS | OUTSIDE_REASONS),
        seed=seed,
    )


def _joined(parts: list[Record], plant_record: np.record) -> Record:
    """Return the pieces of one run as one record, its balances taken over the whole."""
    first, last = parts[0], parts[-1]
    return Record(
        table=np.concatenate([part.table for part in parts]),
        tick_s=first.tick_s,
        row_s=first.row_s,
        start_state=first.start_state,
        end_state=last.end_state,
        energy_residual_rel=energy_residual(plant_record, first.start_state, last.end_state),
        water_residual_rel=water_residual(first.start_state, last.end_state),
        seed=first.seed,
        run=first.run,
    )


UNNAMED_MONEY = "money"  # the tariff's default


def money_words(config: Config) -> str:
    """Return the name of the money, or that it is the tariff's where the file names none."""
    currency = config.tariff.currency
    return "in your tariff's currency" if currency == UNNAMED_MONEY else currency


def money_per_day(config: Config) -> str:
    """Return the heading of what the electricity costs a day."""
    currency = config.tariff.currency
    return "cost/day" if currency == UNNAMED_MONEY else f"{currency}/day"


def cost_per_day(config: Config, kwh_per_day: float) -> float | None:
    """Return what the electricity costs a day, in the tariff's money, or None without a price."""
    price = config.tariff.per_kwh
    return None if price is None else price * kwh_per_day


def battery_lasts_h(config: Config, kwh_per_day: float) -> float | None:
    """Return how long the battery's whole capacity lasts [h], or None where it is not stated.

    Nominal capacity times usual voltage; a lead battery used to its end does not live long.
    """
    capacity_ah = config.supply.battery_ah
    if capacity_ah is None or kwh_per_day <= 0.0:
        return None
    return capacity_ah * config.supply.voltage_v / (1000.0 * kwh_per_day / 24.0)
