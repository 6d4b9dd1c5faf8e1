"""Short-term and steady gain over duty and room, for each drive, and where it reverses.

Stability is judged at the highest gain where the loop crosses, regulation at the lowest, and
the duty limit stands below the duty at which more drive no longer cools in the end.
"""

from dataclasses import dataclass

import numpy as np

from ctrl.build import at_ambient, humidity_at
from ctrl.candidates import with_drive
from ctrl.capability import (
    DUTY_RESOLUTION,
    PEAK_MARGIN,
    DutyLimit,
    at_duty,
    duty_limit,
    sensed_k,
)
from ctrl.config import Config
from ctrl.linearise import (
    frequency_response,
    linear_plant,
    short_term_gain_w_per_duty,
    steady_gain_k_per_duty,
)
from plant.cabinet import Plant
from plant.constants import ZERO_C_K
from plant.steady import NoSteadyState

DUTIES = (0.1, 0.25, 0.4, 0.55, 0.7, 0.85, 1.0)
# Where the deposit turns from water to ice the model bends the reading within hundredths of a
# kelvin: the slope in the bend is no gain that a loop meets. There the gain is taken across it.
BEND_K = 0.2
ACROSS = 0.05  # of duty, to each side; engineering choice


@dataclass(frozen=True)
class GainPoint:
    """Gains at one steady point: fall of the reading for a whole unit of duty.

    Attributes
    ----------
    duty, ambient_c : float
        [-, °C].
    crossover_gain_k, steady_gain_k : float
        At the map's frequency and in the end [K]; the latter across the onset of frost where
        the point lies in it (`across_frost`).
    short_gain_w : float
        Heat taken from the cold sink per unit of duty, both sinks held [W].
    regime : str
        "dry", "wet" or "frosting".
    """

    duty: float
    ambient_c: float
    crossover_gain_k: float
    steady_gain_k: float
    short_gain_w: float
    regime: str
    across_frost: bool = False


@dataclass(frozen=True)
class Reversal:
    """Duty beyond which more only warms, in one room; None where the gain never reverses.

    `limit_reading_c` is where the reading would stand at the duty limit [°C]; below the
    setpoint, a controller never asks for so much in the end, and the reversal cannot hold it.
    """

    ambient_c: float
    duty: float | None
    limit_reading_c: float | None = None

    def is_kept(self, limit: float, wanted_c: float) -> bool:
        """Tell whether a duty limit keeps off this reversal, or cannot be caught beyond it."""
        if self.duty is None or limit <= PEAK_MARGIN * self.duty + DUTY_RESOLUTION:
            return True
        return self.limit_reading_c is not None and self.limit_reading_c < wanted_c


@dataclass(frozen=True)
class GainMap:
    """Gains of one drive.

    Attributes
    ----------
    drive : str
    crossover_rad_per_s : float
        Frequency of `crossover_gain_k` [rad/s].
    points : tuple of GainPoint
        By room, then duty; where the hot side runs away there is none.
    reversals : tuple of Reversal
        One a room.
    limit : DutyLimit
        Of the hottest day at the highest voltage.
    """

    drive: str
    crossover_rad_per_s: float
    points: tuple[GainPoint, ...]
    reversals: tuple[Reversal, ...]
    limit: DutyLimit

    @property
    def first_reversal(self) -> float | None:
        """Smallest duty at which the gain reverses in any room [-], or None."""
        duties = [item.duty for item in self.reversals if item.duty is not None]
        return min(duties) if duties else None

    @property
    def margin(self) -> float | None:
        """How far the limit stands below the first reversal, as a share of it [-], or None."""
        first = self.first_reversal
        return None if first is None else 1.0 - self.limit.duty / first

    @property
    def highest(self) -> GainPoint:
        """Point of highest gain at crossover up to the limit: for stability."""
        return max(self.used, key=lambda point: point.crossover_gain_k)

    @property
    def lowest(self) -> GainPoint:
        """Point of lowest steady gain up to the limit: for regulation."""
        return min(self.used, key=lambda point: point.steady_gain_k)

    @property
    def used(self) -> list[GainPoint]:
        """Points up to the duty limit."""
        return [item for item in self.points if item.duty <= self.limit.duty + 1e-9] or [
            min(self.points, key=lambda item: item.duty)
        ]


def steady_gain_at(plant: Plant, duty: float, ambient_k: float) -> float:
    """Return the steady gain at a duty [K per unit duty]; below 0 where the hot side runs away."""
    try:
        return steady_gain_k_per_duty(linear_plant(plant, at_duty(plant, duty, ambient_k)))
    except NoSteadyState:
        return -np.inf


def gain_across(plant: Plant, duty: float, ambient_k: float) -> float:
    """Return the fall of the steady reading from `ACROSS` below to above a duty [K per unit].

    Raises
    ------
    NoSteadyState
        When the hot side runs away.
    """
    low, high = max(duty - ACROSS, 0.0), min(duty + ACROSS, 1.0)
    ends = [sensed_k(plant, at_duty(plant, x, ambient_k)) for x in (low, high)]
    return (ends[0] - ends[1]) / (high - low)


def _reading_c(plant: Plant, duty: float, ambient_k: float) -> float | None:
    try:
        return sensed_k(plant, at_duty(plant, duty, ambient_k)) - ZERO_C_K
    except NoSteadyState:
        return None


def reversal_of(plant: Plant, ambient_k: float, found: list[GainPoint]) -> float | None:
    """Return the duty at which the steady gain passes 0 [-], or None; `found` by rising duty."""
    low = found[0].duty if found else 0.0
    high = None
    for point in found:
        if point.steady_gain_k <= 0.0:
            high = point.duty
            break
        low = point.duty
    if high is None:
        if found and found[-1].duty >= 1.0:
            return None
        high = 1.0
    while high - low > DUTY_RESOLUTION:
        middle = 0.5 * (low + high)
        if steady_gain_at(plant, middle, ambient_k) > 0.0:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def gain_map(
    config: Config,
    base: Plant,
    kind: str,
    crossover_rad_per_s: float,
    duties: tuple[float, ...] = DUTIES,
) -> GainMap:
    """Return the gains of the cabinet on a drive in its coldest, usual and worst room.

    Parameters
    ----------
    config : Config
    base : Plant
        On any drive.
    kind : str
        Drive, one of `plant.drive.DRIVE_KINDS`.
    crossover_rad_per_s : float
        Where the loop crosses [rad/s].
    duties : tuple of float
        Rising, above 0 [-].
    """
    plant = with_drive(base, kind)
    limit = duty_limit(plant, config)
    room = config.climate
    points: list[GainPoint] = []
    reversals = []
    omega = np.array([crossover_rad_per_s])
    for ambient_c in sorted({room.coldest_c, room.usual_c, room.worst_c}):
        moved = at_ambient(plant, ambient_c, humidity_at(config, ambient_c))
        ambient_k, here = ambient_c + ZERO_C_K, []
        for duty in duties:
            try:
                point = at_duty(moved, duty, ambient_k)
                linear = linear_plant(moved, point)
                steady_k = steady_gain_k_per_duty(linear)
                in_bend = abs(point.cold_sink_k - ZERO_C_K) < BEND_K
                if in_bend:
                    steady_k = gain_across(moved, duty, ambient_k)
            except NoSteadyState:
                break
            here.append(
                GainPoint(
                    duty, ambient_c, float(abs(frequency_response(linear, omega)[0])),
                    steady_k, short_term_gain_w_per_duty(linear), linear.regime, in_bend,
                )
            )  # fmt: skip
        points += here
        reversals.append(
            Reversal(ambient_c, reversal_of(moved, ambient_k, here),
                     _reading_c(moved, limit.duty, ambient_k))
        )  # fmt: skip
    return GainMap(kind, crossover_rad_per_s, tuple(points), tuple(reversals), limit)
