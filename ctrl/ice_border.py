"""The border of ice in one room: the coldest contents from which on no warmer ones ice.

Colder does not ice more at each step: a thermostat's cycles fall otherwise onto the day's
doors, and the gaps closed go up and down by a share of the limit from one setpoint to the
next.  So the border is not halved in to alone: the steps around what halving finds are run,
and how far the ice rises towards warmer contents tells by how much the runs scatter.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from math import ceil

import numpy as np

from ctrl.build import at_ambient
from ctrl.candidates import Candidate
from ctrl.capability import coldest_holdable, flashed_coldest, limits_of, sensed_k
from ctrl.config import Config
from ctrl.ice import Ice, coldest_ice_free_c
from ctrl.recommend_ice import ice_at
from ctrl.side_by_side import side_by_side
from ctrl.trial import nearest_point
from plant.constants import ZERO_C_K

STEP_K = 0.25
LOOK_DAYS = 5
# Steps run above the warmest that ices and below it, close by every one: to 2 K and to 1 K.
# Engineering choice.
BESIDE = (-4, -3, -2, -1, 1, 2, 3, 4, 6, 8)
# Ice beyond this share of the limit says nothing of the scatter at the limit.
NEAR_LIMIT = 2.0


@dataclass(frozen=True)
class Look:
    """One setpoint without defrost: what the contents mean as run [°C], and the ice."""

    setpoint_c: float
    ice: Ice

    @property
    def contents_c(self) -> float:
        """Mean of the contents as run [°C]."""
        return self.ice.contents_c_mean

    @property
    def words(self) -> str:
        """The look in words."""
        return f"{self.contents_c:.1f} °C (setpoint {self.setpoint_c:.1f} °C)"


@dataclass(frozen=True)
class IceBorder:
    """Where ice begins in one room at the dampest air.

    `clear` is the coldest look from which on every warmer one is clear by more than the runs
    scatter, None where even the warmest is not; `icy` the warmest that ices, None where none
    did; `lone` the clear ones that are colder than that; `scatter_pct` how far the gaps closed
    go up and down between neighbours [%].
    """

    clear: Look | None
    icy: Look | None
    lone: tuple[Look, ...]
    scatter_pct: float
    looks: tuple[Look, ...]

    @property
    def contents_c(self) -> float | None:
        """Coldest mean of the contents from which on nothing ices [°C]."""
        return None if self.clear is None else self.clear.contents_c

    @property
    def setpoint_c(self) -> float | None:
        """The setpoint that gives it [°C]."""
        return None if self.clear is None else self.clear.setpoint_c

    def words(self, room: str) -> str:
        """Return the border in words, with what is clear below it and how the runs scatter."""
        if self.clear is None:
            return f"It ices at every temperature tried in the {room} room"
        if self.clear == self.looks[0]:
            return f"It does not ice down to the coldest the {room} room lets it hold"
        text = f"Coldest contents without ice, {room} room: {self.clear.words}, to {STEP_K:g} K"
        if self.icy is not None:
            text += f"; the warmest run that ices: {self.icy.words}"
        if self.scatter_pct >= 0.05:
            text += (
                f"; from one setpoint to the next the gaps closed scatter by "
                f"±{self.scatter_pct:.1f} %, which is kept off the limit of "
                f"{self.clear.ice.limit_pct:g} %"
            )
        if self.lone:
            named = ", ".join(look.words for look in self.lone)
            text += f"; clear among colder and warmer that ice, not to be relied on: {named}"
        return text


def scatter_of(looks: Mapping[int, Look]) -> float:
    """Return half of the largest rise of the gaps closed towards warmer contents [%].

    Warmer contents should ice less: what rises all the same is scatter.
    """
    near = [
        looks[n].ice.blockage_pct for n in sorted(looks)
        if looks[n].ice.blockage_pct < NEAR_LIMIT * looks[n].ice.limit_pct
    ]  # fmt: skip
    rises = (warmer - colder for i, colder in enumerate(near) for warmer in near[i + 1 :])
    return 0.5 * max(0.0, max(rises, default=0.0))


def is_clear(look: Look, scatter_pct: float) -> bool:
    """Tell whether a look is clear by more than the runs scatter."""
    ice = look.ice
    return not ice.ices and (
        ice.blockage_pct == 0.0 or ice.blockage_pct + scatter_pct < ice.limit_pct
    )


def border_of(
    look_at: Callable[[float], Look],
    low_c: float,
    high_c: float,
    guess_c: float,
    *,
    step_k: float = STEP_K,
    workers: int | None = 1,
) -> IceBorder:
    """Return the border on steps between two temperatures of the contents aimed at [°C].

    Parameters
    ----------
    look_at : callable
        Runs the cabinet aimed at a contents' temperature [°C].
    low_c, high_c : float
        Coldest and warmest aimed at [°C].
    guess_c : float
        Where to begin [°C]; moves no answer but where runs scatter.
    step_k : float
        Between two looks [K].
    workers : int, optional
        Threads; as many as cores with None.  What is looked at does not depend on them.
    """
    top = max(ceil((high_c - low_c) / step_k), 0)
    looks: dict[int, Look] = {}

    def looked(n: int) -> Look:
        if n not in looks:
            looks[n] = look_at(low_c + n * step_k)
        return looks[n]

    def ices_at(contents_c: float) -> bool:
        return looked(round((contents_c - low_c) / step_k)).ice.ices

    # Steps of a power of two many, so that halving keeps to them; beyond the top nothing ices.
    cells = 2 ** max(ceil(np.log2(max(top, 1))), 0)
    coldest_ice_free_c(
        lambda c: c <= low_c + (top + 0.5) * step_k and ices_at(c),
        low_c, low_c + cells * step_k, step_k, guess_c,
    )  # fmt: skip
    while True:
        scatter_pct = scatter_of(looks)
        icy = max((n for n in looks if not is_clear(looks[n], scatter_pct)), default=-1)
        wanted = (icy + steps for steps in BESIDE)
        missing = [n for n in wanted if 0 <= n <= top and n not in looks]
        if not missing:
            break
        found = side_by_side(lambda n: look_at(low_c + n * step_k), missing, workers)
        looks.update(zip(missing, found, strict=True))
    clear = [n for n in sorted(looks) if n > icy]
    warmest = max((n for n in looks if looks[n].ice.ices), default=-1)
    lone = [n for n in sorted(looks) if n < warmest and not looks[n].ice.ices]
    return IceBorder(
        clear=looks[clear[0]] if clear else None,
        icy=looks[warmest] if warmest >= 0 else None,
        lone=tuple(looks[n] for n in lone),
        scatter_pct=scatter_pct,
        looks=tuple(looks[n] for n in sorted(looks)),
    )


def offset_of(config: Config, candidate: Candidate) -> float:
    """Return how far the setpoint lies above the contents aimed at [K].

    As at the target where the usual room lets it be had, as between the sensor's place and the
    contents at the coldest where it does not: a setpoint out of reach holds nothing.
    """
    plant, ambient_k = candidate.plant, config.climate.usual_c + ZERO_C_K
    coldest = flashed_coldest(config, plant, ambient_k)
    if coldest.contents_c <= config.use.target_c:
        return candidate.settings.setpoint_c - config.use.target_c
    return sensed_k(plant, coldest.point) - coldest.point.contents_k


def ice_border(
    config: Config,
    candidate: Candidate,
    ambient_c: float,
    seed: int,
    workers: int | None = None,
) -> IceBorder:
    """Return the border of ice of a controller in one room at the dampest air, no defrost.

    One function for `recommend` and `map`.  The setpoint moves with the contents aimed at.

    Parameters
    ----------
    config : Config
    candidate : Candidate
        Law and settings; their defrost is left out.
    ambient_c : float
        The room [°C].
    seed : int
        Of the sensor noise.
    workers : int, optional
        Threads; as many as cores when left out.
    """
    offset_k = offset_of(config, candidate)
    damp = at_ambient(candidate.plant, ambient_c, config.climate.worst_humidity_pct)
    reach = coldest_holdable(damp, ambient_c + ZERO_C_K, limits_of(config))

    def look_at(contents_c: float) -> Look:
        setpoint_c = round(contents_c + offset_k, 2)
        aimed = replace(candidate.settings, setpoint_c=setpoint_c, defrost=None)
        return Look(setpoint_c, ice_at(
            config, candidate, aimed, ambient_c, contents_c, seed, most_days=LOOK_DAYS,
        ))  # fmt: skip

    def sink_c(contents_c: float) -> float:
        return nearest_point(damp, contents_c + ZERO_C_K, reach).cold_sink_k - ZERO_C_K

    high_c = ambient_c - 1.0
    low_c = min(reach.contents_c, high_c)
    # A first guess: where the mean sink comes to 0 °C.  It saves days.
    near = np.linspace(low_c, high_c, 33)
    guess_c = next((float(c) for c in near if sink_c(float(c)) >= 0.0), high_c)
    return border_of(look_at, low_c, high_c, guess_c, workers=workers)


__all__ = ["IceBorder", "Look", "border_of", "ice_border"]
