"""Every law on one cabinet: same weather, same bottles, same mean of the contents."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ctrl.aim import aim_of, with_kind
from ctrl.build import at_ambient, plant_of
from ctrl.candidates import Candidate, candidates_of, with_drive
from ctrl.capability import coldest_holdable, limits_of
from ctrl.cases import contents_min_c, energy_boundary, usual_run
from ctrl.config import Config
from ctrl.controllers import Outside
from ctrl.defrost import DefrostSettings
from ctrl.findings import DAY_S, Findings, findings_of
from ctrl.firmware import Settings, defrost_of, firmware_of, settings_of
from ctrl.ice import DefrostPlan, Ice, ice_of, ice_with_range
from ctrl.law_tuning import LAWS, drive_for, law_candidate
from ctrl.linked import LinkedController, Stop
from ctrl.outside_loop import loop_around
from ctrl.record import Record
from ctrl.trade_off import tuned_thermostat
from ctrl.trial import ROW_S, nearest_point, warm_state
from ctrl.tuned import (
    ROOM_KEEPS_BELOW,
    Tuned,
    aimed,
    at_setpoint,
    relay_life_of,
    tuned,
    with_defrost,
)
from ctrl.weather_log import weather_rows_of
from plant.cabinet import Plant
from plant.constants import ZERO_C_K

DAYS = 4.0
LEAST_DAYS = 2.0  # one to cool, one to look at
CENTRED_K = 0.05
CENTRINGS = 3
ICE_DAYS = 5
# Two laws closer than this cannot be told apart by the model; engineering choice.
ALIKE_ENERGY = 0.03
# Of laws alike in energy, those are passed over that cycle the module so many times as often
# as the calmest and more than hourly; engineering choice.
MORE_CYCLES, HOURLY = 10.0, 24.0
Progress = Callable[[str], None]


@dataclass(frozen=True)
class Compared:
    """One law on one drive with what it does.

    `record` is the whole run from a warm start, `findings` its last day; `ice` without a
    defrost at the dampest air of the usual room; `cycles_per_day` of the module between high
    and low, `module_span_k` and `module_peak_c` of its hot face over the last day [1/d, K, °C].

    `cycles_per_hour` and the contact's life are those of the settled usual day where the law is
    the one to flash or a thermostat on a relay, as `recommend` tells them; else of the last day.

    Of a maker's own C `source` is the file's name and `stop` why it was no longer asked, where
    it did wrong; its ice is with whatever it does against ice.
    """

    candidate: Candidate
    record: Record
    findings: Findings
    ice: Ice
    relay_life_years: float | None
    cycles_per_day: float
    module_span_k: float
    module_peak_c: float
    cycles_per_hour: float
    source: str | None = None
    stop: Stop | None = None


@dataclass(frozen=True)
class Comparison:
    """Laws compared; `verdict` says in words which is the one to take.

    `cannot_tell` are the groups of laws that the model cannot tell apart; `plan` the defrost
    that all run with, None where the one to flash needs none.  `yours` is a maker's own C in the
    same cabinet, `yours_words` how it stands beside that law.
    """

    config: Config
    days: float
    seed: int
    items: tuple[Compared, ...]
    left_out: tuple[Candidate, ...]
    verdict: str
    cannot_tell: tuple["CannotTell", ...] = ()
    plan: DefrostPlan | None = None
    yours: Compared | None = None
    yours_words: str = ""

    @property
    def rows(self) -> tuple[Compared, ...]:
        """Every law, and the maker's own controller where there is one."""
        return self.items if self.yours is None else (*self.items, self.yours)

    @property
    def thriftiest(self) -> Compared:
        """The one that spends least a day."""
        return min(self.items, key=lambda item: item.findings.energy_kwh_per_day)


def level_cycles(duty: np.ndarray) -> int:
    """Return how often a duty goes from the lower to the upper third of its range.

    So that two levels, on and off, and the slow swing of a day count alike; a range below a
    tenth of the whole counts as none.
    """
    low, high = float(np.min(duty)), float(np.max(duty))
    if high - low < 0.1:
        return 0
    marks = np.zeros(duty.size)
    marks[duty < low + (high - low) / 3.0] = -1.0
    marks[duty > high - (high - low) / 3.0] = 1.0
    told = marks[marks != 0.0]
    return int(np.count_nonzero((told[1:] > 0.0) & (told[:-1] < 0.0)))


def warm_run(
    config: Config, candidate: Candidate, days: float, seed: int, outside: Outside | None = None
) -> Record:
    """Return the record from loading the warm cabinet, `days` long, in the config's usual room."""
    plant = candidate.plant
    loop = loop_around(
        plant, firmware_of(with_kind(config, candidate.drive), candidate.settings),
        warm_state(plant, config), outside, seed=seed, weather_rows=weather_rows_of(config, plant),
    )  # fmt: skip
    return loop.run(days * DAY_S, ROW_S)


def centred(config: Config, candidate: Candidate, days: float, seed: int) -> Candidate:
    """Return the candidate with the setpoint at which the contents mean the target.

    So that no law looks thrifty by being warmer.  Where the target is out of reach, or the room
    cool enough by itself, the setpoint stays.
    """
    if aim_of(config, candidate.plant, candidate.drive).is_out_of_reach:
        return candidate
    for _ in range(CENTRINGS):
        record = warm_run(config, candidate, days, seed).last(DAY_S)
        miss_k = float(np.mean(record["contents_c"])) - config.use.target_c
        is_rooms = float(np.mean(record["duty"])) < ROOM_KEEPS_BELOW
        if is_rooms or abs(miss_k) < CENTRED_K or abs(miss_k) > 2.0 * config.use.target_tolerance_k:
            break
        moved = round(candidate.settings.setpoint_c - miss_k, 1)
        if moved == candidate.settings.setpoint_c:
            break
        candidate = at_setpoint(candidate, moved)
    return candidate


def ice_without_defrost(
    config: Config, candidate: Candidate, seed: int, outside: Outside | None = None
) -> Ice:
    """Return the ice in the usual room at its dampest air.

    A firmware from outside runs as it is, once: the range of the frost's density is left out.
    """
    ambient_c = config.climate.usual_c
    plant = at_ambient(candidate.plant, ambient_c, config.climate.worst_humidity_pct)
    coldest = coldest_holdable(plant, ambient_c + ZERO_C_K, limits_of(config))
    settings: Settings = replace(candidate.settings, defrost=None)
    firmware = firmware_of(with_kind(config, candidate.drive), settings)
    start = nearest_point(plant, config.use.target_c + ZERO_C_K, coldest)
    limit_pct = config.limits.sink_ice_blockage_pct
    if outside is not None:
        return ice_of(plant, firmware, start, limit_pct, most_days=ICE_DAYS, seed=seed,
                      outside=outside)  # fmt: skip
    return ice_with_range(plant, firmware, start, limit_pct, most_days=ICE_DAYS, seed=seed)


def measured(
    config: Config,
    candidate: Candidate,
    days: float,
    seed: int,
    *,
    flashed: Ice | None = None,
    defrost: DefrostSettings | None = None,
) -> Compared:
    """Run one candidate and say what it does.

    What is flashed, with its ice known, keeps its settings.  Any other is centred on these
    days, runs with the cabinet's `defrost` plan, or with the config's own where it ices up.
    """
    ice = flashed
    if ice is None:
        candidate = centred(config, candidate, days, seed)
        ice = ice_without_defrost(config, candidate, seed)
        if defrost is None and ice.ices:
            defrost = defrost_of(config, min(candidate.settings.period_s, 1.0))
        if defrost is not None:
            candidate = centred(config, with_defrost(candidate, defrost), days, seed)
    record = warm_run(config, candidate, days, seed)
    if flashed is None:
        return _compared(config, candidate, record, ice)
    told = with_kind(config, candidate.drive)
    settled = usual_run(told, candidate.plant, candidate.settings, seed).findings
    return _compared(config, candidate, record, ice, settled)


def yours_measured(
    config: Config, source: str, powered_up: Callable[[], LinkedController], days: float, seed: int
) -> Compared:
    """Run a maker's own C as every law is run; its setpoint is its own and stays.

    Parameters
    ----------
    config : Config
    source : str
        Name of its file.
    powered_up : callable
        Returns it freshly powered up, for one run.
    days : float
        Length of the run from a warm start [days].
    seed : int
        Of the sensor noise.
    """
    candidate = Candidate(YOURS, config.drive.kind, True, plant_of(config), settings_of(config))
    warm, damp = powered_up(), powered_up()
    record = warm_run(config, candidate, days, seed, warm)
    ice = ice_without_defrost(config, candidate, seed, damp)
    found = _compared(config, candidate, record, ice)
    return replace(found, source=source, stop=warm.stop or damp.stop)


def _compared(
    config: Config, candidate: Candidate, record: Record, ice: Ice, settled: Findings | None = None
) -> Compared:
    """Return what a run shows, with the ice of another; `settled` tells how often it switches."""
    use = config.use
    found = findings_of(record, use.target_c, use.target_tolerance_k, energy_boundary(config))
    last, switched = record.last(DAY_S), settled or found
    return Compared(
        candidate, record, found, ice, relay_life_of(config, candidate.drive, switched),
        float(level_cycles(last["duty"])), float(np.ptp(last["hot_face_c"])),
        float(np.max(last["hot_face_c"])), switched.cycles_per_hour,
    )  # fmt: skip


# The order of simplicity: what has fewer numbers to get wrong stands first.
SIMPLEST = ("on_off", "pi", "two_level", "best_cop", "cascade")


def lacks(config: Config, item: Compared) -> str:
    """Return what a law fails in the usual room, in words; empty where it holds."""
    use, found = config.use, item.findings
    mean_c = found.contents_c.mean
    if item.stop is not None:
        return item.stop.told
    if abs(mean_c - use.target_c) > use.target_tolerance_k:
        return f"contents at {mean_c:.1f} °C in the mean"
    if use.contents_max_c is not None and found.contents_c.max > use.contents_max_c:
        return f"contents up to {found.contents_c.max:.1f} °C"
    coldest_c = contents_min_c(config, item.candidate.plant)
    if coldest_c is not None and found.contents_c.min < coldest_c:
        return f"contents down to {found.contents_c.min:.1f} °C"
    if found.hot_sink_c.max > config.limits.hot_sink_max_c:
        return f"hot sink up to {found.hot_sink_c.max:.0f} °C"
    if found.blockage_pct_max >= config.limits.sink_ice_blockage_pct:
        return f"ice closes {found.blockage_pct_max:.0f} % of the fin gaps"
    if item.ice.ices and item.source is not None:
        return "ices up in damp air"
    if item.ice.ices and item.candidate.settings.defrost is None:
        return "ices up in damp air, and the config has no defrost"
    life, wanted = item.relay_life_years, config.limits.relay_life_years
    if life is not None and life < wanted:
        return f"the relay lives {life:.1f} years where {wanted:g} are wanted"
    return ""


@dataclass(frozen=True)
class CannotTell:
    """Laws that the model cannot tell apart in one quantity, "energy" or "ice", and why."""

    quantity: str
    items: tuple[Compared, ...]
    reason: str


def ice_alike(config: Config, items: Sequence[Compared]) -> CannotTell | None:
    """Return the laws that only frost's density tells apart at the limit on ice, or None.

    Those just above the limit and just below it, where both ranges of frost 50 % denser to
    50 % lighter hold the limit.
    """
    limit_pct = config.limits.sink_ice_blockage_pct
    near = [
        x for x in items
        if x.ice.blockage_range_pct is not None
        and x.ice.blockage_range_pct[0] < limit_pct <= x.ice.blockage_range_pct[1]
    ]  # fmt: skip
    if len({x.ice.blockage_pct >= limit_pct for x in near}) < 2:
        return None
    named = ", ".join(f"{name_of(x, items)} {x.ice.blockage_pct:.1f} %" for x in near)
    return CannotTell("ice", tuple(near), (
        f"Ice: {named} lie on both sides of {limit_pct:g} %, but the density of frost is good to "
        "50 % only: the model cannot tell them apart there."
    ))  # fmt: skip


def energy_alike(config: Config, items: Sequence[Compared]) -> CannotTell | None:
    """Return the laws for the config's own drive that are alike in energy, or None.

    Of those that keep every limit; within `ALIKE_ENERGY` of the thriftiest.
    """
    own = [item for item in items if item.candidate.fits and not lacks(config, item)]
    alike = _alike(own) if own else []
    if len(alike) < 2:
        return None
    named = ", ".join(f"{name_of(x, own)} {_energy(x):.2f} kWh a day" for x in alike)
    return CannotTell("energy", tuple(alike), (
        f"Energy: {named} lie within {100.0 * ALIKE_ENERGY:.0f} % of the thriftiest: the model "
        "cannot tell them apart."
    ))  # fmt: skip


def cannot_tell_of(config: Config, items: Sequence[Compared]) -> tuple[CannotTell, ...]:
    """Return every group of laws that the model cannot tell apart."""
    found = (energy_alike(config, items), ice_alike(config, items))
    return tuple(item for item in found if item is not None)


def remaining_misses(config: Config, items: Sequence[Compared]) -> str:
    """Return how far from the target the contents still mean, in words; empty where nowhere.

    Those out of reach are not moved: `lacks` tells of them.
    """
    use = config.use
    means = [(x, x.findings.contents_c.mean) for x in items]
    far = [
        f"{name_of(x, items)} {mean_c:.1f}" for x, mean_c in means
        if 2.0 * CENTRED_K <= abs(mean_c - use.target_c) <= 2.0 * use.target_tolerance_k
    ]  # fmt: skip
    return ", ".join(far)


def verdict_of(config: Config, items: Sequence[Compared]) -> str:
    """Return in words which law to take on the config's own drive, and what another drive saves.

    Within `ALIKE_ENERGY` of the thriftiest the simpler law is taken, unless it cycles the
    module far more often.
    """
    holding, own = _holding(config, items)
    if not holding:
        return "No law compared keeps every limit in the usual room."
    if not own:
        lead = "No law that fits this drive keeps every limit in the usual room."
        return lead + _other(None, holding)
    alike = _alike(own)
    calm, taken = _calmest(alike), _taken(own)
    text = f"On this drive: {name_of(taken, own)}, {_energy(taken):.2f} kWh a day"
    others = [name_of(item, own) for item in alike if item is not taken]
    if others:
        text += (
            f"; {', '.join(others)} within {100.0 * ALIKE_ENERGY:.0f} % of the thriftiest, which "
            "the model cannot tell apart: the simplest is taken"
        )
    elif len(own) > 1:
        text += ", the thriftiest that fits"
    harder = [x for x in alike if x not in calm and _simplicity(x) < _simplicity(taken)]
    if harder:
        counts = ", ".join(f"{name_of(x, own)}: {x.cycles_per_day:.0f} cycles" for x in harder)
        text += f" of those that spare the module ({counts} a day, here {taken.cycles_per_day:.0f})"
    return text + "." + _other(taken, holding) + _ice_words(config, items)


def _ice_words(config: Config, items: Sequence[Compared]) -> str:
    alike = ice_alike(config, items)
    return "" if alike is None else f" {alike.reason}"


def _holding(config: Config, items: Sequence[Compared]) -> tuple[list[Compared], list[Compared]]:
    """Return the laws that keep every limit in the usual room, and those of them that fit."""
    holding = [item for item in items if not lacks(config, item)]
    return holding, [item for item in holding if item.candidate.fits]


def _taken(own: Sequence[Compared]) -> Compared:
    return min(_calmest(_alike(own)), key=_simplicity)


def yours_words(config: Config, yours: Compared, items: Sequence[Compared]) -> str:
    """Return how a maker's controller stands beside the law to take, or the nearest, in words."""
    name, lack = name_of(yours, ()), lacks(config, yours)
    text = f"{_capital(name)} " + (f"FAILS: {lack}." if lack else "keeps every limit looked at.")
    fitting = [item for item in items if item.candidate.fits]
    if yours.stop is not None or not fitting:
        return text
    own = _holding(config, items)[1]
    law = _taken(own) if own else min(fitting, key=_energy)
    theirs, mine = yours.findings, law.findings
    apart_k = theirs.contents_c.mean - mine.contents_c.mean
    text += f" Beside {name_of(law, items)} it takes {_energy(yours):.2f} kWh a day instead of "
    text += f"{_energy(law):.2f}, and the air swings by {theirs.swing_k:.2f} K instead of "
    text += f"{mine.swing_k:.2f}."
    if abs(apart_k) >= 2.0 * CENTRED_K:
        side = "warmer" if apart_k > 0.0 else "colder"
        text += f" Its contents are {abs(apart_k):.1f} K {side}, so that the energies do not "
        text += "quite compare: nothing moves its setpoint."
    return text


def _energy(item: Compared) -> float:
    return item.findings.energy_kwh_per_day


def _simplicity(item: Compared) -> int:
    return SIMPLEST.index(item.candidate.controller)


def _alike(items: Sequence[Compared]) -> list[Compared]:
    """Return those that the model cannot tell from the thriftiest."""
    least = min(_energy(item) for item in items)
    return [item for item in items if _energy(item) <= (1.0 + ALIKE_ENERGY) * least]


def _calmest(items: Sequence[Compared]) -> list[Compared]:
    """Return those that do not cycle the module far more often than the calmest does."""
    most = max(HOURLY, MORE_CYCLES * min(item.cycles_per_day for item in items))
    return [item for item in items if item.cycles_per_day <= most]


def _other(taken: Compared | None, holding: Sequence[Compared]) -> str:
    """Return what another drive would save, and how much of it is the law's, or nothing."""
    best = min(holding, key=_energy)
    if best.candidate.fits:
        return ""
    words = _drive_words(best.candidate.drive)
    there = [item for item in holding if item.candidate.drive == best.candidate.drive]
    runner = min(_alike(there), key=_simplicity)
    law, theirs = LAW_WORDS[runner.candidate.controller], _energy(runner)
    if taken is None:
        return f" {_capital(law)} on {words} would, for {theirs:.2f} kWh a day."
    mine = _energy(taken)
    if theirs > (1.0 - ALIKE_ENERGY) * mine:
        return ""
    share = 100.0 * (1.0 - theirs / mine)
    text = f" {_capital(words)}, run by {law}, would save {mine - theirs:.2f} kWh a day "
    text += f"({share:.0f} %)"
    plain = [item for item in there if item.candidate.controller == "pi" and item is not runner]
    if taken.candidate.controller == runner.candidate.controller:
        text += ": the drive saves it, not the law"
    elif plain and _simplicity(runner) > _simplicity(plain[0]):
        text += f"; {100.0 * (1.0 - _energy(plain[0]) / mine):.0f} % with PI on it"
    if runner is not best:
        text += f"; {LAW_WORDS[best.candidate.controller]} on it is within "
        text += f"{100.0 * ALIKE_ENERGY:.0f} % of that"
    return text + "."


def _capital(text: str) -> str:
    return text[0].upper() + text[1:]


def name_of(item: Compared, items: Sequence[Compared]) -> str:
    """Return a law's name, with its drive where the law runs on more than one of them."""
    candidate = item.candidate
    name = law_words(item)
    if item.source is not None:
        return name
    if candidate.controller == "two_level" and candidate.settings.idle_duty == 0.0:
        name = "two-level hold without idle (a plain thermostat)"
    alike = sum(x.candidate.controller == candidate.controller for x in items)
    return name if alike == 1 else f"{name} on {_drive_words(candidate.drive)}"


def law_words(item: Compared) -> str:
    """Return a law's name, or that of the maker's own file."""
    if item.source is not None:
        return f"yours ({item.source})"
    return LAW_WORDS[item.candidate.controller]


YOURS = "yours"  # in the place of a law's name: the maker's own C
LAW_WORDS = {
    "on_off": "on-off",
    "pi": "PI",
    "two_level": "two-level hold",
    "cascade": "cascade",
    "best_cop": "best-efficiency hold",
}


def _drive_words(kind: str) -> str:
    known = {"fast_pwm": "fast PWM", "smoothed": "a smoothed current", "relay": "a relay"}
    return known.get(kind, kind.replace("_", " "))


def has_settings(candidate: Candidate) -> bool:
    """Tell whether a candidate has settings to run with."""
    return not candidate.note.startswith("not tuned")


def pairs_of(laws: Sequence[str], own: str) -> list[tuple[str, str]]:
    """Return (law, drive) to run: where a law needs another drive, PI on that drive as well.

    So that what the drive saves is not credited to the law.
    """
    pairs = [(law, drive_for(law, own)) for law in laws]
    more = [("pi", kind) for law, kind in pairs if kind != own and law != "pi"]
    return list(dict.fromkeys([*pairs, *more]))


def own_setpoint_c(config: Config, plant: Plant, kind: str) -> float:
    """Return the reading to tune for on a drive [°C], from what that drive can reach."""
    return aim_of(config, with_drive(plant, kind), kind).control_c


def to_flash(config: Config, plant: Plant, seed: int, progress: Progress) -> Tuned | None:
    """Return what `recommend` would flash here before parts are drawn, with its defrost plan.

    None where the law for this drive cannot be tuned.
    """
    kind = config.drive.kind
    setpoint_c = own_setpoint_c(config, plant, kind)
    several = candidates_of(config, plant, setpoint_c) if kind == "slow_window" else [
        law_candidate(config, plant, "on_off" if kind == "relay" else "pi", setpoint_c, kind)
    ]  # fmt: skip
    if not has_settings(several[0]):
        return None
    return tuned(config, several, seed, progress=progress)


def compare(
    config: Config,
    laws: Sequence[str] = LAWS,
    *,
    days: float = DAYS,
    seed: int = 1,
    progress: Progress = lambda stage: None,
    yours: tuple[str, Callable[[], LinkedController]] | None = None,
) -> Comparison:
    """Return the laws compared, each tuned for this cabinet.

    The law that `recommend` would flash runs with just those settings; all run with its
    defrost plan, where the cabinet needs one.

    Parameters
    ----------
    config : Config
    laws : sequence of str
        Names of `LAWS`.
    days : float
        Length of each run from a warm start [days]; the last day is looked at.
    seed : int
        Of the sensor noise.
    progress : callable
        Told each law as it begins.
    yours : (str, callable), optional
        A maker's own C as one more row: its file's name, and what powers it up for a run.
    """
    plant = plant_of(config)
    ready = to_flash(config, plant, seed, progress)
    defrost = None if ready is None else ready.defrost
    items, left_out = [], []
    for law, kind in pairs_of(laws, config.drive.kind):
        progress(f"tuning and running {law.replace('_', ' ')}")
        known = ready
        if known is None or (law, kind) != (known.best.controller, known.best.drive):
            candidate = law_candidate(config, plant, law, own_setpoint_c(config, plant, kind), kind)
            if not has_settings(candidate):
                left_out.append(candidate)
                continue
            if candidate.drive != "relay":
                candidate = aimed(config, candidate, None if ready is None else ready.aim)
                items.append(measured(config, candidate, days, seed, defrost=defrost))
                continue
            known = tuned_thermostat(config, seed)  # on a slow window, where PI is flashed
        items.append(measured(config, known.best, days, seed, flashed=known.ices["usual"]))
    found = tuple(items)
    verdict, aim = verdict_of(config, found), aim_of(config, plant, config.drive.kind)
    if aim.is_out_of_reach or aim.is_too_cold:
        verdict += f" {aim.words[0].upper()}{aim.words[1:]}."
    comparison = Comparison(
        config, days, seed, found, tuple(left_out), verdict,
        cannot_tell_of(config, found), ready.plan if ready is not None and defrost else None,
    )  # fmt: skip
    if yours is None:
        return comparison
    progress("running your controller")
    row = yours_measured(config, *yours, days, seed)
    return replace(comparison, yours=row, yours_words=yours_words(config, row, found))
