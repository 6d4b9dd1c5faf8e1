"""Choices of hardware swept: supply voltage, drive, modules, fan speeds; the thrifty and the cold.

Each design is the config with keys edited and built anew, judged from steady states: kWh a day
at the target in the usual room, and the coldest contents it can hold in the worst room.  The
front are the designs that no other beats in both; on common draws of the tolerances it is told
which of them the model cannot tell apart.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import Any

import numpy as np

from ctrl.aim import aim_of
from ctrl.bottlenecks import edited
from ctrl.build import at_ambient, driven_hot_sink, humidity_at, plant_of
from ctrl.capability import coldest_holdable, duty_for, duty_limit, limits_of
from ctrl.cases import current_limits, energy_boundary
from ctrl.config import Config
from ctrl.fold_back import relay_fold_back
from ctrl.tolerance_draws import comparing_draws, drawn_plant, drawn_room, spreads_of
from plant.cabinet import Plant
from plant.constants import ZERO_C_K
from plant.steady import NoSteadyState

# Ready-made supplies [V]; common practice, no source.
SUPPLIES_V = (5.0, 7.5, 9.0, 12.0, 13.5, 15.0, 18.0, 24.0)
LOWEST_RATIO, HIGHEST_RATIO = 0.55, 1.3
SPEEDS = (0.5, 0.7, 1.0)
# Flow goes with the speed and power with its cube (fan laws, textbook); the conductance of a
# sink with the flow to the 0.6, between laminar (0.3 to 0.5) and turbulent (0.8) air
# (textbook correlations; the exponent between them is an engineering choice).
FLOW_EXPONENT = 0.6
EXPONENT_ENDS = (0.3, 0.8)
DRIVES = ("relay", "fast_pwm", "smoothed")
DRAWS = 24
LEAST_IN_REACH = 0.95  # of the common draws, for a design to be advised; engineering choice
# Designs drawn, the thriftiest first: so many at least, more until some are sure of the target.
LEAST_DRAWN, MOST_DRAWN, SURE_DRAWN = 8, 20, 4
SAME_SPREADS = 1.645  # one-sided 95 % of a normal spread
# Drives that chop the full current differ in steady states by a switch's resistance alone; what
# slow switching changes is left out. On the seed store whole days of the two differ by 4.5 %.
CHOPPED = frozenset({"relay", "slow_window", "fast_pwm"})
CHOPPING_SHARE = 0.05  # of the energy: as unsure as that; engineering choice
SIMPLEST_DRIVE = {"relay": 0, "slow_window": 1, "fast_pwm": 2, "smoothed": 3, "current": 3}
Edit = dict[str, Any]
Progress = Callable[[str], None]


@dataclass(frozen=True)
class Choice:
    """One design's choices: supply voltage [V], drive, modules, fan speeds of full [-]."""

    voltage_v: float
    drive: str
    in_series: int
    in_parallel: int
    hot_fan_speed: float
    inside_fan_speed: float

    @property
    def changes(self) -> int:
        """Parts that are more than one relay, one module and fans at full speed have [-]."""
        more = self.in_series * self.in_parallel - 1
        slowed = (self.hot_fan_speed != 1.0) + (self.inside_fan_speed != 1.0)
        return SIMPLEST_DRIVE.get(self.drive, 3) + 2 * more + slowed


@dataclass(frozen=True)
class Design:
    """One design and what steady states say of it.

    `energy_kwh_per_day` is None where the target is out of reach in the usual room; `needs`
    names what of wire, fuse and supply it asks more of than is fitted, the own design too.
    `draws_compared` counts the common draws in which it and the config's own design reach the
    target; the gain is theirs.
    `share_in_reach` is the share of the draws in which it reaches the target in both rooms [-],
    `sure` whether that is enough to advise it; None and False where it was not drawn.
    `folded_at` is where full drive takes a relay's hot sink at worst, where its fold-back then
    decides; empty elsewhere.
    """

    choice: Choice
    name: str
    own: bool
    energy_kwh_per_day: float | None
    coldest_c: float
    duty: float | None
    needs: tuple[str, ...]
    in_reach: bool
    on_front: bool = False
    same_as_best: bool = False
    energy_gain_kwh_per_day: float | None = None
    energy_gain_spread_kwh_per_day: float | None = None
    draws_compared: int | None = None
    share_in_reach: float | None = None
    sure: bool = False
    folded_at: str = ""


@dataclass(frozen=True)
class Sweep:
    """Every design, the thriftiest in reach first, and what to make of them.

    `thriftiest` is the first that is sure of the target: in reach, and on enough of the draws.
    `asked_share` is how many that is [-]: `LEAST_IN_REACH`, or where none does, the most.
    """

    config: Config
    designs: tuple[Design, ...]
    own: Design
    thriftiest: Design | None
    coldest: Design
    advice: str
    energy_boundary: str
    seed: int
    draws: int
    asked_share: float = LEAST_IN_REACH


def slower_fan_edits(
    config: Config, hot: float, inside: float, exponent: float = FLOW_EXPONENT
) -> list[Edit]:
    """Return the edits of fans at a share of their speed [-]: flow, K/W and power."""
    edits: list[Edit] = []
    sink = config.hot_sink
    if hot != 1.0:
        edits.append({"key": "hot_sink.fan_w", "set": sink.fan_w * hot**3})
        if sink.fan_k_per_w is None:  # fins and fan curve: the model of the fins decides
            edits.append({"key": "hot_sink.fan_free_flow_m3_per_h",
                          "set": (sink.fan_free_flow_m3_per_h or 0.0) * hot})  # fmt: skip
            edits.append({"key": "hot_sink.fan_stall_pa",
                          "set": (sink.fan_stall_pa or 0.0) * hot**2})  # fmt: skip
        else:
            k_per_w, flow = driven_hot_sink(config)
            slow = min(k_per_w * hot**-exponent, sink.no_fan_k_per_w)
            edits.append({"key": "hot_sink.fan_k_per_w", "set": slow})
            if sink.fan_flow_m3_per_h is not None:
                edits.append({"key": "hot_sink.fan_flow_m3_per_h", "set": max(flow * hot, 1.0)})
    if inside != 1.0:
        cold = config.cold_sink
        slow = min(cold.fan_k_per_w * inside**-exponent, cold.no_fan_k_per_w)
        edits.append({"key": "cold_sink.fan_w", "set": cold.fan_w * inside**3})
        edits.append({"key": "cold_sink.fan_k_per_w", "set": slow})
    return edits


def edits_of(config: Config, choice: Choice, exponent: float = FLOW_EXPONENT) -> list[Edit]:
    """Return the edits that make a config into a design."""
    edits = slower_fan_edits(config, choice.hot_fan_speed, choice.inside_fan_speed, exponent)
    supply, module = config.supply, config.module
    if choice.voltage_v != supply.voltage_v:
        ratio = choice.voltage_v / supply.voltage_v
        edits += [
            {"key": "supply.highest_voltage_v", "set": supply.highest_voltage_v * ratio},
            {"key": "supply.lowest_voltage_v", "set": supply.lowest_voltage_v * ratio},
            {"key": "supply.voltage_v", "set": choice.voltage_v},
        ]
    if (choice.in_series, choice.in_parallel) != (module.in_series, module.in_parallel):
        edits += [{"key": "module.in_series", "set": choice.in_series},
                  {"key": "module.in_parallel", "set": choice.in_parallel}]  # fmt: skip
    if choice.drive != config.drive.kind:
        edits.append({"key": "drive.kind", "set": choice.drive})
    return edits


def own_choice(config: Config) -> Choice:
    """Return the config's own choices."""
    module = config.module
    return Choice(config.supply.voltage_v, config.drive.kind, module.in_series,
                  module.in_parallel, 1.0, 1.0)  # fmt: skip


def voltages_of(config: Config) -> list[float]:
    """Return the voltages to try [V]: a battery has its own, a mains supply can be another."""
    own = config.supply.voltage_v
    if config.supply.kind == "battery":
        return [own]
    return sorted({own, *(v for v in SUPPLIES_V if LOWEST_RATIO * own <= v <= HIGHEST_RATIO * own)})


def choices_of(config: Config) -> list[Choice]:
    """Return every design without slower fans, the config's own first."""
    own = own_choice(config)
    drives = [own.drive, *(kind for kind in DRIVES if kind != own.drive)]
    series, parallel = own.in_series, own.in_parallel
    modules = [(series, parallel), (2 * series, parallel), (series, 2 * parallel)]
    found = [
        Choice(volts, kind, s, p, 1.0, 1.0)
        for volts, kind, (s, p) in product(voltages_of(config), drives, modules)
        if s <= 8 and p <= 8
    ]
    return [own, *(item for item in found if item != own)]


def name_of(config: Config, choice: Choice) -> str:
    """Return a design's name: what differs from the config's own."""
    own, words = own_choice(config), []
    if choice.voltage_v != own.voltage_v:
        words.append(f"{choice.voltage_v:g} V")
    if choice.drive != own.drive:
        pulsed = own.drive in ("fast_pwm", "slow_window") and choice.drive == "smoothed"
        names = {"fast_pwm": "fast PWM", "smoothed": "filter added" if pulsed else "smoothed"}
        words.append(names.get(choice.drive, choice.drive))
    if choice.in_series != own.in_series:
        words.append(f"{choice.in_series} in series")
    if choice.in_parallel != own.in_parallel:
        words.append(f"{choice.in_parallel} in parallel")
    if choice.hot_fan_speed != 1.0:
        words.append(f"hot fan {100.0 * choice.hot_fan_speed:.0f} %")
    if choice.inside_fan_speed != 1.0:
        words.append(f"inside fan {100.0 * choice.inside_fan_speed:.0f} %")
    return ", ".join(words) or "as it is"


def steady_figures(
    config: Config, plant: Plant, usual: tuple[float, float], worst: tuple[float, float],
    most: float,
) -> tuple[float | None, float | None, float]:  # fmt: skip
    """Return (kWh a day at the target, its duty, coldest in the worst room [°C]).

    `usual` and `worst` are (temperature [°C], relative humidity [%]) of the two rooms.
    """
    limits, target_k = limits_of(config), config.use.target_c + ZERO_C_K
    hot = at_ambient(plant, *worst)
    coldest = coldest_holdable(hot, worst[0] + ZERO_C_K, limits, most)
    room = at_ambient(plant, *usual)
    ambient_k = usual[0] + ZERO_C_K
    reach = coldest_holdable(room, ambient_k, limits, most)
    point = duty_for(room, ambient_k, target_k, reach)
    kwh = None if point is None else 0.024 * point.plug_w
    return kwh, None if point is None else point.duty, coldest.contents_c


def _rooms(config: Config) -> tuple[tuple[float, float], tuple[float, float]]:
    room = config.climate
    return (room.usual_c, room.relative_humidity_pct), (
        room.worst_c, humidity_at(config, room.worst_c),
    )  # fmt: skip


def _most_duty(config: Config, plant: Plant) -> float:
    return 1.0 if config.drive.kind == "relay" else duty_limit(plant, config).duty


def design_of(config: Config, choice: Choice, exponent: float = FLOW_EXPONENT) -> Design | None:
    """Return one design judged, or None where the config's own checks forbid it."""
    own = choice == own_choice(config)
    changed = config if own else edited(config, edits_of(config, choice, exponent))
    if changed is None:
        return None
    plant = plant_of(changed)
    try:
        kwh, duty, coldest_c = steady_figures(
            changed, plant, *_rooms(changed), _most_duty(changed, plant)
        )
    except NoSteadyState:
        return None
    broken = {item.name for item in current_limits(changed, plant) if not item.kept}
    in_reach = kwh is not None and coldest_c <= config.use.target_c
    return Design(choice, name_of(config, choice), own, kwh, coldest_c, duty,
                  tuple(sorted(broken)), in_reach,
                  folded_at=_folded_at(changed, plant))  # fmt: skip


def _folded_at(config: Config, plant: Plant) -> str:
    """Return how hot full drive makes a relay's hot sink where its fold-back decides, or ''."""
    found = relay_fold_back(config, plant) if config.drive.kind == "relay" else None
    if found is None or not found.decides:
        return ""
    return "without bound" if found.hot_sink_c is None else f"{found.hot_sink_c:.0f} °C"


def front_of(designs: Sequence[Design]) -> set[int]:
    """Return the places of the designs that none beats in both figures."""
    known = [n for n, item in enumerate(designs) if item.energy_kwh_per_day is not None]

    def beaten(n: int) -> bool:
        mine = (designs[n].energy_kwh_per_day or 0.0, designs[n].coldest_c)
        for m in known:
            other = (designs[m].energy_kwh_per_day or 0.0, designs[m].coldest_c)
            if other != mine and other[0] <= mine[0] and other[1] <= mine[1]:
                return True
        return False

    return {n for n in known if not beaten(n)}


def paired_figures(
    config: Config, items: Sequence[Design], seed: int, draws: int
) -> tuple[np.ndarray, np.ndarray]:
    """Return (kWh a day, coldest in the worst room [°C]) of designs on common draws.

    Each of shape (designs, draws). Energy is NaN where the target is out of reach in the usual
    room; without a steady state it is NaN, and the coldest infinite.
    """
    energy = np.full((len(items), draws), np.nan)
    coldest = np.full((len(items), draws), np.inf)
    for row, item in enumerate(items):
        changed = config if item.own else edited(config, edits_of(config, item.choice))
        if changed is None:
            continue
        plant = plant_of(changed)
        spreads, most = spreads_of(changed, plant), _most_duty(changed, plant)
        points = comparing_draws(draws, len(spreads), seed)
        for column, shares in enumerate(points):
            rooms = [drawn_room(spreads, shares, *room) for room in _rooms(changed)]
            try:
                kwh, _, coldest_c = steady_figures(
                    changed, drawn_plant(plant, spreads, shares), rooms[0], rooms[1], most
                )
            except NoSteadyState:
                continue
            energy[row, column] = np.nan if kwh is None else kwh
            coldest[row, column] = coldest_c
    return energy, coldest


def sweep(
    config: Config,
    *,
    seed: int,
    draws: int = DRAWS,
    progress: Progress = lambda stage: None,
) -> Sweep:
    """Return every design, ranked, with what the model can tell apart.

    Parameters
    ----------
    seed : int
        Of the common draws.
    draws : int
        Common draws on which the front is compared with the config's own.
    """
    found: list[Design] = []
    choices = choices_of(config)
    for count, choice in enumerate(choices):
        progress(f"sweeping: design {count + 1} of {len(choices)}")
        item = design_of(config, choice)
        if item is not None:
            found.append(item)
    bases = [found[n] for n in sorted(front_of(found))]
    bases = [found[0], *(x for x in bases if not x.own)][:6]
    for base, hot, inside in product(bases, SPEEDS, SPEEDS):
        if (hot, inside) != (1.0, 1.0):
            slowed = replace(base.choice, hot_fan_speed=hot, inside_fan_speed=inside)
            item = design_of(config, slowed)
            if item is not None:
                found.append(item)
    front = front_of(found)
    found = [replace(item, on_front=n in front) for n, item in enumerate(found)]
    aim = aim_of(config, plant_of(config), config.drive.kind)
    if aim.is_too_cold:
        return _nothing_held(config, found, aim.words, seed, draws)
    progress("comparing the best on common draws")
    found, asked = _told_apart(config, found, seed, draws)
    ranked = sorted(found, key=_rank)
    own = next(item for item in ranked if item.own)
    usable = [item for item in ranked if item.sure]
    coldest = min(ranked, key=lambda item: item.coldest_c)
    best = usable[0] if usable else None
    advised = advised_of(own, usable)
    advice = _advice(own, usable, coldest, any(x.in_reach for x in ranked)) + exponent_words(
        config, advised, usable
    )
    return Sweep(config, tuple(ranked), own, best, coldest, advice,
                 energy_boundary(config), seed, draws, asked)  # fmt: skip


def _nothing_held(config: Config, found: list[Design], why: str, seed: int, draws: int) -> Sweep:
    """Return the designs where the usual room is too cold: none holds the target, none is drawn."""
    idle = [
        replace(item, energy_kwh_per_day=None, duty=None, in_reach=False, on_front=False)
        for item in found
    ]
    ranked = sorted(idle, key=_rank)
    own = next(item for item in ranked if item.own)
    return Sweep(config, tuple(ranked), own, None, ranked[0], f"none of these: {why}",
                 energy_boundary(config), seed, draws)  # fmt: skip


def _rank(item: Design) -> tuple[bool, float, float]:
    kwh = item.energy_kwh_per_day
    return not item.in_reach, float("inf") if kwh is None else kwh, item.coldest_c


def least_share(shares: Sequence[float]) -> float:
    """Return the share of draws that a design must hold to be advised, from those drawn.

    `LEAST_IN_REACH`, or the most that any does where none reaches it; a design that holds none
    is not advised.
    """
    return min(LEAST_IN_REACH, max(max(shares), np.finfo(float).tiny))


def chopping_spread_kwh(one: Choice, other: Choice, kwh: float) -> float:
    """Return how unsure steady states are of two designs beyond the draws [kWh a day].

    `CHOPPING_SHARE` of the energy where they differ in how the full current is chopped, else 0.
    """
    both = {one.drive, other.drive}
    return CHOPPING_SHARE * kwh if len(both) == 2 and both <= CHOPPED else 0.0


def _told_apart(
    config: Config, found: list[Design], seed: int, draws: int
) -> tuple[list[Design], float]:
    """Return (the designs, those near the thriftiest compared with it on common draws; share).

    The share is what a design must hold of the draws to be sure of the target [-].

    The thriftiest is that of the designs sure of the target: one that holds it only with every
    part at its middle value saves nothing.
    """
    usable = sorted((item for item in found if item.in_reach), key=_rank)
    own = next(item for item in found if item.own)
    if not usable:
        return found, LEAST_IN_REACH
    figures: dict[str, tuple[np.ndarray, np.ndarray]] = {}

    def drawn(item: Design) -> tuple[np.ndarray, np.ndarray]:
        if item.name not in figures:
            energy, coldest = paired_figures(config, [item], seed, draws)
            figures[item.name] = energy[0], coldest[0]
        return figures[item.name]

    def share(item: Design) -> float:
        energy, coldest = drawn(item)
        return float(np.mean(np.isfinite(energy) & (coldest <= config.use.target_c)))

    near: list[Design] = []
    for item in usable[:MOST_DRAWN]:
        enough = sum(share(x) >= LEAST_IN_REACH for x in near) >= SURE_DRAWN
        if len(near) >= LEAST_DRAWN and enough:
            break
        near.append(item)
    near += [x for x in usable if x.on_front and x not in near]
    near = near if own in near else [*near, own]
    least = least_share([share(x) for x in near if x.in_reach])

    def is_sure(item: Design) -> bool:
        return item.in_reach and share(item) >= least

    sure = sorted((x for x in near if is_sure(x)), key=_rank)
    mine, told = drawn(own)[0], {}
    for item in near:
        row, same = drawn(item)[0], False
        if item in sure:
            behind = row - drawn(sure[0])[0]
            ok = np.isfinite(behind)
            # The same, where the 90 % range of the paired difference holds none.
            more = chopping_spread_kwh(item.choice, sure[0].choice, kwh_of(sure[0]))
            same = bool(ok.any()) and bool(
                np.mean(behind[ok]) <= np.hypot(SAME_SPREADS * np.std(behind[ok]), more) + 1e-12
            )
        more = chopping_spread_kwh(item.choice, own.choice, kwh_of(item))
        saved = (mine - row)[np.isfinite(mine - row)]
        told[item.name] = replace(
            item,
            draws_compared=int(saved.size),
            same_as_best=same,
            energy_gain_kwh_per_day=float(np.mean(saved)) if saved.size else None,
            energy_gain_spread_kwh_per_day=(
                float(np.hypot(SAME_SPREADS * np.std(saved), more)) if saved.size else None
            ),
            share_in_reach=share(item),
            sure=item in sure,
        )
    return [told.get(item.name, item) for item in found], least


def kwh_of(item: Design) -> float:
    """Return a design's energy at the target [kWh a day], 0 where that is out of reach."""
    return item.energy_kwh_per_day or 0.0


def _as_good(usable: list[Design]) -> list[Design]:
    return [item for item in usable if item.same_as_best] or usable[:1]


def advised_of(own: Design, usable: list[Design]) -> Design | None:
    """Return the simplest of the designs as good as the thriftiest, the own one before all."""
    same = _as_good(usable)
    if own in same or not same:
        return own if same else None
    return min(same, key=lambda item: (len(item.needs), item.choice.changes,
                                       item.energy_kwh_per_day or 0.0))  # fmt: skip


def exponent_words(config: Config, advised: Design | None, usable: list[Design]) -> str:
    """Return whether advice of slower fans turns at either end of the flow's exponent, in words."""
    if advised is None or (advised.choice.hot_fan_speed, advised.choice.inside_fan_speed) == (1, 1):
        return ""
    whole = [x for x in usable if (x.choice.hot_fan_speed, x.choice.inside_fan_speed) == (1, 1)]
    if not whole:
        return ""
    rival, turns, range_kwh = whole[0], [], []  # the thriftiest with fans at full speed
    for exponent in EXPONENT_ENDS:
        found = design_of(config, advised.choice, exponent)
        kwh = None if found is None or not found.in_reach else found.energy_kwh_per_day
        range_kwh.append("out of reach" if kwh is None else f"{kwh:.2f}")
        if kwh is None or kwh >= (rival.energy_kwh_per_day or 0.0):
            turns.append(f"{exponent:g}")
    ends = f"{range_kwh[0]} to {range_kwh[1]} kWh with flow to the 0.3 to 0.8"
    if turns:
        return f"; it TURNS at {' and '.join(turns)}: {ends}; then {rival.name}"
    return f"; it stands at both ends: {ends}, {rival.name} {rival.energy_kwh_per_day:.2f}"


def _advice(own: Design, usable: list[Design], coldest: Design, in_reach: bool) -> str:
    """Return what to do, in words: the simplest of those as good as the thriftiest."""
    if not usable:
        often = f" on {100.0 * LEAST_IN_REACH:.0f} % of the draws" if in_reach else ""
        return (
            f"no design tried holds the target in both rooms{often}; the coldest is "
            f"{coldest.name}, {coldest.coldest_c:.1f} °C in the worst room"
        )
    same = _as_good(usable)
    simple = advised_of(own, usable) or own
    if simple is own:
        return "keep it as it is: the model cannot tell a thriftier design from it"
    kwh, mine = simple.energy_kwh_per_day or 0.0, own.energy_kwh_per_day
    text = f"{simple.name}: {kwh:.2f} kWh a day"
    if mine is not None:
        text += f" for {mine:.2f} as it is"
    if len(same) > 1:
        text += f"; of {len(same)} the model cannot tell apart, the simplest"
    return text + (f"; it needs more of: {', '.join(simple.needs)}" if simple.needs else "")
