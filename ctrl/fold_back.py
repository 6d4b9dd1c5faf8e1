"""The hot side's fold-back where it decides: what a relay does instead of a duty limit.

A finer drive is given a duty limit that keeps the hot sink below the start of fold-back on the
hottest day at the highest voltage.  A relay has no duty to limit: on that day it is switched by
the fold-back, off above the full point and on again below the start.
"""

from dataclasses import dataclass

from ctrl.build import at_ambient, humidity_at, with_supply_v
from ctrl.capability import at_duty
from ctrl.config import Config
from plant.cabinet import Plant
from plant.constants import ZERO_C_K
from plant.steady import NoSteadyState


@dataclass(frozen=True)
class FoldBack:
    """Full drive in the hottest hour of the hottest day, at the highest voltage.

    `hot_sink_c` is None where the hot side finds no steady state: it runs away.
    """

    ambient_c: float
    supply_v: float
    hot_sink_c: float | None
    start_c: float
    full_c: float

    @property
    def decides(self) -> bool:
        """Whether the firmware switches a relay off there."""
        return self.hot_sink_c is None or self.hot_sink_c > self.full_c

    @property
    def words(self) -> str:
        """What decides there, with its figures; empty where fold-back does not act."""
        if not self.decides:
            return ""
        sink = "without bound" if self.hot_sink_c is None else f"to {self.hot_sink_c:.1f} °C"
        return (
            f"in the hottest hour of the hottest day at the highest voltage ({self.ambient_c:g} "
            f"°C, {self.supply_v:g} V) full drive warms the hot sink {sink}: there the fold-back "
            f"decides, not the band; it switches the relay off above {self.full_c:g} °C and on "
            f"again below {self.start_c:g} °C"
        )


def relay_fold_back(config: Config, plant: Plant) -> FoldBack | None:
    """Return what full drive does to a relay's hot sink at worst, or None without its sensor.

    `plant` is on a relay; its room and voltage do not matter.
    """
    if config.hot_sink_sensor is None:
        return None
    room, protection = config.climate, config.protection
    hot_c, supply_v = room.worst_c + 0.5 * room.daily_swing_k, config.supply.highest_voltage_v
    # The day's air at its hottest hour: as much vapour as in the mean.
    hot = at_ambient(
        with_supply_v(plant, supply_v), room.worst_c, humidity_at(config, room.worst_c)
    )
    try:
        found: float | None = at_duty(hot, 1.0, hot_c + ZERO_C_K).hot_sink_k - ZERO_C_K
    except NoSteadyState:
        found = None
    return FoldBack(
        hot_c, supply_v, found, protection.fold_back_start_c, protection.fold_back_full_c
    )


def relay_words(config: Config, plant: Plant) -> str:
    """Return what decides of a relay's hot side at worst, in words; empty where nothing does."""
    found = relay_fold_back(config, plant)
    return "" if found is None else found.words
