"""How the tuned loop gets over a door opening, where the plant answers it least.

Stability is judged where the gain is highest, regulation where it is lowest: the slowest
recovery of any point that the loop was tuned on.
"""

from dataclasses import dataclass, replace

import numpy as np

from ctrl.config import Config
from ctrl.firmware import Settings, firmware_of
from ctrl.linearise import sensed_temperature_k
from ctrl.loop import Loop
from ctrl.record import Record
from ctrl.trial import loop_at
from plant.cabinet import Plant
from plant.constants import ZERO_C_K
from plant.steady import Operating

SETTLE_S, WATCHED_S, ROW_S = 900.0, 3.0 * 3600.0, 5.0
BACK_K = 0.2  # the air is back when this near to what it would have been; no source
OPEN_S = 10.0  # where the config's door is never opened


@dataclass(frozen=True)
class Regulation:
    """A door opening under control.

    Attributes
    ----------
    peak_k : float
        Most that the air rises above what it would have been [K].
    recovers_s : float or None
        From the door's closing until the air is within 0.2 K of it for good [s]; None when
        not within three hours.
    open_s : float
        [s].
    duty, ambient_c : float
        Of the point [-, °C].
    """

    peak_k: float
    recovers_s: float | None
    open_s: float
    duty: float
    ambient_c: float


def door_recovery(
    config: Config, plant: Plant, settings: Settings, point: Operating, humidity_ratio: float
) -> Regulation:
    """Return what one door opening does from a steady point, its reading as the setpoint.

    Two runs of the firmware on the whole plant, with and without the opening; what they
    share (drift, steps of the reading) falls out of the difference.
    """
    open_s = config.use.door_open_s if config.use.door_openings_per_day > 0 else OPEN_S
    aimed = replace(
        settings, setpoint_c=round(sensed_temperature_k(plant, point) - ZERO_C_K, 2), defrost=None
    )
    firmware = firmware_of(config, aimed)
    runs = {}
    for openings in (0, 1):
        climate = replace(
            plant.climate, mean_k=point.ambient_k, humidity_ratio=humidity_ratio, swing_k=0.0,
            doors_per_day=openings, door_open_s=open_s, door_first_hour=SETTLE_S / 3600.0,
            door_last_hour=SETTLE_S / 3600.0, load_share=0.0,
        )  # fmt: skip
        quiet = replace(plant, climate=climate)
        quiet = replace(quiet, control_sensor=replace(quiet.control_sensor, noise_k=0.0))
        loop: Loop = loop_at(quiet, firmware, point)
        runs[openings] = loop.run(SETTLE_S + WATCHED_S, ROW_S)
    peak_k, recovers_s = recovery_of(runs[1], runs[0], SETTLE_S + open_s)
    return Regulation(peak_k, recovers_s, open_s, point.duty, point.ambient_k - ZERO_C_K)


def recovery_of(with_door: Record, without: Record, closed_s: float) -> tuple[float, float | None]:
    """Return (largest rise of the air [K], time from `closed_s` until within 0.2 K [s])."""
    rise = with_door["air_c"] - without["air_c"]
    away = np.flatnonzero(np.abs(rise) > BACK_K)
    if away.size == 0:
        return float(np.max(rise)), 0.0
    if away[-1] == rise.size - 1:
        return float(np.max(rise)), None
    back_s = float(with_door["time_s"][away[-1] + 1])
    return float(np.max(rise)), max(back_s - closed_s, 0.0)
