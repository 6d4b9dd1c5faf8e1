"""PI gains beyond the rule: SIMC and lambda as starting points, then a search on the whole loop.

Every trial must first be robust on every linear operating point (floors of `ctrl.tuning`) and
gentle with noise and steps of the reading; only then is it run, on the compiled firmware with
the nonlinear plant (`ctrl.pi_bench`).  What wins must also keep overshoot, turns of the duty
and the cycle of the quantised reading small, and beat the rule by more than the model is
unsure of: otherwise the rule's gains stay, being simpler.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from math import ceil, floor, inf, log10

import numpy as np

from ctrl.config import Config
from ctrl.drive_cycling import MOST_STARTS_PER_H
from ctrl.firmware import Settings, firmware_of, reading_step_k
from ctrl.first_order import lambda_tuning
from ctrl.linear_points import LinearPoints, Schedule, gain_at
from ctrl.linearise import LinearPlant
from ctrl.margins import Margins, worst
from ctrl.pi_bench import (
    Daily,
    Response,
    Room,
    cost_of,
    daily,
    parts_off,
    place_c,
    pull_down_overshoot_k,
    respond,
    reversals_per_hour,
    room_of,
    rooms_of,
    steady_slope_pct_per_k,
)
from ctrl.quantiser import NO_CYCLE, QuantiserCycle, measure
from ctrl.trial import loop_at
from ctrl.tuning import (
    LEAST_PERIODS_IN_TI,
    NOISE_DUTY_PCT,
    STEP_DUTY_PCT,
    PITuning,
    lack_of,
    name_of,
)
from plant.cabinet import Plant

# Largest figures beside the robustness floors. Common practice, no source.
LARGEST_OVERSHOOT_K = 0.5
LARGEST_CYCLE_K = 0.2
MOST_REVERSALS_PER_H = MOST_STARTS_PER_H
# What must be gained before gains are changed, or a schedule taken. Common practice, no source.
LEAST_GAIN_PCT = 5.0
SCHEDULE_PAYS_PCT = 10.0
WEIGHTS = (1.0, 0.7, 0.4, 0.0)
STEP_OVERSHOOT_K = 0.1  # of a setpoint turned down by 1 K, that needs no weight
FORWARD_PAYS_PCT, FORWARD_PAYS_K = 10.0, 0.02

NO_GAIN = 0.995  # a cost above it is the rounding of runs
RATIOS = (1.5, 1.22, 1.1)  # of the pattern search, coarse to fine
MOST_RUNS = 40
MOST_TRIALS = 12  # new ones of each list: 0.14 s each
GENTLER_KP, GENTLER_TI = (1.0, 1.5, 2.2), (1.5, 2.2, 5.0)  # where all that is quicker misses
SIMC, LAMBDA, SEARCHED, SCHEDULED = "SIMC", "lambda", "searched", "scheduled"


@dataclass(frozen=True)
class PITrial:
    """One setting that was looked at.

    Attributes
    ----------
    name : str
        SIMC, lambda, searched or scheduled.
    kp_pct_per_k, ti_s : float
        Gain [% duty per K]; integral time [s].
    gain_schedule : tuple of (duty [-], gain [% per K])
        Empty for one gain at all duties.
    margins : Margins
        The worst over all operating points, by the sampled response.
    cost : float
        Relative to SIMC: 1 is equal, lower is better [-].
    responses : tuple of Response
        One per room.
    overshoot_k : float
        Of a pull-down from room temperature, at the sensor's place [K].
    reversals_per_hour : float
        Turns of the duty by 5 % in a quiet hour [1/h].
    predicted, simulated : QuantiserCycle
        Of the reading's last step, noise taken away.
    lack : str
        What it misses; empty where nothing.
    """

    name: str
    kp_pct_per_k: float
    ti_s: float
    gain_schedule: tuple[tuple[float, float], ...]
    margins: Margins
    cost: float
    responses: tuple[Response, ...]
    overshoot_k: float
    reversals_per_hour: float
    predicted: QuantiserCycle
    simulated: QuantiserCycle
    lack: str = ""


@dataclass(frozen=True)
class FeedForward:
    """What the room's sensor brings: slope [% per K], the day without and with it."""

    slope_pct_per_k: float
    without: Daily
    with_it: Daily
    chosen: bool


@dataclass(frozen=True)
class PISearch:
    """Trials, choice and reason.

    Attributes
    ----------
    rooms : tuple of str
        Rooms that the trials were run in.
    trials : tuple of PITrial
        The rule first.
    chosen : str
        Name of the trial that is flashed.
    reason : str
        Which figure decided, in words.
    unsure_pct : float
        How far the gain of the best over the rule moves when parts are 10 % off [%].
    runs : int
        Settings simulated.
    schedule_reason : str
        Why one gain, or why several.
    setpoint_weight : float
        Chosen b [-].
    weight_overshoots_k : tuple of (b [-], overshoot [K])
        Of a setpoint turned down by 1 K.
    feed_forward : FeedForward or None
        None without a sensor of the room.
    """

    rooms: tuple[str, ...]
    trials: tuple[PITrial, ...]
    chosen: str
    reason: str
    unsure_pct: float
    runs: int
    schedule_reason: str
    setpoint_weight: float
    weight_overshoots_k: tuple[tuple[float, float], ...]
    feed_forward: FeedForward | None

    @property
    def best(self) -> PITrial:
        """The trial that is flashed."""
        return next(item for item in self.trials if item.name == self.chosen)


def two_digits(kp_pct_per_k: float) -> float:
    """Return a gain with the two digits a person would flash, rounded to the slower side."""
    size = 10.0 ** (floor(log10(kp_pct_per_k)) - 1)
    return round(floor(kp_pct_per_k / size * (1.0 + 1e-9)) * size, 6)


def five_seconds(ti_s: float) -> float:
    """Return an integral time in steps of 5 s, rounded up: the slower side."""
    return float(ceil(ti_s / 5.0 - 1e-9) * 5)


class _Search:
    """Everything that stays the same during one search."""

    def __init__(
        self,
        config: Config,
        plant: Plant,
        settings: Settings,
        linears: Sequence[LinearPlant],
        delay_s: float,
        rooms: list[Room],
    ) -> None:
        self.config, self.plant, self.settings, self.rooms = config, plant, settings, rooms
        self.linear = LinearPoints(linears, settings.period_s, delay_s)
        self.step_k = reading_step_k(config.sensor)
        noise_k = config.sensor.noise_k
        by_noise = NOISE_DUTY_PCT / noise_k if noise_k > 0.0 else inf
        self.most_kp = min(by_noise, STEP_DUTY_PCT / self.step_k)
        self.known: dict[tuple[float, float], float] = {}
        self.start = self.run(settings)

    def run(self, settings: Settings) -> tuple[Response, ...]:
        return tuple(respond(self.config, settings, room) for room in self.rooms)

    def with_gains(self, kp: float, ti: float, schedule: Schedule = ()) -> Settings:
        return replace(self.settings, kp_pct_per_k=kp, ti_s=ti, gain_schedule=schedule)

    def gains(self, kp: float, schedule: Schedule = ()) -> list[float]:
        return [gain_at(item.duty, kp, schedule) for item in self.linear.plants]

    def lack(self, kp: float, ti: float, schedule: Schedule = ()) -> str:
        """Return what forbids a setting before any run of it; empty where nothing does."""
        most = max(gain for _, gain in schedule) if schedule else kp
        if most > self.most_kp * (1.0 + 1e-9):
            return "noise and step of the reading"
        if self.settings.period_s * LEAST_PERIODS_IN_TI > ti:
            return "sampling: Ti/20 below the period"
        found = self.linear.margins(self.gains(kp, schedule), ti)
        for linear, item in zip(self.linear.plants, found, strict=True):
            lack = lack_of(item)
            if lack is not None:
                return f"{lack} at {name_of(linear)}"
        try:
            firmware_of(self.config, self.with_gains(kp, ti, schedule))
        except ValueError as refused:
            return str(refused)
        return ""

    def cost(self, kp: float, ti: float) -> float:
        """Return the cost of a fixed setting; infinite where it is not robust."""
        key = (kp, ti)
        if key not in self.known:
            if self.lack(kp, ti):
                self.known[key] = inf
            else:
                self.known[key] = cost_of(self.run(self.with_gains(kp, ti)), self.start)
        return self.known[key]

    @property
    def runs(self) -> int:
        """How many settings were simulated."""
        return sum(cost < inf for cost in self.known.values())

    def lambda_start(self, tuning: PITuning) -> tuple[float, float]:
        """Return the lambda rule, Kc = tau/(K (lambda + theta)), Ti = tau, made robust.

        Lambda begins at three dead times (common practice) and grows until all holds.
        """
        model = tuning.model
        lam = 3.0 * model.dead_time_s
        ti = five_seconds(max(model.tau_s, LEAST_PERIODS_IN_TI * self.settings.period_s))
        for _ in range(40):
            kp = two_digits(min(lambda_tuning(model, lam)[0], self.most_kp))
            if not self.lack(kp, ti):
                return kp, ti
            lam *= 1.2
        return self.settings.kp_pct_per_k, self.settings.ti_s

    def pattern(self, start: tuple[float, float]) -> list[tuple[float, float, float]]:
        """Return (cost, kp, ti) of every setting tried from a start, the best first."""
        best, cost = start, self.cost(*start)
        for ratio in RATIOS:
            moved = True
            while moved and self.runs < MOST_RUNS:
                moved = False
                for up_kp, up_ti in ((1, 0), (0, -1), (-1, 0), (0, 1), (1, -1), (-1, 1)):
                    kp = two_digits(min(best[0] * ratio**up_kp, self.most_kp))
                    ti = five_seconds(best[1] * ratio**up_ti)
                    found = self.cost(kp, ti)
                    # Less than half a per cent is rounding of the runs, not a way to go.
                    if found < cost - 0.005:
                        best, cost, moved = (kp, ti), found, True
                        break
        ranked = [(found, kp, ti) for (kp, ti), found in self.known.items() if found < inf]
        return sorted(ranked)

    def gentler(self, kp: float, ti: float) -> list[tuple[float, float, float]]:
        """Return (cost, kp, ti) of slower settings than a start, as far as they are robust."""
        several = {
            (two_digits(kp / by_kp), five_seconds(ti * by_ti))
            for by_kp in GENTLER_KP
            for by_ti in GENTLER_TI
        }
        found = [(self.cost(*item), *item) for item in sorted(several)]
        return sorted(item for item in found if item[0] < inf)

    # What costs a run of its own, for the few that are shown ------------------------------

    def cycle(self, settings: Settings) -> QuantiserCycle:
        """Return the cycle that stays without noise, setpoint between two steps."""
        room = self.rooms[0]
        still = replace(room.plant, control_sensor=replace(room.plant.control_sensor, noise_k=0.0))
        held = replace(settings, setpoint_c=room.setpoint_c, defrost=None)
        firmware = firmware_of(self.config, held)
        loop = loop_at(still, firmware, room.point)
        loop.run(3600.0, 10.0)
        # Half way between two steps of the reading the cycle is largest.
        level_c = float(loop.run(10.0, 10.0)["reading_c"][-1])
        loop.turn_setpoint(round(100.0 * level_c + 50.0 * self.step_k))
        loop.run(3600.0, 10.0)
        record = loop.run(3600.0, 1.0)
        if np.unique(record["reading_c"]).size < 2:
            return NO_CYCLE
        return measure(place_c(still, record), record.row_s)

    def trial(self, name: str, kp: float, ti: float, schedule: Schedule = ()) -> PITrial:
        """Return a setting with all its figures."""
        settings, gains = self.with_gains(kp, ti, schedule), self.gains(kp, schedule)
        found = self.run(settings)
        margins = worst(self.linear.margins(gains, ti))
        made = PITrial(
            name=name,
            kp_pct_per_k=kp,
            ti_s=ti,
            gain_schedule=schedule,
            margins=margins,
            cost=cost_of(found, self.start),
            responses=found,
            overshoot_k=pull_down_overshoot_k(self.config, settings, self.plant),
            reversals_per_hour=reversals_per_hour(self.config, settings, self.rooms[0]),
            predicted=self.linear.cycle(gains, ti, self.step_k, self.plant.control_sensor.lag_s),
            simulated=self.cycle(settings),
        )
        return replace(made, lack=lack_of(margins) or missed(made))

    def unsure(self, kp: float, ti: float, schedule: Schedule = ()) -> tuple[float, float]:
        """Return (cost as modelled, largest change of it when parts are 10 % off) [-]."""
        as_modelled, apart = self.rooms[0], []
        change, rule = self.with_gains(kp, ti, schedule), self.settings

        def ratio(room: Room) -> float:
            return cost_of([respond(self.config, change, room)],
                           [respond(self.config, rule, room)])  # fmt: skip

        here = ratio(as_modelled)
        for factor in (0.9, 1.1):
            for plant in parts_off(self.plant, factor):
                room = room_of(self.config, plant, as_modelled.name, self.config.climate.usual_c)
                if room is not None:
                    apart.append(abs(ratio(room) - here))
        return here, max(apart, default=0.0)


def missed(trial: PITrial) -> str:
    """Return which figure beside the margins a trial misses; empty where none."""
    if trial.overshoot_k > LARGEST_OVERSHOOT_K:
        return f"overshoot of the pull-down <= {LARGEST_OVERSHOOT_K:g} K"
    if trial.reversals_per_hour > MOST_REVERSALS_PER_H:
        return f"turns of the duty <= {MOST_REVERSALS_PER_H:g} per h"
    if max(trial.simulated.swing_k, trial.predicted.swing_k) > LARGEST_CYCLE_K:
        return f"cycle of the reading's last step <= {LARGEST_CYCLE_K:g} K"
    return ""


def schedule_of(search: _Search, kp: float, ti: float) -> Schedule:
    """Return gains at up to three duties that all cross over alike, or nothing.

    Each is the fixed gain times highest over own gain of the plant at crossover, below what
    noise and steps of the reading allow.
    """
    plants = search.linear.plants
    crossover = max(m.crossover_rad_per_s for m in search.linear.margins(search.gains(kp), ti))
    sizes = search.linear.size_at(crossover)
    highest = max(sizes)
    by_duty: dict[float, float] = {}
    for linear, size in zip(plants, sizes, strict=True):
        duty = round(linear.duty, 2)
        by_duty[duty] = max(by_duty.get(duty, 0.0), size)
    duties = sorted(by_duty)
    if len(duties) < 2:
        return ()
    middle = duties[len(duties) // 2]
    kept = sorted({duties[0], middle, duties[-1]})
    return tuple(
        (duty, two_digits(min(kp * highest / by_duty[duty], search.most_kp))) for duty in kept
    )


def _scheduled(search: _Search, kp: float, ti: float) -> tuple[PITrial | None, str]:
    """Return the scheduled trial, or None, and why."""
    points = schedule_of(search, kp, ti)
    if not points or max(gain for _, gain in points) < 1.1 * kp:
        if kp > 0.9 * search.most_kp:
            return None, "one gain: noise and step of the reading allow no higher one anywhere"
        return None, "one gain: the plant's gain at crossover differs by less than 10 % over duty"
    lack = search.lack(kp, ti, points)
    if lack:
        return None, f"one gain: a schedule misses {lack}"
    return search.trial(SCHEDULED, kp, ti, points), ""


def _weighed(search: _Search, best: PITrial) -> tuple[float, tuple[tuple[float, float], ...]]:
    """Return the largest setpoint weight whose step does not overshoot, and all tried."""
    tried: list[tuple[float, float]] = []
    base = search.with_gains(best.kp_pct_per_k, best.ti_s, best.gain_schedule)
    for weight in WEIGHTS:
        found = respond(search.config, replace(base, setpoint_weight=weight), search.rooms[0])
        tried.append((weight, found.step_overshoot_k))
        if found.step_overshoot_k <= STEP_OVERSHOOT_K:
            return weight, tuple(tried)
    least = min(tried, key=lambda item: item[1])
    # A weight that hardly helps is not worth a word.
    helps = least[1] < 0.8 * tried[0][1]
    return (least[0] if helps else 1.0), tuple(tried)


def _forward(search: _Search, settings: Settings) -> FeedForward | None:
    """Return what feed-forward from the room's sensor brings, or None without that sensor."""
    if search.config.ambient_sensor is None:
        return None
    room = search.rooms[0]
    slope = round(steady_slope_pct_per_k(search.config, search.plant, room), 2)
    without = daily(search.config, settings, room)
    if slope <= 0.0 or search.config.climate.daily_swing_k == 0.0:
        return FeedForward(slope, without, without, False)
    fed = replace(settings, feed_forward_pct_per_k=slope)
    found = daily(search.config, fed, room)
    saved_k = without.air_range_k - found.air_range_k
    pays = saved_k >= max(FORWARD_PAYS_K, 0.01 * FORWARD_PAYS_PCT * without.air_range_k)
    return FeedForward(slope, without, found, pays)


def search_pi(
    config: Config,
    plant: Plant,
    settings: Settings,
    tuning: PITuning,
    linears: Sequence[LinearPlant],
    delay_s: float,
) -> PISearch | None:
    """Return the search from a rule's setting, or None where no room gives the module work.

    Parameters
    ----------
    config : Config
    plant : Plant
        On the drive that is tuned.
    settings : Settings
        The rule's, as rounded.
    tuning : PITuning
        Where they came from.
    linears : sequence of LinearPlant
        Operating points on which every setting must be robust.
    delay_s : float
        From the reading to the change of duty, half a slow window counted in [s].
    """
    rooms = rooms_of(config, plant)
    if not rooms:
        return None
    search = _Search(config, plant, settings, linears, delay_s, rooms)
    rule = (settings.kp_pct_per_k, settings.ti_s)
    search.known[rule] = 1.0
    second = search.lambda_start(tuning)
    starts = sorted({rule, second}, key=lambda item: search.cost(*item))
    ranked = search.pattern(starts[0])
    trials = [search.trial(SIMC, *rule)]
    if second != rule:
        trials.append(search.trial(LAMBDA, *second))
    chosen, reason, unsure_pct = _choose(search, trials, ranked)
    best = next(item for item in trials if item.name == chosen)
    extra, why = _scheduled(search, best.kp_pct_per_k, best.ti_s)
    if extra is not None:
        trials.append(extra)
        why, taken = _schedule_pays(extra, best)
        if taken:
            chosen, best = SCHEDULED, extra
    weight, overshoots = _weighed(search, best)
    flashed = search.with_gains(best.kp_pct_per_k, best.ti_s, best.gain_schedule)
    return PISearch(
        rooms=tuple(room.name for room in rooms),
        trials=tuple(trials),
        chosen=chosen,
        reason=reason,
        unsure_pct=unsure_pct,
        runs=search.runs,
        schedule_reason=why,
        setpoint_weight=weight,
        weight_overshoots_k=overshoots,
        feed_forward=_forward(search, replace(flashed, setpoint_weight=weight)),
    )


def _choose(
    search: _Search, trials: list[PITrial], ranked: list[tuple[float, float, float]]
) -> tuple[str, str, float]:
    """Return (chosen, reason, uncertainty [%]); what is worth showing joins `trials`.

    Cheapest first, the lambda rule among the others, until one keeps everything.
    """
    rule = trials[0]
    if rule.lack:
        return _instead(search, trials, ranked)
    reason = "no setting tried does better than the rule"
    for found in _keeping(search, trials, [item for item in ranked if item[0] <= NO_GAIN]):
        if found.lack:
            reason = f"what did better misses {found.lack}"
            continue
        return _better(search, found)
    return SIMC, reason, 0.0


def _instead(
    search: _Search, trials: list[PITrial], ranked: list[tuple[float, float, float]]
) -> tuple[str, str, float]:
    """Return what takes the place of a rule that misses a figure, as `_choose` does."""
    rule = trials[0]
    # What the search leaves behind is quick; where all of it misses, slower ones may not.
    for several in (lambda: ranked, lambda: search.gentler(rule.kp_pct_per_k, rule.ti_s)):
        for found in _keeping(search, trials, several()):
            if found.lack:
                continue
            _, apart = search.unsure(found.kp_pct_per_k, found.ti_s)
            text = f"SIMC misses {rule.lack}; this is the best found that keeps all"
            return found.name, text, 100.0 * apart
    return SIMC, f"SIMC misses {rule.lack}, and no setting tried keeps all", 0.0


def _keeping(
    search: _Search, trials: list[PITrial], ranked: list[tuple[float, float, float]]
) -> Iterator[PITrial]:
    """Yield settings but the rule's as trials, cheapest first; one without a lack joins."""
    shown = {(item.kp_pct_per_k, item.ti_s): item for item in trials}
    several, new = {(kp, ti): cost for cost, kp, ti in ranked}, 0
    for kp, ti in sorted(several, key=lambda item: several[item]):
        if (kp, ti) == (trials[0].kp_pct_per_k, trials[0].ti_s):
            continue
        known = shown.get((kp, ti))
        if known is None and new >= MOST_TRIALS:
            continue
        new += known is None
        found = known or search.trial(SEARCHED, kp, ti)
        if not found.lack and found not in trials:
            trials.append(found)
        yield found


def _better(search: _Search, found: PITrial) -> tuple[str, str, float]:
    """Return (chosen, reason, uncertainty [%]) of the best trial against the rule."""
    here, apart = search.unsure(found.kp_pct_per_k, found.ti_s)
    gained, unsure = 100.0 * (1.0 - min(found.cost, 1.0)), 100.0 * apart
    needed = max(unsure, LEAST_GAIN_PCT)
    text = f"the best found is {gained:.0f} % better than SIMC"
    if gained <= needed:
        why = (
            f"within the model's uncertainty, {unsure:.0f} %"
            if unsure >= LEAST_GAIN_PCT
            else f"less than the {LEAST_GAIN_PCT:g} % that a change must gain"
        )
        return SIMC, f"{text}, {why}: the rule stays, being simpler", unsure
    return found.name, f"{text}; with parts 10 % off this moves by {unsure:.0f} %", unsure


def _schedule_pays(extra: PITrial, best: PITrial) -> tuple[str, bool]:
    """Return (reason, whether the schedule is taken) against the fixed gains."""
    gained = 100.0 * (1.0 - extra.cost / best.cost)
    if extra.lack:
        return f"one gain: a schedule misses {extra.lack}", False
    if gained < SCHEDULE_PAYS_PCT:
        return (
            f"one gain: a schedule gains {gained:.0f} %, below the {SCHEDULE_PAYS_PCT:g} % "
            "that it must",
            False,
        )
    return f"a schedule over duty gains {gained:.0f} %", True


def settings_from(search: PISearch, settings: Settings) -> Settings:
    """Return the settings with what the search chose."""
    best, forward = search.best, search.feed_forward
    slope = forward.slope_pct_per_k if forward is not None and forward.chosen else 0.0
    return replace(
        settings,
        kp_pct_per_k=best.kp_pct_per_k,
        ti_s=best.ti_s,
        gain_schedule=best.gain_schedule,
        setpoint_weight=search.setpoint_weight,
        feed_forward_pct_per_k=slope,
    )


def tuning_with(search: PISearch, tuning: PITuning) -> PITuning:
    """Return the rule's tuning with the search beside it, and its gains where they changed."""
    best = search.best
    if search.chosen == SIMC:
        return replace(tuning, search=search)
    return replace(
        tuning,
        kp_pct_per_k=max(gain for _, gain in best.gain_schedule)
        if best.gain_schedule
        else best.kp_pct_per_k,
        ti_s=best.ti_s,
        decided_by=f"search on the whole loop ({search.reason})",
        worst=best.margins,
        noise_duty_pct=tuning.noise_duty_pct * best.kp_pct_per_k / tuning.kp_pct_per_k,
        search=search,
    )


__all__ = ["FeedForward", "PISearch", "PITrial", "search_pi", "settings_from", "tuning_with"]
