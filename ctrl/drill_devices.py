"""Devices that may act when switch, sensor or firmware have failed.

Each opens the module's circuit and nothing else; fans and firmware keep their supply.  The two
cut-outs are independent.  The contactor is not: its rule listens to the firmware's alarm and
reading, and the exported firmware has no pin for it; it is tried, and never counts.
"""

from collections.abc import Callable
from dataclasses import dataclass
from math import floor, inf, isfinite

import numpy as np

from ctrl.cases import contents_min_c
from ctrl.config import Config
from ctrl.loop import FAULT, TRIPPED, Loop
from ctrl.protection import P_ALARM
from ctrl.record import INDEX
from plant.cabinet import Plant

HOT_SIDE, CABINET, CONTACTOR = "hot-side cut-out", "low-temperature cut-out", "series contactor"

RATING_STEP_C = 5.0  # cut-outs are sold in steps of 5 °C (from memory)
CLOSES_ABOVE_K = 4.0  # a small cold thermostat's difference; common practice, no source
BELOW_MIN_K = 10.0  # below the target, where no coldest temperature is stated
CONTACTOR_BELOW_K = 3.0  # invented, as the ten minutes are
CONTACTOR_AFTER_S = 600.0


@dataclass(frozen=True)
class DeviceSpec:
    """A device, as fitted or as one could be.

    `opens_c` is the temperature that it opens at [°C], None for a contactor; `fitted` tells
    whether the config states it.
    """

    name: str
    fitted: bool
    opens_c: float | None
    words: str

    @property
    def independent(self) -> bool:
        """Whether it needs neither firmware nor the firmware's sensor."""
        return self.name != CONTACTOR

    @property
    def counted(self) -> bool:
        """Whether it counts for passing a drill."""
        return self.fitted and self.independent


def device_specs(config: Config, plant: Plant) -> tuple[DeviceSpec, ...]:
    """Return the three devices that a drill tries, with where each opens."""
    part = config.protection
    hot_c, low_c = part.hot_cut_out_c, part.low_cut_out_c
    if hot_c is None:
        hot_c = _rating_c(config, plant)
    if low_c is None:
        coldest = contents_min_c(config, plant)
        low_c = config.use.target_c - BELOW_MIN_K if coldest is None else coldest
    return (
        DeviceSpec(
            HOT_SIDE, part.hot_cut_out_c is not None, hot_c,
            f"on the hot sink, in the module's supply wire; opens at {hot_c:g} °C and stays "
            "open until reset by hand",
        ),
        DeviceSpec(
            CABINET, part.low_cut_out_c is not None, low_c,
            f"a thermostat of its own in the cabinet's air; opens at {low_c:g} °C, closes "
            f"{CLOSES_ABOVE_K:g} K above",
        ),
        DeviceSpec(
            CONTACTOR, part.series_contactor, None,
            "a second switch in the module's supply wire; as tried it opens with the firmware's "
            f"alarm, or when the firmware's reading has been {CONTACTOR_BELOW_K:g} K below the "
            f"setpoint for {CONTACTOR_AFTER_S / 60.0:g} min, and closes at the setpoint. The "
            "exported firmware does not drive it: it never counts, and tells only what it would "
            "save if driven by a circuit of its own",
        ),
    )  # fmt: skip


def _rating_c(config: Config, plant: Plant) -> float:
    """Return the highest rating [°C] that opens before hot sink and foam reach their limits."""
    limits, room_c = config.limits, config.climate.worst_c
    share = plant.hot_sink.foam_share
    sink_c = limits.hot_sink_max_c
    if share > 0.0:
        sink_c = min(sink_c, room_c + (limits.foam_max_c - room_c) / share)
    return floor(sink_c / RATING_STEP_C) * RATING_STEP_C


class Device:
    """One device in one run; it looks every half minute, and every other second near its point."""

    def __init__(self, spec: DeviceSpec, setpoint_c: float) -> None:
        self.spec = spec
        self.opened = False
        self.opened_at_s: float | None = None
        self._setpoint_c = setpoint_c
        self._cold_s = 0.0
        self._last_c, self._rate_c_per_s = inf, 0.0

    @property
    def looks(self) -> bool:
        """Whether it still has something to decide: what stays open does not."""
        return not (self.opened and self.spec.name == HOT_SIDE)

    def is_near(self, seconds: float) -> bool:
        """Tell whether what it feels may reach its point within so many seconds [s]."""
        if self.spec.opens_c is None or self.opened or not isfinite(self._last_c):
            return False
        left_k = self.spec.opens_c - self._last_c
        going = self._rate_c_per_s * seconds
        return going >= left_k if self.spec.name == HOT_SIDE else going <= left_k

    def _feel(self, row: np.ndarray, seconds: float) -> None:
        now_c = float(row[INDEX["hot_sink_c" if self.spec.name == HOT_SIDE else "air_c"]])
        if isfinite(self._last_c):
            self._rate_c_per_s = (now_c - self._last_c) / seconds
        self._last_c = now_c

    def look(self, row: np.ndarray, loop: Loop, seconds: float) -> bool:
        """Decide by the last row of a record; return whether the contact moved."""
        before = self.opened
        self._feel(row, seconds)
        rule: Callable[[np.ndarray, Loop, float], bool] = {
            HOT_SIDE: self._hot_side, CABINET: self._cabinet, CONTACTOR: self._contactor,
        }[self.spec.name]  # fmt: skip
        self.opened = rule(row, loop, seconds)
        if self.opened and self.opened_at_s is None:
            self.opened_at_s = float(row[INDEX["time_s"]])
        return self.opened != before

    def _hot_side(self, row: np.ndarray, loop: Loop, seconds: float) -> bool:
        assert self.spec.opens_c is not None
        return self.opened or bool(row[INDEX["hot_sink_c"]] >= self.spec.opens_c)

    def _cabinet(self, row: np.ndarray, loop: Loop, seconds: float) -> bool:
        assert self.spec.opens_c is not None
        most_c = self.spec.opens_c + (CLOSES_ABOVE_K if self.opened else 0.0)
        return bool(row[INDEX["air_c"]] <= most_c)

    def _contactor(self, row: np.ndarray, loop: Loop, seconds: float) -> bool:
        reading_c = row[INDEX["reading_c"]]
        cold = reading_c <= self._setpoint_c - CONTACTOR_BELOW_K
        self._cold_s = self._cold_s + seconds if cold else 0.0
        if int(loop.guard_state[P_ALARM]) == 1 or int(row[INDEX["state"]]) in (FAULT, TRIPPED):
            return True
        if self._cold_s >= CONTACTOR_AFTER_S:
            return True
        return self.opened and bool(reading_c < self._setpoint_c)


def would_act_at_s(spec: DeviceSpec, table: np.ndarray, setpoint_c: float) -> float | None:
    """Return when a device first opens in a run that it did not guard [s], or None."""
    time_s = table[:, INDEX["time_s"]]
    if spec.name == HOT_SIDE:
        hit = table[:, INDEX["hot_sink_c"]] >= spec.opens_c
    elif spec.name == CABINET:
        hit = table[:, INDEX["air_c"]] <= spec.opens_c
    else:
        cold = table[:, INDEX["reading_c"]] <= setpoint_c - CONTACTOR_BELOW_K
        warm_s = np.maximum.accumulate(np.where(cold, -np.inf, time_s))
        since_s = np.where(np.isfinite(warm_s), warm_s, time_s[0])
        hit = (time_s - since_s >= CONTACTOR_AFTER_S) & cold
        hit |= np.isin(table[:, INDEX["state"]], (FAULT, TRIPPED))
    found = np.flatnonzero(hit)
    return float(time_s[found[0]]) if found.size else None
