"""Which bench test would tell what a log did not: a few candidates, each run on the twin.

Each candidate is simulated from the twin's own steady state and its slopes are put beside the
log's with the log's own noise and misfit; what shrinks an unknown's interval most is advised.
Nothing is measured here: it is what the test would tell if the model is right.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ctrl import calibrate_replay, twin
from ctrl.calibrate import Array, Calibration, lumps_of, structure_of
from ctrl.calibrate_misfit import Misfit, root_of, whitened
from ctrl.calibrate_model import CHANNELS, Setup
from ctrl.calibrate_problem import Problem
from ctrl.calibrate_rows import Frosting
from ctrl.tolerances import cores
from ctrl.twin import TwinPart
from plant.constants import ZERO_C_K

ROW_S = 20.0
# Lumps of one part each: told once.
ONE_PART = {
    "seebeck_v_per_k": "seebeck",
    "resistance_ohm": "resistance",
    "conductance_w_per_k": "conductance",
    "contents_j_per_k": "contents_capacity",
}
# name, words, then stretches of minutes, share of the usual duty (None: full), hot and cold fan.
Stretch = tuple[float, float | None, float, float]
CANDIDATES: tuple[tuple[str, str, tuple[Stretch, ...]], ...] = (
    ("hot_fan_off", "stop the hot fan for 10 min at a third of the usual duty, then go on; watch "
     "the hot sink, stop at its limit",
     ((60.0, 0.33, 1.0, 1.0), (10.0, 0.33, 0.0, 1.0), (30.0, 0.33, 1.0, 1.0))),
    ("cold_fan_off", "stop the inside fan for 20 min, then go on",
     ((60.0, 1.0, 1.0, 1.0), (20.0, 1.0, 1.0, 0.0), (40.0, 1.0, 1.0, 1.0))),
    ("warm_up", "switch off, fans running, and let it warm for 6 h",
     ((30.0, 1.0, 1.0, 1.0), (360.0, 0.0, 1.0, 1.0))),
    ("overnight", "hold the usual duty for 3 h, then switch off, fans running, and log for 12 h",
     ((180.0, 1.0, 1.0, 1.0), (720.0, 0.0, 1.0, 1.0))),
    ("duty_steps", "an hour of full duty, an hour off, an hour at half of the usual",
     ((60.0, None, 1.0, 1.0), (60.0, 0.0, 1.0, 1.0), (60.0, 0.5, 1.0, 1.0))),
)  # fmt: skip


@dataclass(frozen=True)
class Gain:
    """What a test would do to the standard error of a part (as worked with) or of a lump."""

    name: str
    words: str
    before: float
    after: float

    @property
    def left(self) -> float:
        """Share of the spread that would be left [-]."""
        return self.after / self.before


@dataclass(frozen=True)
class BenchTest:
    """One candidate, and what it would do to the parts that the log does not tell."""

    name: str
    words: str
    hours: float
    gains: tuple[Gain, ...]

    @property
    def best(self) -> Gain:
        """The part whose spread it shrinks most."""
        return min(self.gains, key=lambda gain: gain.left)


def _usual_duty(found: Calibration) -> float:
    driven = found.setup.drivers[:, calibrate_replay.DRIVE]
    on = np.abs(driven[driven != 0.0])
    return float(np.median(on)) if on.size else 0.5


def _rows(found: Calibration, stretches: Sequence[Stretch]) -> tuple[Array, Array]:
    """Return (times, drivers) of a candidate at the log's mean room."""
    setup, usual = found.setup, _usual_duty(found)
    most = max(float(np.abs(setup.drivers[:, calibrate_replay.DRIVE]).max()), usual)
    seconds = 60.0 * sum(stretch[0] for stretch in stretches)
    time_s = np.arange(0.0, seconds + 1.0, ROW_S)
    table = np.tile(setup.drivers.mean(axis=0), (time_s.size, 1))
    table[:, calibrate_replay.DOOR] = 0.0
    table[:, calibrate_replay.FROST_TIMES] = 1.0
    table[:, calibrate_replay.HOLDS] = 1.0
    begin = 0.0
    for minutes, share, hot, cold in stretches:
        inside = time_s >= begin
        table[inside, calibrate_replay.DRIVE] = most if share is None else share * usual
        table[inside, calibrate_replay.HOT_FAN] = hot
        table[inside, calibrate_replay.COLD_FAN] = cold
        begin += 60.0 * minutes
    return time_s, table


def _parts_of(setup: Setup) -> tuple[tuple[TwinPart, ...], Array]:
    """Return the log's parts with the still films that only a stopped fan shows."""
    parts = list(setup.parts)
    names = [part.name for part in parts]
    added = [twin.BY_NAME[name] for name in ("hot_still", "cold_still") if name not in names]
    root = np.zeros((len(parts) + len(added),) * 2)
    root[: len(parts), : len(parts)] = setup.prior_root
    for k in range(len(parts), root.shape[0]):
        root[k, k] = 0.01 * max(setup.config.tolerances.sinks_pct, 1.0) / np.sqrt(3.0)
    return (*parts, *added), root


def _setup(found: Calibration, stretches: Sequence[Stretch]) -> tuple[Setup, Array]:
    """Return (a setup as if the candidate had been logged, its unknowns at the twin)."""
    setup = found.setup
    parts, root = _parts_of(setup)
    time_s, drivers = _rows(found, stretches)
    here = {name: np.zeros(time_s.size) for name in setup.log.columns}
    log = replace(setup.log, time_s=time_s, segment=np.zeros(time_s.size, dtype=np.int64),
                  columns=here)  # fmt: skip
    # It begins where the log's means are; the start values are unknown again, as in a new log.
    first = np.full((1, 3), np.nan)
    for k, name in enumerate(("air_c", "cold_sink_c", "hot_sink_c")):
        if name in setup.log.columns:
            tail = found.model[-20:, [c.name for c in setup.channels].index(name)]
            first[0, k] = float(np.nanmean(tail)) + ZERO_C_K
    unknowns = tuple(item for item in setup.unknowns if item.segment in (-1, 0))
    if "contents_c" in here:
        at = [c.name for c in setup.channels].index("contents_c")
        here["contents_c"][:] = float(np.nanmean(found.model[-20:, at]))
        unknowns = tuple(item for item in unknowns if item.what != "contents")
    x = np.zeros(len(parts) + len(unknowns))
    x[: len(setup.parts)] = found.x[: len(setup.parts)]
    nowhere = np.zeros(time_s.size, dtype=bool)
    clean = Frosting(np.zeros(time_s.size), nowhere, nowhere)
    new = replace(setup, log=log, drivers=drivers, parts=parts, prior_root=root,
                  unknowns=unknowns, first=first, frost=clean, left_out=nowhere)  # fmt: skip
    return new, x


def _prior_information(found: Calibration, size: int) -> Array:
    """Return the information of log and priors together on the nodes' parts, (size, size)."""
    own = len(found.setup.parts)
    whole = np.eye(size)
    of_nodes = found.covariance - np.diag(structure_of(found.setup) ** 2)
    whole[:own, :own] = np.linalg.inv(_in_prior_spreads(found.setup, of_nodes))
    return whole


def _in_prior_spreads(setup: Setup, covariance: Array) -> Array:
    """Return a covariance of the parts in units of their priors', as the unknowns are."""
    root = setup.prior_root
    return np.asarray(np.linalg.solve(root, np.linalg.solve(root, covariance).T))


def _with_structure(setup: Setup, scaled: Array) -> Array:
    """Return the unknowns' covariance with what one node lacks, which no log takes away."""
    count, found = len(setup.parts), scaled.copy()
    found[:count, :count] += _in_prior_spreads(setup, np.diag(structure_of(setup) ** 2))
    return found


def _misfits(found: Calibration, setup: Setup) -> list[Misfit]:
    by_name = {}
    for name, misfit in zip(found.whiteness, found.misfits, strict=True):
        by_name[name] = misfit
    least = [CHANNELS["air_c"].misfit, CHANNELS["air_c"].misfit, 1800.0]
    return [by_name.get(channel.name, Misfit(*least)) for channel in setup.channels]


def _after(found: Calibration, stretches: Sequence[Stretch]) -> tuple[Setup, Array, Array, Array]:
    """Return (setup, its unknowns, their covariance before, and after the candidate)."""
    setup, x = _setup(found, stretches)
    problem = Problem(setup, np.ones(setup.log.time_s.size, dtype=bool), cores())
    information = _prior_information(found, x.size)
    before = np.asarray(np.linalg.inv(information), dtype=float)
    misfits = _misfits(found, setup)
    for k, blocks, slopes in zip(problem.used, problem.blocks,
                                 problem.slopes(x, np.arange(x.size)), strict=True):  # fmt: skip
        white = whitened(root_of(blocks, misfits[k]), slopes)
        information = information + white.T @ white
    after = np.asarray(np.linalg.inv(information), dtype=float)
    return setup, x, _with_structure(setup, before), _with_structure(setup, after)


def _part_spreads(setup: Setup, scaled: Array) -> Array:
    count = len(setup.parts)
    inner = setup.prior_root @ scaled[:count, :count] @ setup.prior_root.T
    return np.sqrt(np.diag(inner))


def next_tests(found: Calibration) -> tuple[BenchTest, ...]:
    """Return the candidates, the most telling first."""
    untold = {item.name for item in found.untold}
    untold_lumps = {item.name for item in found.lumps if not item.told}
    tests = []
    for name, words, stretches in CANDIDATES:
        setup, x, before, after = _after(found, stretches)
        known = {part.name for part in found.setup.parts}
        spreads = (_part_spreads(setup, before), _part_spreads(setup, after))
        lumps = (lumps_of(setup, x, before), lumps_of(setup, x, after))
        gains = tuple(
            Gain(part.name, part.words, float(b), float(a))
            for part, b, a in zip(setup.parts, *spreads, strict=True)
            if part.name in untold or part.name not in known
        ) + tuple(
            Gain(b.name, b.words, b.error, a.error)
            for b, a in zip(*lumps, strict=True)
            if b.name in untold_lumps and ONE_PART.get(b.name) not in untold
        )
        if gains:
            hours = sum(stretch[0] for stretch in stretches) / 60.0
            tests.append(BenchTest(name, words, hours, gains))
    return tuple(sorted(tests, key=lambda test: test.best.left))


__all__ = ["BenchTest", "Gain", "next_tests"]
