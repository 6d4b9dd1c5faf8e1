"""Where the cabinet stands: ambient temperature and humidity over the day, doors, loads."""

from dataclasses import dataclass
from math import cos, pi

from plant.compiled import kernel
from plant.moist_air import saturation_humidity_ratio

HOUR_S = 3600.0
DAY_S = 86400.0


@dataclass(frozen=True)
class Climate:
    """Ambient, and how the cabinet is used through the day.

    Parameters
    ----------
    mean_k, swing_k : float
        Mean ambient [K] and daily swing, lowest to highest [K].
    hottest_hour : float
        Hour of the day of the highest temperature [h].
    humidity_ratio : float
        Of the air [-]; constant over the day, as weather changes it slower than the sun.
    doors_per_day : int
        Openings, evenly spaced, the first at `door_first_hour`, the last at `door_last_hour`.
    door_open_s : float
        Length of each [s].
    door_first_hour, door_last_hour : float
        [h].
    load_share : float
        Share of the contents exchanged for warm ones each day [-].
    load_hour : float
        [h].
    load_k : float
        Temperature of the warm ones [K].
    """

    mean_k: float
    swing_k: float
    hottest_hour: float
    humidity_ratio: float
    doors_per_day: int
    door_open_s: float
    door_first_hour: float
    door_last_hour: float
    load_share: float
    load_hour: float
    load_k: float


@kernel
def ambient_temperature(climate, time_s):
    """Return the ambient temperature [K] at `time_s` [s] after midnight of the first day."""
    phase = 2.0 * pi * (time_s / DAY_S - climate.hottest_hour / 24.0)
    return climate.mean_k + 0.5 * climate.swing_k * cos(phase)


@kernel
def ambient_humidity_ratio(climate, ambient_k):
    """Return the ambient humidity ratio [-]: constant, but never above saturation."""
    return min(climate.humidity_ratio, saturation_humidity_ratio(ambient_k))


@kernel
def door_is_open(climate, time_s):
    """Tell whether the door stands open at `time_s` [s]."""
    if climate.doors_per_day < 1:
        return False
    since_first = time_s % DAY_S - climate.door_first_hour * HOUR_S
    if since_first < 0.0:
        return False
    opening = 0.0
    if climate.doors_per_day > 1:
        span = (climate.door_last_hour - climate.door_first_hour) * HOUR_S
        spacing = span / (climate.doors_per_day - 1)
        # The sum of the spacings need not meet the span to the last bit.
        opening = spacing * min((since_first + 1e-6) // spacing, climate.doors_per_day - 1.0)
    return since_first - opening < climate.door_open_s


@kernel
def load_is_due(climate, time_s, tick_s):
    """Tell whether the daily load falls into the tick that starts at `time_s` [s]."""
    if climate.load_share <= 0.0:
        return False
    since_load = (time_s - climate.load_hour * HOUR_S) % DAY_S
    return since_load < tick_s * (1.0 - 1e-9)
