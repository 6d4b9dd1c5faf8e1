"""Whether a twin may be believed: parts at the end of what they may be, and what it misses.

A fit at the edge of its search is no estimate: its standard error is that of the slope there,
and says nothing of how much further off the part is.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ctrl.calibrate_misfit import Whiteness
from ctrl.calibrate_model import Setup
from ctrl.twin import BY_NAME, LUMPED

Array = NDArray[np.float64]

WIDEST = 3.5  # bounds of the search, in prior standard deviations
TOO_FAR = 3.0  # prior standard deviations: further off, the prior is wrong (1 in 370 by chance)
# Times the prior spread of a part at a bound, when all is fitted once more: a sink's K/W, which no
# sheet states, may well be half or double what was guessed.
WIDER = 10.0
MODULE = ("seebeck", "resistance", "conductance")  # of one module: the one goes with the others
UNSTATED = ("hot_sink", "cold_sink")  # tried whenever anything is at a bound
MOST_TRIED = 5
MOST_OFF_K = 2.0  # rms of a temperature where fitted: further off it is another thing
TAIL_OFF_K = 0.3  # rms that a held-back temperature may be off without a word
# Of the air or the contents held back: a cabinet's band is of that order (common practice, no
# source).  Beyond the first it may still be better than the config, beyond the second no use.
TAIL_POOR_K, TAIL_WRONG_K = 0.5, 1.0
# Held-back air or contents clearly worse than by the untouched config: half as much again, and
# more than noise and drift of a sensor make.
WORSE, WORSE_K = 1.5, 0.03
FROST_CLOSED = 2.0  # times its clean K/W: further, a straight line tells nothing
SUPPLY = "supply's voltage"

# What sets each part in a config, and what its spread comes from.
SOURCES = {
    "hot_sink": ("hot_sink", "tolerances.sinks_pct"),
    "hot_still": ("hot_sink", "tolerances.sinks_pct"),
    "cold_sink": ("cold_sink", "tolerances.sinks_pct"),
    "cold_still": ("cold_sink", "tolerances.sinks_pct"),
    "hot_joint": ("module", "tolerances.contacts_pct"),
    "cold_joint": ("module", "tolerances.contacts_pct"),
    "foam": ("cabinet", "tolerances.foam_conductivity_pct"),
    "leaks": ("cabinet", "tolerances.leaks_pct"),
    "seebeck": ("module", "tolerances of the sheet's numbers in module"),
    "resistance": ("module", "tolerances of the sheet's numbers in module"),
    "conductance": ("module", "tolerances of the sheet's numbers in module"),
    "contents_film": ("contents", ""),
    "contents_capacity": ("contents", ""),
    "hot_capacity": ("hot_sink", ""),
    "cold_capacity": ("cold_sink", ""),
    "wall_capacity": ("cabinet", ""),
    "air_offset": ("sensor", "sensor.tolerance_k"),
    "cold_offset": ("cold_sink_sensor", "cold_sink_sensor.tolerance_k"),
    "hot_offset": ("hot_sink_sensor", "hot_sink_sensor.tolerance_k"),
    "contents_offset": ("sensor", "sensor.tolerance_k"),
    "ambient_offset": ("ambient_sensor", "ambient_sensor.tolerance_k"),
}


def at_bound(setup: Setup, x: Array) -> NDArray[np.bool_]:
    """Tell which parts are at the end of the search or too far from their prior, (parts,)."""
    count = len(setup.parts)
    spread = np.sqrt(np.diag(setup.prior_root @ setup.prior_root.T))
    far = np.abs(setup.inner(x)) > TOO_FAR * spread
    return np.asarray(far | (np.abs(x[:count]) > 0.95 * WIDEST))


@dataclass(frozen=True)
class Frost:
    """What the log tells of frost on the cold sink, besides what the config's room brings.

    `per_h` is by how much of its clean value its K/W grows in an hour below 0 °C, `error` its
    standard error [1/h]; `hours` the most between two meltings, `all_hours` in all [h].
    """

    per_h: float
    error: float
    hours: float
    all_hours: float
    melts: int

    @property
    def is_seen(self) -> bool:
        """Tell whether it grows by more than chance (two standard errors)."""
        return abs(self.per_h) > 2.0 * self.error

    @property
    def most_times(self) -> float:
        """The sink's K/W at the most, over the clean one's."""
        return 1.0 + self.per_h * self.hours


def frost_told(setup: Setup, x: Array, scaled: Array) -> Frost | None:
    """Return what the log tells of frost, None where there was too little to ask."""
    kinds = [unknown.what for unknown in setup.unknowns]
    if "frost" not in kinds:
        return None
    unknown = setup.unknowns[kinds.index("frost")]
    at = len(setup.parts) + kinds.index("frost")
    hours = setup.frost.hours
    grown = np.diff(hours)
    return Frost(
        unknown.spread * float(x[at]), unknown.spread * float(np.sqrt(scaled[at, at])),
        float(hours.max()), float(grown[grown > 0.0].sum()), setup.frost.melts,
    )  # fmt: skip


def frost_words(frost: Frost) -> str:
    """Return what was seen of frost and what was done about it."""
    text = (
        f"frost: the cold sink read below 0 °C for {frost.all_hours:.1f} h in air that can frost "
        f"it, and melted {'once' if frost.melts == 1 else f'{frost.melts} times'}"
    )
    if frost.is_seen:
        text += (
            f"; its K/W grew by {100.0 * frost.per_h:.1f} % an hour (standard error "
            f"{100.0 * frost.error:.1f} %) besides what the config's room brings, to "
            f"{frost.most_times:.2f} times at most. The twin has the clean sink"
        )
    else:
        text += "; no growth of its K/W is told from none, besides what the config's room brings"
    if frost.melts:
        text += ". Melting is left out, with start values anew after it"
    return text


def candidates_to_widen(setup: Setup, x: Array, taken: Iterable[str]) -> list[str]:
    """Return the parts whose wrong statement may be what pushes parts to their bounds."""
    spread = np.sqrt(np.diag(setup.prior_root @ setup.prior_root.T))
    far = dict(zip([part.name for part in setup.parts], np.abs(setup.inner(x)) / spread,
                   strict=True))  # fmt: skip
    ends = sorted(names_at_bound(setup, x), key=lambda name: -far[name])
    both = dict.fromkeys([*(name for name in UNSTATED if name in far), *ends])
    return [name for name in both if name not in set(taken)][:MOST_TRIED]


def names_at_bound(setup: Setup, x: Array) -> tuple[str, ...]:
    """Return the names of the parts at a bound but for sensors' lags.

    A lag also takes up what the model's few nodes cannot follow, and changes no steady state.
    """
    both = zip(setup.parts, at_bound(setup, x), strict=True)
    return tuple(part.name for part, ends in both if ends and not part.name.endswith("_lag"))


def supply_at_bound(setup: Setup, x: Array) -> bool:
    """Tell whether the supply's voltage, where it is fitted, is far beyond its limits."""
    own = zip(setup.unknowns, x[len(setup.parts) :], strict=True)
    return any(unknown.what == "supply" and abs(z) > TOO_FAR for unknown, z in own)


def widened(setup: Setup, x: Array, names: Iterable[str]) -> tuple[Setup, Array]:
    """Return (setup with these parts' priors `WIDER`, the same point in its unknowns)."""
    wanted = set(names)
    scale = np.array([WIDER if part.name in wanted else 1.0 for part in setup.parts])
    new = replace(setup, prior_root=scale[:, None] * setup.prior_root)
    there = x.copy()
    there[: len(setup.parts)] = np.linalg.solve(new.prior_root, setup.inner(x))
    return new, there


def _words(names: Iterable[str]) -> str:
    return ", ".join(BY_NAME[name].words for name in names)


def remedy(names: Iterable[str]) -> str:
    """Return what to check, and where to state a wider tolerance."""
    both = [SOURCES[name] for name in names]
    tables = dict.fromkeys(table for table, _ in both)
    spreads = dict.fromkeys(spread for _, spread in both if spread)
    wider = f", or state a wider tolerance ({', '.join(spreads)})" if spreads else ""
    return f"check the config ([{'], ['.join(tables)}]) and the log's columns and units{wider}"


def reasons(
    setup: Setup,
    x: Array,
    whiteness: Mapping[str, Whiteness],
    tail_rms: Mapping[str, float],
    before_rms: Mapping[str, float],
    widened_names: tuple[str, ...] = (),
    frost: Frost | None = None,
) -> tuple[str, ...]:
    """Return why a twin is not to be trusted; () where nothing speaks against it."""
    found = []
    names = names_at_bound(setup, x)
    # A lump goes beyond by what the model's one node lacks; that is in its error.
    beyond = [name for name in _still_beyond(setup, widened_names, x) if name not in LUMPED]
    # The sinks are each told by a temperature of its own, and a config has but guesses of them.
    module = [name for name in beyond if name in MODULE]
    if module:
        found.append(
            f"config and log disagree: {_values_told(setup, module, x)}, beyond its tolerance: "
            "another module than the config's, whose other numbers are then wrong too; state its "
            "couples and amps, or measure it (coldloop check --bench-recipe)"
        )
    if len(beyond) > 1 and not set(beyond) <= set(UNSTATED):
        found.append(
            f"config and log disagree in more than one part: {_words(beyond)}, each beyond its "
            f"tolerance, so that none of them is told by itself; {remedy(beyond)}"
        )
    if frost is not None and frost.is_seen and frost.most_times > FROST_CLOSED:
        found.append(f"{frost_words(frost)}: too much to be taken out; melt it, and log the clean "
                     "sink")  # fmt: skip
    if names:
        found.append(
            f"config and log disagree: {_words(names)} at the end of what the search may reach; "
            + remedy(names)
        )
    if supply_at_bound(setup, x):
        found.append(f"config and log disagree: {SUPPLY} is far beyond its limits; check the "
                     "table supply, or log supply_v")  # fmt: skip
    for channel in setup.channels:
        name, white = channel.name, whiteness.get(channel.name)
        if channel.unit != "K":
            continue
        tail, before = tail_rms.get(name, 0.0), before_rms.get(name, 0.0)
        if white is not None and white.rms > MOST_OFF_K:
            found.append(f"{name}: {white.rms:.1f} K off (rms) even where fitted; look at the "
                         "column, its unit, and the sensor's place")  # fmt: skip
        elif name in ("air_c", "contents_c") and tail > max(TAIL_POOR_K, min(before, TAIL_WRONG_K)):
            found.append(f"{name}: what was held back is {tail:.2f} K off (rms), the config's "
                         f"own prediction {before:.2f} K; log for longer, and look for what "
                         "changed in between")  # fmt: skip
    return tuple(found)


def _values_told(setup: Setup, names: Iterable[str], x: Array) -> str:
    values = setup.values(x)
    return ", ".join(
        f"{BY_NAME[name].words} {values[name]:.3g}"
        + (" times" if BY_NAME[name].is_factor else " K off")
        for name in names
    )


def remarks(
    setup: Setup,
    widened_names: tuple[str, ...],
    x: Array,
    tail_rms: Mapping[str, float],
    before_rms: Mapping[str, float],
    frost: Frost | None = None,
) -> tuple[str, ...]:
    """Return what a reader should know of a twin that may stand all the same."""
    found = [] if frost is None else [frost_words(frost)]
    lumps = tuple(name for name in widened_names if name in LUMPED)
    parts = tuple(name for name in widened_names if name not in LUMPED)
    if lumps:
        found.append(
            f"fitted with {WIDER:.0f} times the spread, as the model's one node needs it: "
            + _values_told(setup, lumps, x)
        )
    if parts:
        text = (
            "config and log disagree: the tolerances do not reach to the log. Of the parts tried "
            f"that which mends it most was fitted with {WIDER:.0f} times the spread: "
            + _values_told(setup, parts, x)
        )
        beyond = _still_beyond(setup, parts, x)
        if beyond:
            text += f". Beyond its tolerance: {_words(beyond)}; {remedy(beyond)}"
        found.append(text)
    for channel in setup.channels:
        tail, before = tail_rms.get(channel.name, 0.0), before_rms.get(channel.name, 0.0)
        worse = tail > WORSE * before + WORSE_K
        is_held = channel.name in ("air_c", "contents_c")
        # A sink's own reading follows each switching, and when that was the rows may not tell.
        if channel.unit == "K" and (worse or tail > TAIL_OFF_K if is_held else
                                    worse and tail > TAIL_OFF_K):  # fmt: skip
            found.append(f"{channel.name}: what was held back is {tail:.2f} K off (rms), the "
                         f"config's own prediction {before:.2f} K: "
                         + ("the config by itself is better there; " if worse else "")
                         + "log for longer, and mark what is opened or put in")  # fmt: skip
    return tuple(found)


def _still_beyond(setup: Setup, widened_names: tuple[str, ...], x: Array) -> list[str]:
    """Return those whose prior was widened that the narrow one would still not reach."""
    spread = np.sqrt(np.diag(setup.prior_root @ setup.prior_root.T))
    off = WIDER * np.abs(setup.inner(x)) / spread
    both = zip(setup.parts, off, strict=True)
    return [part.name for part, z in both if part.name in widened_names and z > TOO_FAR]


def pull_words(pulled: Mapping[str, float]) -> tuple[str, ...]:
    """Return what to say of parts that the log pulls at, against their prior."""
    return tuple(
        f"config and log disagree: by the log {BY_NAME[name].words} is "
        + (f"{value:.2f} times the config's" if BY_NAME[name].is_factor else f"{value:+.2f} K off")
        + " or further, more than its tolerance and chance allow, but not well enough told to be "
        f"let go so far; what it comes to may be further off than its interval: {remedy([name])}"
        for name, value in pulled.items()
    )


def once_more(widened_names: tuple[str, ...]) -> tuple[str, ...]:
    """Return that wider priors were tried, for a twin that is not to be trusted all the same."""
    if not widened_names:
        return ()
    return (f"was fitted once more with {WIDER:.0f} times the spread of: {_words(widened_names)}",)


__all__ = [
    "Frost",
    "at_bound",
    "candidates_to_widen",
    "frost_told",
    "names_at_bound",
    "reasons",
    "remarks",
    "widened",
]
