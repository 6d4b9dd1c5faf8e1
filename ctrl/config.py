"""The configuration of one cabinet: read, checked once, frozen.

Every route to a `Config` - a file, a shipped name, text, or options laid over
a file - goes through the same checks and the same wording of faults.
"""

import tomllib
from collections.abc import Callable, Mapping
from math import ceil, floor
from pathlib import Path
from typing import Any

from pydantic import Field, PrivateAttr, ValidationError

from ctrl.config_cabinet import Cabinet, Module
from ctrl.config_drive import Drive, FittedSensor, Sensor, Supply
from ctrl.config_errors import ConfigError, Problem
from ctrl.config_faults import line_of, problems_of
from ctrl.config_fields import Fault, FieldRow, Section, rows
from ctrl.config_settings import (
    Bottles,
    Climate,
    Contents,
    Controller,
    Defrost,
    Goods,
    Limits,
    Protection,
    Tariff,
    Tolerances,
    Use,
)
from ctrl.config_sinks import ColdSink, HotSink
from ctrl.config_twin import Twin
from ctrl.shipped import find_config, nearest_shipped
from plant import fins

LARGEST_FILE_BYTES = 1_000_000
LEAST_HOLD_A = 0.01  # least that drive.hold_current_a takes [A]
WINDOW_TICKS_MAX = 32767  # of the firmware's window, a 16-bit word


class Config(Section):
    """One cabinet, as its file describes it."""

    cabinet: Cabinet
    module: Module
    hot_sink: HotSink
    cold_sink: ColdSink
    supply: Supply
    drive: Drive
    sensor: Sensor
    hot_sink_sensor: FittedSensor | None = None
    cold_sink_sensor: FittedSensor | None = None
    climate: Climate
    contents: Contents
    use: Use
    controller: Controller = Field(default_factory=Controller)
    protection: Protection = Field(default_factory=Protection)
    defrost: Defrost = Field(default_factory=Defrost)
    limits: Limits = Field(default_factory=Limits)
    tariff: Tariff = Field(default_factory=Tariff)
    tolerances: Tolerances = Field(default_factory=Tolerances)
    ambient_sensor: FittedSensor | None = None
    twin: Twin | None = None

    _source: str = PrivateAttr(default="")

    @property
    def source(self) -> str:
        """The file this came from, as the user named it; empty when built in code."""
        return self._source

    def faults(self) -> list[Fault]:
        """Check what concerns more than one table."""
        found = cross_faults({name: getattr(self, name) for name in type(self).model_fields})
        # Not a check between tables: it is about one that is missing.
        if self.ambient_sensor is None and self.controller.feed_forward_pct_per_k > 0.0:
            found.append(("controller.feed_forward_pct_per_k", "0 without [ambient_sensor]"))
        return found + _defrost_hardware(self)


def _bottles_fit(cabinet: Cabinet, contents: Bottles | Goods) -> list[Fault]:
    if isinstance(contents, Goods):
        return []
    room_l = cabinet.inside_volume_l
    taken_l = contents.count * contents.container_data().outer_volume_l
    if taken_l <= room_l:
        return []
    return [("contents.count", f"bottles that fit: {taken_l:.3g} l do not go into {room_l:.3g} l")]


def _current_given(supply: Supply, drive: Drive) -> list[Fault]:
    if drive.set_current_a is None or drive.set_current_a <= supply.current_limit_a:
        return []
    return [
        ("drive.set_current_a", f"at most supply.current_limit_a ({supply.current_limit_a:g} A)")
    ]


def _hold_within_limit(supply: Supply, drive: Drive) -> list[Fault]:
    if drive.hold_current_a is None or drive.hold_current_a <= supply.current_limit_a:
        return []
    return [
        ("drive.hold_current_a", f"at most supply.current_limit_a ({supply.current_limit_a:g} A)")
    ]


def _window_in_ticks(drive: Drive, controller: Controller) -> list[Fault]:
    if drive.kind != "slow_window":
        return []
    tick_s = controller.tick_s
    longest_s = WINDOW_TICKS_MAX * tick_s
    if drive.window_s > longest_s:
        return [("drive.window_s", f"at most {longest_s:g} s at a {tick_s:g} s tick")]
    ticks = drive.window_s / tick_s
    if abs(ticks - round(ticks)) <= 1e-6 * ticks:
        return []
    down_s, up_s = tick_s * max(floor(ticks), 2), tick_s * max(ceil(ticks), 2)
    near = f"such as {down_s:g} or {up_s:g} s" if down_s < up_s else f"such as {up_s:g} s"
    return [("drive.window_s", f"a whole number of ticks of {tick_s:g} s, {near}")]


def _still_sink_is_worse(hot_sink: HotSink, climate: Climate) -> list[Fault]:
    pressure_pa = fins.pressure_at_altitude_pa(climate.altitude_m)
    return [(f"hot_sink.{key}", text) for key, text in hot_sink.fan_faults(pressure_pa)]


def _relay_is_on_or_off(drive: Drive, controller: Controller) -> list[Fault]:
    if drive.kind != "relay":
        return []
    if controller.kind in ("pi", "two_level", "cascade", "best_cop"):
        return [("controller.kind", '"on_off" for drive.kind = "relay": it knows no part load')]
    if controller.kind == "fixed" and controller.fixed_duty not in (0.0, 1.0):
        return [("controller.fixed_duty", '0 or 1 for drive.kind = "relay"')]
    return []


def _defrost_hardware(config: "Config") -> list[Fault]:
    """Check that the kind of defrost has the sensor and the bridge it needs."""
    kind = config.defrost.kind
    found: list[Fault] = []
    if kind in ("demand", "reversed") and config.cold_sink_sensor is None:
        found.append(("defrost.kind", f'a table [cold_sink_sensor] for "{kind}"'))
    if kind == "reversed" and not config.drive.reversible:
        found.append(("defrost.kind", 'drive.reversible = true for "reversed"'))
    return found


# The tables each check needs, and the check. A check runs when its tables are sound.
CROSS_CHECKS: tuple[tuple[tuple[str, ...], Callable[..., list[Fault]]], ...] = (
    (("cabinet", "contents"), _bottles_fit),
    (("supply", "drive"), _current_given),
    (("supply", "drive"), _hold_within_limit),
    (("drive", "controller"), _window_in_ticks),
    (("hot_sink", "climate"), _still_sink_is_worse),
    (("drive", "controller"), _relay_is_on_or_off),
)


def cross_faults(sections: Mapping[str, Any]) -> list[Fault]:
    """Return the faults between tables, as far as the tables given are sound."""
    found: list[Fault] = []
    for names, check in CROSS_CHECKS:
        if all(sections.get(name) is not None for name in names):
            found += check(*(sections[name] for name in names))
    return found


SECTION_MODELS: dict[str, tuple[type[Section], ...]] = {
    "cabinet": (Cabinet,),
    "module": (Module,),
    "hot_sink": (HotSink,),
    "cold_sink": (ColdSink,),
    "supply": (Supply,),
    "drive": (Drive,),
    "sensor": (Sensor,),
    "hot_sink_sensor": (FittedSensor,),
    "cold_sink_sensor": (FittedSensor,),
    "climate": (Climate,),
    "contents": (Bottles, Goods),
    "use": (Use,),
    "controller": (Controller,),
    "protection": (Protection,),
    "defrost": (Defrost,),
    "limits": (Limits,),
    "tariff": (Tariff,),
    "tolerances": (Tolerances,),
    "ambient_sensor": (FittedSensor,),
    "twin": (Twin,),
}
"""Every table of the file; `contents` has one model for each kind."""


def config_fields() -> tuple[FieldRow, ...]:
    """Return every key of the file with unit, range, default, origin and meaning.

    The keys of both kinds of contents are listed, each once.
    """
    found: dict[str, FieldRow] = {}
    for section, models in SECTION_MODELS.items():
        for model in models:
            for row in rows(section, model):
                found.setdefault(row.key, row)
    return tuple(found.values())


def _sound_sections(data: Mapping[str, Any]) -> dict[str, Section]:
    sound: dict[str, Section] = {}
    for name, models in SECTION_MODELS.items():
        for model in models:
            try:
                sound[name] = model.model_validate(data.get(name))
            except ValidationError:
                continue
    return sound


def build_config(data: Mapping[str, Any], file: str, text: str = "") -> Config:
    """Check a tree of plain values and return the `Config`.

    Parameters
    ----------
    data : mapping
        Tables and keys as TOML gives them.
    file : str
        Name for the error lines.
    text : str
        The file's text, if there is one, so that faults can name their line.

    Raises
    ------
    ConfigError
        With every problem found, not only the first.
    """
    try:
        config = Config.model_validate(dict(data))
    except ValidationError as error:
        problems = problems_of(error, data, file, text, SECTION_MODELS)
        # Checks between tables do not run inside pydantic while any table is at fault.
        told = {problem.key for problem in problems}
        for key, expected in cross_faults(_sound_sections(data)):
            if key not in told:
                problems.append(_cross_problem(key, expected, data, file, text))
        raise ConfigError(problems) from None
    config._source = file
    return config


def _cross_problem(
    key: str, expected: str, data: Mapping[str, Any], file: str, text: str
) -> Problem:
    section, name = key.split(".")
    value = repr(data[section].get(name)) if name in data[section] else None
    return Problem(file, "does not fit", key, value, expected, line=line_of(text, key))


def _text_of(path: Path, named: str | Path) -> str:
    file = str(named)
    try:
        if path.is_dir():
            raise ConfigError([Problem(file, "is a folder", expected="a TOML file")])
        if not path.exists():
            expected = "a TOML file or a shipped name"
            nearest = nearest_shipped(named)
            raise ConfigError([Problem(file, "no such file", "", None, expected, nearest)])
        if not path.is_file():
            raise ConfigError([Problem(file, "is not a plain file", expected="a TOML file")])
        if path.stat().st_size > LARGEST_FILE_BYTES:
            raise ConfigError([Problem(file, "is too large", expected="a TOML file below 1 MB")])
        # utf-8-sig: some editors put a byte order mark in front, which TOML refuses.
        return path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        what = f"is not UTF-8 text (byte {error.start})"
        raise ConfigError([Problem(file, what, expected="a TOML file")]) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise ConfigError([Problem(file, f"cannot be read ({reason})")]) from None


def parse_config(text: str, file: str) -> Config:
    """Read a configuration from TOML text; `file` names it in error lines.

    Raises
    ------
    ConfigError
        One problem with line and column for bad TOML, else every fault found.
    """
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ConfigError([_syntax_problem(str(error), file, text)]) from None
    except (RecursionError, ValueError):
        # Nested past the parser, or a number of more digits than Python converts.
        raise ConfigError([Problem(file, "not TOML a config could use")]) from None
    return build_config(data, file, text)


def _syntax_problem(message: str, file: str, text: str) -> Problem:
    what, _, place = message.rpartition(" (at ")
    numbers = [int(word) for word in place.replace(",", " ").rstrip(")").split() if word.isdigit()]
    if len(numbers) == 2:
        return Problem(file, f"not TOML: {what}", line=numbers[0], column=numbers[1])
    return Problem(file, f"not TOML: {what or message}", line=text.count("\n") + 1)


def load_config(path_or_name: str | Path) -> Config:
    """Read and check one configuration.

    Parameters
    ----------
    path_or_name : str or Path
        A TOML file, or the name of a shipped configuration. A file that exists wins.

    Returns
    -------
    Config
        Frozen; `Config.source` is the file as named here.

    Raises
    ------
    ConfigError
        For a file that cannot be read, is not TOML, or holds any fault.
    """
    path = find_config(path_or_name)
    return parse_config(_text_of(path, path_or_name), str(path_or_name))


# argument of `override` -> (option on the command line, table, key)
OVERRIDES: dict[str, tuple[str, str, str]] = {
    "ambient_c": ("--ambient", "climate", "usual_c"),
    "worst_c": ("--worst", "climate", "worst_c"),
    "coldest_c": ("--coldest", "climate", "coldest_c"),
    "humidity_pct": ("--humidity", "climate", "relative_humidity_pct"),
    "target_c": ("--target", "use", "target_c"),
    "setpoint_c": ("--setpoint", "controller", "setpoint_c"),
    "controller": ("--controller", "controller", "kind"),
    "fixed_duty": ("--duty", "controller", "fixed_duty"),
    "drive": ("--drive", "drive", "kind"),
    "defrost": ("--defrost", "defrost", "kind"),
}


def plain_data(config: Config) -> dict[str, Any]:
    """Return the tree of plain values that was stated, ready for `build_config`."""
    return config.model_dump(exclude_unset=True)


def override(config: Config, **values: Any) -> Config:
    """Return the configuration with options laid over it, checked like a file.

    Parameters
    ----------
    config : Config
        Where to start from; not changed.
    **values
        Names of `OVERRIDES`; None means not given. ``ambient_c`` also widens
        the worst and the coldest day where they would lie inside it, and
        ``humidity_pct`` the dampest day.

    Raises
    ------
    ConfigError
        Problems caused by an option name that option instead of a file.
    """
    data = plain_data(config)
    given = {name: value for name, value in values.items() if value is not None}
    if {"ambient_c", "target_c"} & set(given) and _works_hold_current_out(config):
        # What is built stays as it is when the room or the wish changes.
        from ctrl.build import plant_of

        held_a = plant_of(config).drive.hold_current_a
        data["drive"]["hold_current_a"] = max(held_a, LEAST_HOLD_A)
    for name, value in given.items():
        _, section, key = OVERRIDES[name]
        table = data.setdefault(section, {})
        table[key] = value
        if key == "kind":
            _drop_foreign_keys(table, SECTION_MODELS[section][0], value)
    options = _widen_climate(data["climate"], given)
    options |= {f"{s}.{k}": o for o, s, k in (OVERRIDES[name] for name in given)}
    try:
        changed = build_config(data, config.source)
    except ConfigError as error:
        named = [name_option(problem, options) for problem in error.problems]
        raise ConfigError(list(dict.fromkeys(named))) from None
    return changed


def _works_hold_current_out(config: Config) -> bool:
    return config.drive.off_mode == "hold" and config.drive.hold_current_a is None


def _drop_foreign_keys(table: dict[str, Any], model: type[Section], kind: str) -> None:
    mine = model.only_for.get(kind, ())
    for key in [k for keys in model.only_for.values() for k in keys if k not in mine]:
        table.pop(key, None)


# option -> the climate keys that must not lie inside it, and which way they give
WIDENING: tuple[tuple[str, str, Callable[[float, float], float]], ...] = (
    ("ambient_c", "worst_c", max),
    ("ambient_c", "coldest_c", min),
    ("humidity_pct", "worst_humidity_pct", max),
)


def _widen_climate(climate: dict[str, Any], given: Mapping[str, Any]) -> dict[str, str]:
    """Widen the extremes in place; return the keys changed with the option that did it."""
    changed: dict[str, str] = {}
    for name, key, pick in WIDENING:
        if key in given or not isinstance(given.get(name), int | float):
            continue
        before = climate.get(key, Climate.model_fields[key].default)
        climate[key] = pick(before, given[name])
        if climate[key] != before:
            changed[f"climate.{key}"] = OVERRIDES[name][0]
    return changed


def name_option(problem: Problem, options: Mapping[str, str]) -> Problem:
    """Return the problem with the option's name in place of its key, if an option set it."""
    option = options.get(problem.key)
    if option is None:
        return problem
    return Problem(
        "command line", problem.what, option, problem.value, problem.expected, problem.nearest
    )


__all__ = [
    "CROSS_CHECKS",
    "OVERRIDES",
    "SECTION_MODELS",
    "Config",
    "ConfigError",
    "Problem",
    "build_config",
    "config_fields",
    "cross_faults",
    "load_config",
    "name_option",
    "override",
    "parse_config",
    "plain_data",
]
