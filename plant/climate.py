"""Where the cabinet stands: ambient temperature and humidity over the day, doors, loads."""

from dataclasses import dataclass
from math import cos, pi, sin

from plant.compiled import kernel
from plant.constants import STANDARD_PRESSURE_PA
from plant.moist_air import saturation_humidity_ratio, surely_unsaturated

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
    pressure_pa : float
        Of the air, at the cabinet's altitude [Pa].
    sun_w, radiant_w : float
        Absorbed by the cabinet's outside: sun at its highest, and steady heat radiation of
        something hot nearby, over what the room sends [W].
    sun_from_hour, sun_to_hour : float
        When the sun shines on the cabinet [h].
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
    pressure_pa: float = STANDARD_PRESSURE_PA
    sun_w: float = 0.0
    radiant_w: float = 0.0
    sun_from_hour: float = 6.0
    sun_to_hour: float = 18.0


@kernel
def ambient_temperature(climate, time_s):
    """Return the ambient temperature [K] at `time_s` [s] after midnight of the first day."""
    phase = 2.0 * pi * (time_s / DAY_S - climate.hottest_hour / 24.0)
    return climate.mean_k + 0.5 * climate.swing_k * cos(phase)


@kernel
def ambient_humidity_ratio(climate, ambient_k):
    """Return the ambient humidity ratio [-]: constant, but never above saturation."""
    ratio = climate.humidity_ratio
    if surely_unsaturated(ambient_k, ratio, climate.pressure_pa):
        return ratio
    return min(ratio, saturation_humidity_ratio(ambient_k, climate.pressure_pa))


@kernel
def absorbed_radiation(climate, time_s):
    """Return the sun and heat radiation that the cabinet's outside absorbs [W].

    The sun follows half a sine between its two hours (textbook shape of a clear day on a
    level face; a face to the east or west has its own hours).
    """
    if climate.sun_w <= 0.0:
        return climate.radiant_w
    hour = time_s % DAY_S / HOUR_S
    if hour <= climate.sun_from_hour or hour >= climate.sun_to_hour:
        return climate.radiant_w
    share = (hour - climate.sun_from_hour) / (climate.sun_to_hour - climate.sun_from_hour)
    return climate.radiant_w + climate.sun_w * sin(pi * share)


WEATHER_COLUMNS = 4  # time [s], ambient [K], humidity ratio [-], absorbed radiation [W]


@kernel
def weather_at(rows, time_s):
    """Return (ambient [K], humidity ratio [-], absorbed radiation [W]) of a weather log.

    `rows`, shape (rows, WEATHER_COLUMNS), evenly spaced from time 0; read linearly between
    them, and over again from the start after the last.
    """
    count = rows.shape[0]
    place = time_s / (rows[1, 0] - rows[0, 0])
    before = int(place)
    share = place - before
    one = rows[before % count]
    two = rows[(before + 1) % count]
    return (
        one[1] + share * (two[1] - one[1]),
        one[2] + share * (two[2] - one[2]),
        one[3] + share * (two[3] - one[3]),
    )


def mean_absorbed_radiation(climate: Climate) -> float:
    """Return the mean over the day of `absorbed_radiation` [W]; half a sine has 2/pi."""
    hours = climate.sun_to_hour - climate.sun_from_hour
    return climate.radiant_w + climate.sun_w * 2.0 / pi * hours / 24.0


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
