"""What is flashed for a config: one place for the export, the drills and whoever else asks."""

from collections.abc import Callable
from dataclasses import dataclass

from ctrl.cases import CANNOT
from ctrl.config import Config
from ctrl.defrost import KIND_NAMES, DefrostSettings
from ctrl.firmware import Settings, defrost_of, settings_of
from ctrl.recommend import SEED, Recommendation, recommend

# What tunes each law; a law that the command line asked for finds none of it in the file.
TUNING_KEYS = {
    "on_off": ("hysteresis_k", "min_on_s", "min_off_s"),
    "pi": ("kp_pct_per_k", "ti_s"),
    "fixed": ("fixed_duty",),
    "two_level": ("hysteresis_k", "idle_duty"),
    "cascade": ("kp_pct_per_k", "ti_s", "sink_floor_c", "sink_gain", "sink_ti_s"),
    "best_cop": ("hysteresis_k", "kp_pct_per_k", "ti_s"),
}

WITHOUT_DRAWS = "worked out without draws of parts out of tolerance, as recommend --quick does"
MAY_DIFFER = (
    "With its 400 draws `coldloop recommend CONFIG` may choose other settings, and shows them; "
    "write those into the config to flash them."
)


@dataclass(frozen=True)
class Flashed:
    """The settings of a config's firmware, and where they come from.

    Attributes
    ----------
    settings : Settings
    recommended : bool
        Whether they were worked out, rather than written in the config.
    holds : bool
        Whether the cabinet holds its target with them, as far as that was asked.
    origin : str
        Where the settings come from, in words.
    defrost_origin : str
        Where the defrost comes from, in words; why the config's own was not taken.
    seed : int or None
        Of the sensor noise that they were worked out with; None where nothing was.
    """

    settings: Settings
    recommended: bool
    holds: bool
    origin: str
    defrost_origin: str
    seed: int | None = None


def flashed(
    config: Config, *, seed: int = SEED, progress: Callable[[str], None] = lambda stage: None
) -> Flashed:
    """Return what is flashed for a config; `kind = "recommend"` is worked out, without draws.

    Parameters
    ----------
    config : Config
    seed : int
        Of the sensor noise.
    progress : callable
        Told each stage in words as it begins.
    """
    if config.controller.kind == "recommend":
        return flashed_of(recommend(config, seed=seed, progress=progress, draws=0))
    settings = settings_of(config)
    defrost = "no defrost" if settings.defrost is None else "defrost as written in the config"
    return Flashed(settings, False, True, _origin_words(config), defrost)


def flashed_of(found: Recommendation) -> Flashed:
    """Return what a recommendation flashes."""
    settings = found.chosen.candidate.settings
    origin = WITHOUT_DRAWS if found.tolerance is None else "worked out, parts out of tolerance too"
    return Flashed(settings, True, found.verdict != CANNOT, f"{origin}, seed {found.seed}",
                   _defrost_words(found), found.seed)  # fmt: skip


def origin_lines(config: Config, found: Flashed) -> list[str]:
    """Return where each part of what is flashed comes from, a line each."""
    lines = [f"Setpoint and controller: {found.origin}."]
    if found.recommended:
        lines.append(MAY_DIFFER)
    lines.append(f"Defrost: {found.defrost_origin}.")
    for name, part in (("protection", config.protection), ("limits", config.limits)):
        given = [key for key in type(part).model_fields if key in part.model_fields_set]
        said = f"{', '.join(given)} as written in the config, the others" if given else "all keys"
        lines.append(f"[{name}]: {said} by coldloop's defaults.")
    return lines


def _origin_words(config: Config) -> str:
    part = config.controller
    names = TUNING_KEYS.get(part.kind, ())
    left_out = [name for name in names if name not in part.model_fields_set]
    if not left_out:
        return "as written in the config"
    if len(left_out) == len(names):
        return f"defaults, not tuned ({', '.join(left_out)})"
    return f"as written in the config, but defaults, not tuned: {', '.join(left_out)}"


def _defrost_words(found: Recommendation) -> str:
    """Return where the recommended defrost comes from, and why the config's was not taken."""
    config, plan = found.config, found.defrost
    settings = found.chosen.candidate.settings
    own = defrost_of(config, min(settings.period_s, 1.0))
    taken = settings.defrost
    if own is None:
        return "no defrost" if taken is None else f"defrost worked out: {_words(taken, settings)}"
    if taken == own:
        return "defrost as written in the config, which was worked out too"
    stated = f"[defrost] of the config ({config.defrost.kind}, {config.defrost.interval_h:g} h)"
    if taken is not None:
        return f"{stated} not taken: worked out instead: {_words(taken, settings)}"
    if plan is None:
        why = "the cold sink does not ice in any room at the dampest air: no defrost"
    else:
        why = "no defrost tried keeps the cold sink clear: none is flashed"
    return f"{stated} not taken: {why}"


def _words(plan: DefrostSettings, settings: Settings) -> str:
    hours = plan.interval_ticks * min(settings.period_s, 1.0) / 3600.0
    return f"{KIND_NAMES[plan.kind]}, {hours:g} h"
