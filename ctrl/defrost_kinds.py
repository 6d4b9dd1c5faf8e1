"""Which kind of defrost: every one that the hardware allows is simulated.

Of those that keep the sink clear, over the range of the frost's density if any does, the
thriftiest is taken; where the energies are within the
model's uncertainty the one that warms the contents least; where that is equal too, the
simplest.  All that were tried are told with both figures.  Energies are compared at the target:
contents that a melt leaves warmer take less to hold, which is no merit of the melt.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

from ctrl.config import Config
from ctrl.defrost import KIND_NAMES, DefrostSettings
from ctrl.ice import DefrostPlan, Ice

NONE = "none"
SIMPLEST_FIRST = ("timed", "off_cycle", "demand", "reversed")
GROWN_SHARES = (0.3, 0.1)  # below this a reading's own steps are as large
LEAST_DEMAND_H, LATEST_DEMAND_H = 2.0, 24.0
# Two simulated energies this close are one: setpoints are rounded to 0.1 K, 0.3 to 0.5 %.
SAME_ENERGY_SHARE = 0.01
SAME_WARMTH_K = 0.2
AT_MEAN = "at the frost density reckoned only"


@dataclass(frozen=True)
class TriedDefrost:
    """One kind of defrost with what it does in the room that ices most, at the dampest air.

    `at_target_kwh_per_day` is its energy brought to the target by the slope of the steady
    states, as simulated where that was not worked out.
    """

    kind: str
    settings: DefrostSettings | None
    ice: Ice
    works: bool
    at_target_kwh_per_day: float | None = None

    @property
    def is_sure(self) -> bool:
        """Whether it works over the whole range of the frost's density."""
        return self.works and self.ice.clear_over_range

    @property
    def compared_kwh_per_day(self) -> float:
        """Energy that the kinds are compared on [kWh/d]."""
        known = self.at_target_kwh_per_day
        return self.ice.energy_kwh_per_day if known is None else known


def allowed_kinds(config: Config, controller: str) -> tuple[str, ...]:
    """Return the kinds of defrost that sensors, drive and controller allow.

    A rest needs a controller that switches off; feeling ice and reversing the current need a
    sensor on the cold sink, feeling it the control sensor elsewhere; reversing needs a bridge.
    """
    kinds = ["timed"]
    if controller == "on_off":
        kinds.append("off_cycle")
    if config.cold_sink_sensor is not None:
        if config.sensor.place != "cold_sink":
            kinds.append("demand")
        if config.drive.reversible:
            kinds.append("reversed")
    return tuple(kinds)


def variants(config: Config, kind: str, timed: DefrostPlan, tick_s: float) -> list[DefrostSettings]:
    """Return the settings of a kind to try, the mildest first."""
    part = config.defrost

    def settings(interval_h: float, latest_h: float, **more: float) -> DefrostSettings:
        return DefrostSettings.from_physical(
            interval_s=interval_h * 3600.0,
            latest_s=latest_h * 3600.0,
            end_c=part.end_c,
            longest_s=part.longest_min * 60.0,
            drip_s=max(part.drip_min, 1.0) * 60.0 if kind == "reversed" else part.drip_min * 60.0,
            tick_s=tick_s,
            kind=kind,
            **more,
        )

    shortest_h = (part.longest_min + part.drip_min) / 60.0 + 0.1
    if kind == "off_cycle":
        # From half the clock's interval on it takes the next rest; at the latest, the clock.
        return [settings(max(0.5 * timed.interval_h, shortest_h), timed.interval_h)]
    if kind == "demand":
        least_h = max(LEAST_DEMAND_H, shortest_h)
        return [
            settings(least_h, max(LATEST_DEMAND_H, least_h), grown_share=share)
            for share in GROWN_SHARES
        ]
    if kind == "reversed":
        every_h = timed.interval_h
        return [settings(every_h, every_h, reverse_share=0.01 * part.reverse_pct)]
    raise ValueError(f"kind = {kind!r}: expected off_cycle, demand or reversed")


def plan_kind(
    config: Config,
    controller: str,
    bare: Ice,
    timed: DefrostPlan,
    try_plan: Callable[[DefrostSettings], Ice],
    *,
    tick_s: float,
    contents_limit_c: float,
    warmest_c: float | None = None,
    at_target: Callable[[Ice], float] | None = None,
) -> DefrostPlan:
    """Return the best plan over all kinds, with everything that was tried.

    Parameters
    ----------
    config : Config
    controller : str
        Name of the controller that runs.
    bare : Ice
        Without any defrost.
    timed : DefrostPlan
        The best timed plan.
    try_plan : callable
        Simulates the cabinet with a plan and returns its ice.
    tick_s : float
        Base tick of the firmware [s].
    contents_limit_c : float
        Warmest mean the contents may have with the plan [°C].
    warmest_c : float, optional
        Warmest the contents may be at any time [°C].
    at_target : callable, optional
        Returns the energy of an ice's days brought to the target [kWh/d].
    """

    def told(kind: str, settings: DefrostSettings | None, ice: Ice, works: bool) -> TriedDefrost:
        kwh = None if at_target is None else at_target(ice)
        return TriedDefrost(kind, settings, ice, works, kwh)

    tried = [
        told(NONE, None, bare, not bare.ices),
        told("timed", timed.settings, timed.ice, timed.works),
    ]
    for kind in allowed_kinds(config, controller):
        if kind == "timed":
            continue
        found: list[TriedDefrost] = []
        for settings in variants(config, kind, timed, tick_s):
            ice = try_plan(settings)
            works = ice.clear_and_cold(contents_limit_c, warmest_c)
            found.append(told(kind, settings, ice, works))
            if found[-1].is_sure:
                break
        tried.append(min(found, key=_least_sure))
    best, why = chosen_of(tried)
    passed_over = tuple((item.kind, why_not(item, best)) for item in tried[1:] if item is not best)
    if best.settings is None:
        return replace(timed, kinds_tried=tuple(tried), why=why)
    return replace(
        timed,
        interval_h=best.settings.interval_ticks * tick_s / 3600.0,
        drip_min=best.settings.drip_ticks * tick_s / 60.0,
        settings=best.settings,
        ice=best.ice,
        works=best.works,
        kind=KIND_NAMES[best.settings.kind],
        kinds_tried=tuple(tried),
        why=why,
        passed_over=passed_over,
    )


def rerun_plan(
    plan: DefrostPlan, settings: DefrostSettings, interval_h: float, ice: Ice, works: bool, why: str
) -> DefrostPlan:
    """Return a plan with changed settings and the ice that they leave, among all kinds tried."""
    tried = tuple(
        TriedDefrost(item.kind, settings, ice, works) if item.kind == plan.kind else item
        for item in plan.kinds_tried
    )
    return replace(plan, settings=settings, interval_h=interval_h, ice=ice, works=works,
                   kinds_tried=tried, why=why)  # fmt: skip


def _blockage(item: TriedDefrost) -> float:
    return item.ice.blockage_pct


def _least_sure(item: TriedDefrost) -> tuple[bool, bool, float]:
    """Order what was tried of one kind: sure first, then working, then by the ice left."""
    most = item.ice.blockage_most_pct if item.works else item.ice.blockage_pct
    return (not item.is_sure, not item.works, most)


def why_not(item: TriedDefrost, taken: TriedDefrost) -> str:
    """Return in words, with a figure, why one kind was passed over for another."""
    ice = item.ice
    if not item.works and ice.ices:
        if ice.blockage_pct >= ice.limit_pct:
            return f"ices, {ice.blockage_pct:.1f} % of the gaps, limit {ice.limit_pct:g} %"
        return f"ices, {ice.growth_g_per_day:.1f} g more each day"
    if not item.works:
        mean_c, most_c = ice.contents_c_mean, ice.contents_c_max
        return f"warms the contents too much, to {mean_c:.1f} °C in the mean, {most_c:.1f} at most"
    if taken.is_sure and not item.is_sure:
        return f"ices where frost is lighter or denser, {ice.blockage_most_pct:.1f} % of the gaps"
    if not taken.is_sure:
        most_pct = ice.blockage_most_pct
        return f"leaves up to {most_pct:.1f} % of the gaps closed where frost is lighter or denser"
    mine, theirs = item.compared_kwh_per_day, taken.compared_kwh_per_day
    if mine > (1.0 + SAME_ENERGY_SHARE) * theirs:
        return f"takes {mine:.3f} kWh a day at the target, the chosen {theirs:.3f}"
    if ice.contents_c_max > taken.ice.contents_c_max + SAME_WARMTH_K:
        return f"warms the contents to {ice.contents_c_max:.1f} °C"
    return "is alike in energy and warmth, and less simple"


def chosen_of(tried: list[TriedDefrost]) -> tuple[TriedDefrost, str]:
    """Return the kind to flash and what decided it, in words."""
    plans = [item for item in tried if item.settings is not None]
    working = [item for item in plans if item.works]
    if not working:
        return min(plans, key=_blockage), "none keeps the sink clear: the least ice"
    sure = [item for item in working if item.is_sure]
    only = "" if sure else f", {AT_MEAN}"
    if len(working) == 1:
        return working[0], f"the only one that keeps the sink clear{only}"
    if len(sure) == 1:
        return sure[0], "the only one that keeps the sink clear over the range of frost's density"
    if not sure:
        best = min(working, key=lambda item: item.ice.blockage_most_pct)
        return best, f"clear {AT_MEAN}: the least ice at any other"
    working = sure
    least_kwh = min(item.compared_kwh_per_day for item in working)
    close = [
        item
        for item in working
        if item.compared_kwh_per_day <= least_kwh * (1.0 + SAME_ENERGY_SHARE)
    ]
    if len(close) == 1:
        return close[0], "least energy at the target"
    coldest_c = min(item.ice.contents_c_max for item in close)
    cold = [item for item in close if item.ice.contents_c_max <= coldest_c + SAME_WARMTH_K]
    simplest = min(cold, key=lambda item: SIMPLEST_FIRST.index(item.kind))
    if len(cold) == 1:
        return simplest, "energies within 1 %: the contents stay coldest"
    return simplest, "energies within 1 % and contents within 0.2 K: the simplest"
