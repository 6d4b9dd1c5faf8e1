"""Map over room and contents: what can be held, what ices, what it costs.

Steady states of a mean day, the duty followed from nothing to its limit at each room;
between the duties all is interpolated.  Whether the cold sink ices is read at the dampest
air: its mean temperature below 0 °C while vapour settles on it.  A cycling sink thaws at
each rest, so that border is moved to where simulation finds it in some rooms.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from math import ceil, floor

import numpy as np

from ctrl.aim import Aim, aim_of
from ctrl.build import at_ambient, humidity_at, plant_of
from ctrl.candidates import Candidate, on_off_candidate, pi_candidate
from ctrl.capability import (
    Coldest,
    coldest_holdable,
    duty_limit,
    fans_at,
    limits_of,
)
from ctrl.cases import contents_min_c
from ctrl.comparison import to_flash
from ctrl.config import Config
from ctrl.ice import GROWTH_G_PER_DAY
from ctrl.ice_border import STEP_K as ICE_STEP_K
from ctrl.ice_border import ice_border, offset_of
from ctrl.recommend_ice import ice_at
from plant.cabinet import Plant
from plant.constants import ZERO_C_K
from plant.steady import NoSteadyState, Operating, operating_point

HOLDS, ICES, TOO_COLD, ROOM = "holds", "ices", "cannot_hold", "room_is_colder"
LETTERS = {HOLDS: "", ICES: "i", TOO_COLD: "x", ROOM: "r"}
BEYOND_WORST_K = 5.0
ROOMS, DUTIES, STEP_K = 11, 17, 1.0
REACH_K = 8.0  # contents this far about the target
RESOLUTION_K = ICE_STEP_K
ICE_BORDER = "ice on the cold sink"
SPARE_K = 0.5  # a recommended point stands this far above what freezes the contents

Progress = Callable[[str], None]


@dataclass(frozen=True)
class Cell:
    """One room and one contents' temperature; duty, power and sink None where not held."""

    ambient_c: float
    contents_c: float
    state: str
    duty: float | None
    plug_w: float | None
    cold_sink_c: float | None

    @property
    def kwh_per_day(self) -> float | None:
        """Energy a day [kWh/d]."""
        return None if self.plug_w is None else 0.024 * self.plug_w


@dataclass(frozen=True)
class Border:
    """What bounds the contents' temperature in one room [°C].

    `coldest_c` can just be held, `decided_by` says why no colder; `ice_free_c` is the coldest
    without ice by steady states, None where it does not ice down to `coldest_c`;
    `simulated_c` the same by simulation, None where it was not run or found none; `icy_c`
    what the map takes: by steady states, moved by what the simulated rooms were off.
    `point_ices` tells whether the advised point itself iced in a run, None where it was not run.
    """

    ambient_c: float
    coldest_c: float
    decided_by: str
    ice_free_c: float | None
    simulated: bool = False
    simulated_c: float | None = None
    icy_c: float | None = None
    point_ices: bool | None = None


@dataclass(frozen=True)
class Advice:
    """The recommended contents' temperature, and the boundary that decides.

    `spare_k` is from the point to that boundary, below 0 where it lies beyond (ice, and a
    defrost to deal with it; or what a room cannot hold, where the module runs on);
    `without_defrost_c` the coldest in every
    room from coldest to worst that neither ices nor is out of reach; `colder_rooms_c` the
    named rooms that are themselves colder than the point, where nothing is cooled;
    `nothing_to_cool` where the usual room itself is too cold for the target.
    """

    contents_c: float
    decided_by: str
    ambient_c: float
    spare_k: float
    needs_defrost: bool
    without_defrost_c: float
    colder_rooms_c: tuple[float, ...] = ()
    nothing_to_cool: bool = False

    @property
    def is_within_resolution(self) -> bool:
        """Whether the boundary is one of ice, nearer than the runs can tell it."""
        return self.decided_by == ICE_BORDER and abs(self.spare_k) < RESOLUTION_K


@dataclass(frozen=True)
class SetpointMap:
    """Cells row by row: shape (contents, rooms); borders room by room."""

    config: Config
    ambients_c: tuple[float, ...]
    contents_c: tuple[float, ...]
    cells: tuple[tuple[Cell, ...], ...]
    borders: tuple[Border, ...]
    advice: Advice
    setpoint_offset_k: float
    humidity_pct: float
    seed: int
    aim: Aim


@dataclass(frozen=True)
class _Curve:
    """Steady states of one room over duty, coldest last, as arrays over rising contents."""

    contents_c: np.ndarray
    duty: np.ndarray
    plug_w: np.ndarray
    cold_sink_c: np.ndarray
    deposit_g: np.ndarray

    def at(self, name: str, contents_c: float) -> float:
        """Return one of the arrays' values at a contents' temperature."""
        return float(np.interp(contents_c, self.contents_c, getattr(self, name)))


def follow(plant: Plant, ambient_k: float, most_duty: float) -> list[Operating]:
    """Return steady states from no duty to `most_duty`, each started from the one before."""
    points: list[Operating] = []
    start = None
    for duty in np.linspace(0.0, most_duty, DUTIES):
        hot, cold = fans_at(plant, float(duty))
        try:
            point = operating_point(plant, float(duty), ambient_k, hot, cold, start)
        except NoSteadyState:
            if start is None:
                raise
            point = operating_point(plant, float(duty), ambient_k, hot, cold)
        points.append(point)
        start = point.state
    return points


def curve_of(points: list[Operating]) -> _Curve:
    """Return the branch on which more duty cools, over rising contents' temperature."""
    coldest = int(np.argmin([point.contents_k for point in points]))
    kept = points[: coldest + 1][::-1]
    # Without strictly rising temperatures there is nothing to interpolate over.
    falling = [kept[0]]
    for point in kept[1:]:
        if point.contents_k > falling[-1].contents_k:
            falling.append(point)

    def column(value: Callable[[Operating], float]) -> np.ndarray:
        return np.array([value(point) for point in falling])

    return _Curve(
        contents_c=column(lambda p: p.contents_k - ZERO_C_K),
        duty=column(lambda p: p.duty),
        plug_w=column(lambda p: p.plug_w),
        cold_sink_c=column(lambda p: p.cold_sink_k - ZERO_C_K),
        deposit_g=column(lambda p: 1e3 * p.water_kg_per_day),
    )


def ices_at(damp: _Curve, contents_c: float) -> bool:
    """Tell whether a steady sink ices: below 0 °C while vapour settles on it."""
    settles = damp.at("deposit_g", contents_c) > GROWTH_G_PER_DAY
    return settles and damp.at("cold_sink_c", contents_c) < 0.0


def ice_free_of(damp: _Curve, coldest_c: float) -> float | None:
    """Return the coldest contents without ice [°C] by steady states, None without ice at all."""
    if not ices_at(damp, coldest_c):
        return None
    low_c, high_c = coldest_c, float(damp.contents_c[-1])
    while high_c - low_c > 0.01:
        middle = 0.5 * (low_c + high_c)
        low_c, high_c = (middle, high_c) if ices_at(damp, middle) else (low_c, middle)
    return high_c


def _cell(curve: _Curve, border: Border, ambient_c: float, contents_c: float) -> Cell:
    if contents_c < border.coldest_c:
        return Cell(ambient_c, contents_c, TOO_COLD, None, None, None)
    values = [curve.at(name, contents_c) for name in ("duty", "plug_w", "cold_sink_c")]
    state = HOLDS
    if contents_c > curve.contents_c[-1]:
        state = ROOM
    elif border.icy_c is not None and contents_c < border.icy_c:
        state = ICES
    return Cell(ambient_c, contents_c, state, *values)


def flashed_of(
    config: Config, plant: Plant, aim: Aim, seed: int, progress: Progress = lambda stage: None
) -> tuple[Candidate, Aim]:
    """Return the controller and the aim that `recommend` flashes.

    Where the law for the own drive cannot be tuned, its first guess where it still controls.
    """
    ready = to_flash(config, plant, seed, progress)
    if ready is not None:
        return ready.best, ready.aim
    kind = config.drive.kind
    law = on_off_candidate if kind == "relay" else pi_candidate
    return law(config, plant, kind, aim.control_c, True), aim


def setpoint_map(
    config: Config, *, seed: int = 1, progress: Progress = lambda stage: None
) -> SetpointMap:
    """Return the map of a config, its icing border checked by simulation in three rooms.

    Parameters
    ----------
    config : Config
    seed : int
        Of the sensor noise.
    progress : callable
        Told each stage in words as it begins.
    """
    base, room = plant_of(config), config.climate
    most = 1.0 if config.drive.kind == "relay" else duty_limit(base, config).duty
    named = {room.coldest_c, room.usual_c, room.worst_c}
    grid = np.linspace(room.coldest_c, room.worst_c + BEYOND_WORST_K, ROOMS)
    apart_k = 0.4 * (grid[1] - grid[0])
    ambients = sorted(
        named | {round(float(c), 1) for c in grid if all(abs(c - n) > apart_k for n in named)}
    )
    curves, borders = [], []
    for ambient_c in ambients:
        progress(f"following the steady states at {ambient_c:g} °C")
        curve, border = _trace(config, base, ambient_c, most)
        curves.append(curve)
        borders.append(border)
    aim = aim_of(config, base, config.drive.kind)
    progress("tuning the controller")
    candidate, aim = flashed_of(config, base, aim, seed, progress)
    offset_k = offset_of(config, candidate)
    freezing_c = contents_min_c(config, base)
    point_c = point_of(aim.contents_c, freezing_c)
    for index, ambient_c in enumerate(ambients):
        if ambient_c in named:
            progress(f"looking for ice at {ambient_c:g} °C")
            borders[index] = _simulated(config, candidate, offset_k, borders[index], point_c, seed)
    borders = moved_borders(borders)
    warmest = {c: float(curves[ambients.index(c)].contents_c[-1]) for c in sorted(named)}
    advice = replace(
        advice_of(config, freezing_c, borders, aim.contents_c),
        nothing_to_cool=aim.is_too_cold,
        colder_rooms_c=tuple(c for c, contents_c in warmest.items() if contents_c < point_c),
    )
    contents = grid_of_contents(
        config.use.target_c, point_c, min(border.coldest_c for border in borders)
    )
    cells = tuple(
        tuple(_cell(curves[n], borders[n], ambients[n], c) for n in range(len(ambients)))
        for c in contents
    )
    return SetpointMap(
        config=config,
        ambients_c=tuple(ambients),
        contents_c=contents,
        cells=cells,
        borders=tuple(borders),
        advice=advice,
        setpoint_offset_k=offset_k,
        humidity_pct=room.worst_humidity_pct,
        seed=seed,
        aim=aim,
    )


def grid_of_contents(target_c: float, point_c: float, coldest_c: float) -> tuple[float, ...]:
    """Return the map's contents' temperatures [°C]: steps from the target, and the point.

    Down to the coldest that any room holds, at most `REACH_K` below the target; up to as far
    above the target or the point, whichever is warmer.
    """
    low = floor((max(target_c - REACH_K, min(coldest_c, target_c)) - target_c) / STEP_K)
    high = ceil((max(target_c, point_c) + REACH_K - target_c) / STEP_K)
    steps = {target_c + STEP_K * n for n in range(low, high + 1)}
    return tuple(sorted({c for c in steps if abs(c - point_c) > 0.01} | {point_c}))


def _trace(config: Config, base: Plant, ambient_c: float, most: float) -> tuple[_Curve, Border]:
    """Return one room's curve at its usual humidity and its border at the dampest air."""
    ambient_k, limits = ambient_c + ZERO_C_K, limits_of(config)
    plant = at_ambient(base, ambient_c, humidity_at(config, ambient_c))
    coldest: Coldest = coldest_holdable(plant, ambient_k, limits, most)
    curve = curve_of(follow(plant, ambient_k, coldest.point.duty))
    damp_plant = at_ambient(base, ambient_c, config.climate.worst_humidity_pct)
    damp = curve_of(follow(damp_plant, ambient_k, coldest.point.duty))
    ice_free_c = ice_free_of(damp, coldest.contents_c)
    return curve, Border(ambient_c, coldest.contents_c, coldest.decided_by, ice_free_c)


def _simulated(
    config: Config,
    candidate: Candidate,
    offset_k: float,
    border: Border,
    point_c: float,
    seed: int,
) -> Border:
    """Return the border with what simulation finds (`ctrl.ice_border`, as `recommend` does).

    Where the sink ices as reckoned.  The advised point itself is run for as many days as
    `recommend` runs it; where the runs about the border scatter, it is that run that counts.
    """
    aimed = replace(candidate.settings, setpoint_c=round(point_c + offset_k, 2), defrost=None)
    ran = ice_at(config, candidate, aimed, border.ambient_c, point_c, seed)
    border = replace(border, point_ices=ran.ices)
    if border.ice_free_c is None:
        return border
    found = ice_border(config, candidate, border.ambient_c, seed)
    simulated_c = found.contents_c
    if simulated_c is not None:
        beyond = max if ran.ices else min
        simulated_c = max(beyond(simulated_c, point_c), border.coldest_c)
    return replace(border, simulated=True, simulated_c=simulated_c)


def moved_borders(borders: list[Border]) -> list[Border]:
    """Return the borders with the icing one moved by what simulation found, in between too."""
    known = [item for item in borders if item.simulated_c is not None]
    rooms = [item.ambient_c for item in known]
    shifts = [(item.simulated_c or 0.0) - (item.ice_free_c or 0.0) for item in known]
    found = []
    for item in borders:
        icy_c = item.ice_free_c
        if icy_c is not None and known:
            icy_c += float(np.interp(item.ambient_c, rooms, shifts))
        found.append(replace(item, icy_c=icy_c))
    return found


def _hard_bounds(
    config: Config, freezing_c: float | None, borders: Sequence[Border]
) -> list[tuple[float, str, float]]:
    """Return (contents [°C], what, room [°C]) of what no defrost helps against."""
    held = max(_inside(config, borders), key=lambda item: item.coldest_c)
    bounds = [(held.coldest_c, f"{held.decided_by}: no colder can be held", held.ambient_c)]
    if freezing_c is not None:
        bounds.append((freezing_c, "the contents' coldest", config.climate.coldest_c))
    return bounds


def _inside(config: Config, borders: Sequence[Border]) -> list[Border]:
    return [item for item in borders if item.ambient_c <= config.climate.worst_c]


def point_of(aimed_c: float, freezing_c: float | None) -> float:
    """Return the advised contents' temperature [°C]: as aimed at, but nothing that freezes them."""
    return aimed_c if freezing_c is None or freezing_c <= aimed_c else freezing_c + SPARE_K


def advice_of(
    config: Config, freezing_c: float | None, borders: Sequence[Border],
    aimed_c: float | None = None,
) -> Advice:  # fmt: skip
    """Return the recommended point: what is aimed at, and the boundary that decides.

    Parameters
    ----------
    config : Config
    freezing_c : float or None
        Coldest that the contents may get [°C].
    borders : sequence of Border
        Room by room; those beyond the worst room do not count. Where the point itself was
        run, that tells whether it ices, in those rooms alone, as in `recommend`.
    aimed_c : float, optional
        Contents' temperature aimed at (`ctrl.aim`) [°C]; the target when left out.
    """
    target_c = config.use.target_c
    bounds = _hard_bounds(config, freezing_c, borders)
    point_c = point_of(target_c if aimed_c is None else aimed_c, freezing_c)
    hard_c = max(bound[0] for bound in bounds)
    inside = _inside(config, borders)
    ran = [item for item in inside if item.point_ices is not None]
    judged = ran or inside
    icy = [(c, item.ambient_c) for item in judged if (c := item.icy_c) is not None]
    without_c = max([hard_c, *(c for c, _ in icy)])
    most_icy_c = max((c for c, _ in icy), default=point_c)
    needs_defrost = any(item.point_ices for item in ran) if ran else most_icy_c > point_c
    if needs_defrost:
        icy_c, ambient_c = max(icy, default=(point_c, inside[-1].ambient_c))
        return Advice(point_c, ICE_BORDER, ambient_c, point_c - icy_c, True, without_c)
    bounds += [(c, ICE_BORDER, ambient_c) for c, ambient_c in icy]
    below = [bound for bound in bounds if bound[0] <= point_c]
    nearest_c, name, ambient_c = max(below) if below else max(bounds)
    if hard_c > target_c:
        nearest_c, name, ambient_c = max(bound for bound in bounds if bound[0] == hard_c)
    return Advice(point_c, name, ambient_c, point_c - nearest_c, needs_defrost, without_c)
