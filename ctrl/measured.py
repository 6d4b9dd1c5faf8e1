"""Bench readings against the configuration: what was measured, what was expected, verdict.

`coldloop check CONFIG --bench FILE`.  Differences are told in standard errors of both sides
together, so that a poor meter does not accuse a good part.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import hypot, inf, log
from typing import TypeVar

from scipy.optimize import brentq

from ctrl.build import (
    data_sheet_of,
    extraction_of,
    heat_leak_parts_w_per_k,
    one_module_of,
    plant_of,
    pressure_of,
    sheet_build_of,
)
from ctrl.config import Config, build_config, plain_data
from ctrl.config_errors import ConfigError, Problem
from ctrl.config_lines import ConfigLine
from ctrl.measured_file import Readings
from ctrl.measured_heat import HeatResult, combined, leak_by_warm_up, leak_of, sink_of
from ctrl.measured_module import (
    EVEN,
    Estimate,
    ModuleResult,
    NotUsable,
    by_hand,
    by_log,
    conductance_like,
)
from plant import data_sheet, presets
from plant.cabinet import Plant
from plant.constants import ZERO_C_K
from plant.module import DataSheet

T = TypeVar("T")

# Parts of one class differ: common practice, no source.
CLASS_RESISTANCE_PCT, CLASS_SEEBECK_PCT = 5.0, 5.0
AGREES, DIFFERS = 2.0, 3.0  # standard errors
SURER = 9.0  # a class must fit better than the label by this much of squared errors
NAMED_CLASSES = 3


@dataclass(frozen=True)
class Comparison:
    """One parameter as measured, beside the configuration's.

    Attributes
    ----------
    name, unit : str
    measured : Estimate
    expected, expected_error : float
        The configuration's, and its standard error by the tolerances stated there.
    off : float
        Measured less expected, in standard errors of both.
    how : str
    steady : bool or None
        Whether the test was; None where it need not be.
    notes : tuple of str
    """

    name: str
    unit: str
    measured: Estimate
    expected: float
    expected_error: float
    off: float
    how: str
    steady: bool | None
    notes: tuple[str, ...]


@dataclass(frozen=True)
class ModuleClass:
    """A class of modules beside the one measured.

    `misfit` is the root of the squared errors of resistance and Seebeck coefficient, in
    standard errors; the ratios are measured over the class's.
    """

    name: str
    resistance_ratio: float
    seebeck_ratio: float
    misfit: float


@dataclass(frozen=True)
class Label:
    """Whether the module is what its label says.

    `verdict` is ``as_labelled``, ``mislabelled`` or ``doubtful``; `words` says it in full.
    `couples` are those of each module, None where nothing speaks against the label's.
    """

    verdict: str
    words: str
    labelled: ModuleClass
    classes: tuple[ModuleClass, ...]
    couples: int | None = None


@dataclass(frozen=True)
class BenchCheck:
    """Everything a bench file tells about a cabinet."""

    config: Config
    file: str
    comparisons: tuple[Comparison, ...]
    module: ModuleResult | None
    label: Label | None
    lines: tuple[ConfigLine, ...]
    dropped: tuple[tuple[str, str], ...]
    notes: tuple[str, ...]


class _Attempts:
    """Does one test after the other, and keeps what cannot be used, so that all is told."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.problems: list[Problem] = []

    def __call__(self, table: str, work: Callable[[], T]) -> T | None:
        try:
            return work()
        except NotUsable as error:
            what = "the readings cannot be used"
            self.problems.append(Problem(self.file, what, f"[{table}]", None, str(error)))
            return None


def bench_check(config: Config, readings: Readings) -> BenchCheck:
    """Return what the readings tell.

    Raises
    ------
    ConfigError
        Where a test's readings cannot be used; one line for each.  Where the config is a twin.
    """
    if config.twin is not None:
        expected = (
            "the config without it: its factors would come on top of what was measured; "
            "calibrate the measured config anew"
        )
        raise ConfigError(
            [Problem(config.source, "does not fit beside --bench", "[twin]", expected=expected)]
        )
    plant, tables, meters = plant_of(config), readings.tables, readings.tables.meters
    attempt = _Attempts(readings.file)
    module = _module_of(config, plant, readings, attempt)
    sinks: list[tuple[str, bool, HeatResult]] = []
    for name, test in (("hot_sink", tables.hot_sink), ("cold_sink", tables.cold_sink)):
        if test is not None:
            capacity = getattr(plant, name).heat_capacity_j_per_k
            found = attempt(name, lambda t=test, c=capacity: sink_of(t, c, meters))  # type: ignore[misc]
            if found is not None:
                sinks.append((name, test.fan, found))
    leaks = []
    if tables.heat_leak is not None:
        steady = tables.heat_leak
        leaks.append(attempt("heat_leak", lambda: leak_of(steady, config, plant, meters)))
    if tables.warm_up is not None:
        warm = tables.warm_up
        leaks.append(attempt("warm_up", lambda: leak_by_warm_up(warm, config, plant, meters)))
    if attempt.problems:
        raise ConfigError(attempt.problems)
    return _assembled(config, readings.file, plant, module, sinks, [x for x in leaks if x])


def _module_of(
    config: Config, plant: Plant, readings: Readings, attempt: _Attempts
) -> ModuleResult | None:  # fmt: skip
    tables, meters, log_ = readings.tables, readings.tables.meters, readings.log
    if tables.switch_off is not None and log_ is not None:
        logged = tables.switch_off
        return attempt("switch_off", lambda: by_log(plant, logged, log_, meters))
    if tables.hand_meter is not None:
        read = tables.hand_meter
        return attempt("hand_meter", lambda: by_hand(plant, read, meters))
    return None


def _assembled(
    config: Config, file: str, plant: Plant, module: ModuleResult | None,
    sinks: list[tuple[str, bool, HeatResult]], leaks: list[HeatResult],
) -> BenchCheck:  # fmt: skip
    rows: list[Comparison] = []
    lines: list[ConfigLine] = []
    dropped: list[tuple[str, str]] = []
    notes: list[str] = []
    label = None
    if module is not None:
        rows += _module_rows(config, plant, module)
        bank = config.module.in_series * config.module.in_parallel
        if bank > 1:
            notes.append(f"module: taken as measured on all {bank} together, wired as in use; one "
                         "by itself wants in_series = 1 and in_parallel = 1")  # fmt: skip
        if config.module.stages == 1:
            label = label_of(config, module)
            lines += module_lines(config, module, label.couples)
            dropped.append(("module", "preset"))
        else:
            notes.append("two stages: no class to compare with, and no lines to paste")
    for name, fan, result in sinks:
        row, line = _sink_row(config, name, fan, result)
        rows.append(row)
        lines.append(line)
    if {name for name, _, _ in sinks} == {"hot_sink", "cold_sink"}:
        lines.append(_sinks_tolerance([result for _, _, result in sinks]))
    elif sinks:
        notes.append("one sink measured: tolerances.sinks_pct, which is that of both, stays")
    names = ("heat leak, steady", "heat leak, warm-up") if len(leaks) == 2 else ("heat leak",) * 2
    rows += [_leak_row(config, name, leak) for name, leak in zip(names, leaks, strict=False)]
    if len(leaks) == 2:
        apart = abs(leaks[0].value.value - leaks[1].value.value)
        both = hypot(leaks[0].value.standard_error, leaks[1].value.standard_error)
        if apart > AGREES * both:
            notes.append(
                f"the two heat leaks are {apart / both:.1f} standard errors apart: trust the "
                "steady one, and look for a draught in the other"
            )
    if leaks:
        value = combined(leaks).value.value
        try:
            lines.append(_leak_line(config, value))
        except NotUsable as error:
            notes.append(str(error))
    return BenchCheck(config, file, tuple(rows), module, label, tuple(lines), tuple(dropped),
                      tuple(notes))  # fmt: skip


def _off(measured: Estimate, expected: float, expected_error: float) -> float:
    both = hypot(measured.standard_error, expected_error)
    return (measured.value - expected) / both if both > 0.0 else inf


def _compared(
    name: str, unit: str, measured: Estimate, expected: float, expected_pct: float, how: str,
    steady: bool | None = None, notes: tuple[str, ...] = (),
) -> Comparison:  # fmt: skip
    error = EVEN * 0.01 * expected_pct * expected
    return Comparison(name, unit, measured, expected, error, _off(measured, expected, error), how,
                      steady, notes)  # fmt: skip


# The module -------------------------------------------------------------------------------


def _module_rows(config: Config, plant: Plant, found: ModuleResult) -> list[Comparison]:
    open_pct = extraction_of(config).tolerance_pct
    at = f"brought from {found.mean_c:.0f} to 25 °C" if plant.module.temperature_dependence else ""
    how = "; ".join(text for text in (found.how, at) if text)
    where = f"open circuit's voltage over {found.difference_k:.1f} K between the faces"
    rows = [
        _compared("module resistance", "ohm", found.resistance, plant.module.resistance_ohm,
                  open_pct["resistance"], how),
        _compared("module Seebeck", "V/K", found.seebeck,
                  plant.module.seebeck_v_per_k, open_pct["seebeck"], where, notes=found.notes),
    ]  # fmt: skip
    if found.joints is not None:
        mod = plant.module
        both = 1.0 / mod.cold_contact_w_per_k + 1.0 / mod.hot_contact_w_per_k
        settling = "what the faces' settling took of the voltage; hot and cold taken alike"
        rows.append(_compared("module's two joints", "K/W", found.joints, both,
                              config.tolerances.contacts_pct, settling))  # fmt: skip
    return rows


def one_of_bank(config: Config, found: ModuleResult) -> tuple[Estimate, Estimate]:
    """Return (resistance [ohm], Seebeck coefficient [V/K]) of one of the bank's modules."""
    part = config.module
    return (
        found.resistance.scaled(part.in_parallel / part.in_series),
        found.seebeck.scaled(1.0 / part.in_series),
    )


def class_of(
    name: str, sheet: DataSheet, resistance: Estimate, seebeck: Estimate, varies: int
) -> ModuleClass:
    """Return how far a measured module is from a class."""
    build = data_sheet.Build(varies=varies)
    a, r, _ = data_sheet.extract(sheet, data_sheet.DEFAULT_TOLERANCES, build).values
    of_r, of_a = resistance.value / r, seebeck.value / a
    error_r = hypot(resistance.standard_error / resistance.value, 0.01 * CLASS_RESISTANCE_PCT)
    error_a = hypot(seebeck.standard_error / seebeck.value, 0.01 * CLASS_SEEBECK_PCT)
    # Parts bought singly often fall short of their sheet's Seebeck coefficient by 10 %.
    best_a = min(max(log(of_a), log(0.9)), 0.0)
    return ModuleClass(name, of_r, of_a, hypot(log(of_r) / error_r, (log(of_a) - best_a) / error_a))


# A module that gives less of the label's Seebeck coefficient than any of its couples would lacks
# couples: parts bought singly give 85 to 100 % of a sheet's (common practice, no source).
LEAST_COUPLES, SHEET_TO_MEASURED = 0.7, 0.95


def label_of(config: Config, found: ModuleResult) -> Label:
    """Return whether the module behaves as the class it was sold as."""
    resistance, seebeck = one_of_bank(config, found)
    varies = int(config.module.temperature_dependence)
    sheet = data_sheet_of(config)
    name = config.module.preset or f"{sheet.couples} couples {sheet.imax_a:g} A (your sheet)"
    own = class_of(name, sheet, resistance, seebeck, varies)
    classes = sorted(
        (
            class_of(other, _sheet(presets.module(other)), resistance, seebeck, varies)
            for other in presets.names("module")
        ),
        key=lambda item: item.misfit,
    )
    best, couples = classes[0], None
    ratio = f"its resistance is {own.resistance_ratio:.2f} times the label's"
    if own.misfit <= AGREES:
        verdict, words = "as_labelled", f"as labelled: it behaves as {name}"
    elif own.misfit > DIFFERS and own.misfit**2 - best.misfit**2 > SURER and best.misfit <= DIFFERS:
        verdict = "mislabelled"
        words = f"MISLABELLED: sold as {name}, it behaves as {best.name}; {ratio}"
    elif own.misfit > DIFFERS and own.seebeck_ratio < LEAST_COUPLES:
        # Each couple gives the same voltage per kelvin, whatever its legs' size.
        verdict = "mislabelled"
        couples = round(sheet.couples * own.seebeck_ratio / SHEET_TO_MEASURED)
        words = (
            f"MISLABELLED: sold as {name}, its Seebeck coefficient is {own.seebeck_ratio:.2f} "
            f"times the label's: about {couples} couples at {100.0 * SHEET_TO_MEASURED:.0f} % "
            f"of the sheet's voltage each, not {sheet.couples}, if the open voltage was read at "
            f"once and both thermometers sat on the sinks; {ratio}"
        )
    elif own.misfit <= DIFFERS:
        verdict, words = "doubtful", f"doubtful: {ratio}; measure again with a better meter"
    else:
        verdict = "doubtful"
        words = (
            f"DOUBTFUL: {ratio}, its Seebeck coefficient {own.seebeck_ratio:.2f} times, and no "
            "class fits: measure again"
            + ("; a cracked module has more resistance" if own.resistance_ratio > 1.0 else "")
        )
    return Label(verdict, words, own, tuple(classes[:NAMED_CLASSES]), couples)


def _sheet(item: presets.ModuleSheet) -> DataSheet:
    return DataSheet(
        item.couples, item.imax_a, item.vmax_v, item.dtmax_k, item.qmax_w,
        item.sheet_hot_side_c + ZERO_C_K, item.ac_resistance_ohm or 0.0,
    )  # fmt: skip


def module_lines(
    config: Config, found: ModuleResult, couples: int | None = None
) -> list[ConfigLine]:
    """Return the sheet that a module of the measured a and R would have.

    `couples` are what the measurement makes of the label's, None where it does not.

    The conductance cannot be told from a switch-off: the sheet's, by legs of the other size
    where the resistance is another.
    """
    resistance, seebeck = one_of_bank(config, found)
    sheet_a, sheet_r, sheet_k = one_module_of(config)
    as_stated = seebeck.value / (config.module.derating * sheet_a)
    conductance = sheet_k * conductance_like(as_stated, resistance.value / sheet_r)
    values = (seebeck.value, resistance.value, conductance)
    try:
        numbers = data_sheet.predicted_numbers(values, sheet_build_of(config), 298.15)
    except data_sheet.SheetContradiction:
        return []
    of_a = 100.0 * seebeck.standard_error / seebeck.value / EVEN
    of_r = 100.0 * resistance.standard_error / resistance.value / EVEN
    from_both = "from measured a and R, K by the size of the legs"
    keys = ("imax_a", "vmax_v", "dtmax_k", "qmax_w", "ac_resistance_ohm")
    lines = [
        ConfigLine("module", "couples", config.module.sheet().couples, "as labelled")
        if couples is None
        else ConfigLine("module", "couples", couples, "about: by the Seebeck coefficient")
    ]
    lines += [
        ConfigLine("module", key, float(f"{value:.5g}"), from_both)
        for key, value in zip(keys, numbers, strict=True)
    ]
    lines.append(ConfigLine("module", "sheet_hot_side_c", 25.0, from_both))
    lines.append(ConfigLine("module", "derating", 1.0, "a is measured"))
    if found.joints is not None:
        for side in ("cold", "hot"):
            value = getattr(config.module, f"{side}_contact_k_per_w") * found.joints_factor
            clipped = min(float(f"{value:.3g}"), 2.0)
            comment = "measured, both joints taken alike"
            lines.append(ConfigLine("module", f"{side}_contact_k_per_w", clipped, comment))
    for key, pct in (
        ("imax", hypot(of_a, of_r)), ("vmax", of_a), ("qmax", hypot(of_a, of_r)),
        ("ac_resistance", of_r),
    ):  # fmt: skip
        clipped = round(min(max(pct, 0.5), 50.0), 1)
        lines.append(ConfigLine("module", f"{key}_tolerance_pct", clipped, "of that measurement"))
    return lines


# Sinks and heat leak ----------------------------------------------------------------------


def _sink_row(
    config: Config, name: str, fan: bool, found: HeatResult
) -> tuple[Comparison, ConfigLine]:
    key = "fan_k_per_w" if fan else "no_fan_k_per_w"
    stated, expected = _stated_and_expected(config, name, fan)
    title = f"{name.replace('_', ' ')}, fan {'running' if fan else 'stopped'}"
    row = _compared(title, "K/W", found.value, expected, config.tolerances.sinks_pct, found.how,
                    found.steady, found.notes)  # fmt: skip
    value = found.value.value * stated / expected
    comment = f"measured, +/-{found.value.standard_error * stated / expected:.2g} K/W"
    return row, ConfigLine(name, key, float(f"{value:.4g}"), comment)


def _sinks_tolerance(results: Sequence[HeatResult]) -> ConfigLine:
    """Return the tolerance of both sinks' K/W, by the one that is known less well."""
    pct = max(100.0 * item.value.standard_error / item.value.value for item in results) / EVEN
    clipped = round(min(max(pct, 0.5), 80.0), 1)
    return ConfigLine("tolerances", "sinks_pct", clipped, "of those measurements")


def _stated_and_expected(config: Config, name: str, fan: bool) -> tuple[float, float]:
    """Return the key's own value and what a test should show there [K/W]: height and dust."""
    pressure_pa = pressure_of(config)
    if name == "cold_sink":
        cold, plant = config.cold_sink, plant_of(config).cold_sink
        if fan:
            return cold.fan_k_per_w, 1.0 / plant.fan_w_per_k
        return cold.no_fan_k_per_w, 1.0 / plant.no_fan_w_per_k
    hot = config.hot_sink
    if not fan:
        return hot.no_fan_k_per_w, hot.without_fan_k_per_w(pressure_pa)
    expected = hot.driven(pressure_pa)[0] * hot.dust_factor
    return hot.fan_k_per_w or hot.driven()[0], expected


def _leak_row(config: Config, name: str, found: HeatResult) -> Comparison:
    parts = heat_leak_parts_w_per_k(config)
    foam = sum(value for part, value in parts.items() if part.startswith("foam"))
    rest = sum(parts.values()) - foam
    tolerance = config.tolerances
    error = hypot(tolerance.foam_conductivity_pct * foam, tolerance.leaks_pct * rest)
    error_pct = error / (foam + rest)
    return _compared(name, "W/K", found.value, foam + rest, error_pct, found.how, found.steady,
                     found.notes)  # fmt: skip


FOAM_RANGE = (0.015, 0.08)  # of the key


def _leak_line(config: Config, wanted_w_per_k: float) -> ConfigLine:
    """Return the foam's conductivity that gives the measured heat leak."""

    def leak(conductivity: float) -> float:
        data = plain_data(config)
        data["cabinet"]["foam_conductivity_w_per_m_k"] = conductivity
        return sum(heat_leak_parts_w_per_k(build_config(data, config.source)).values())

    low, high = (leak(value) for value in FOAM_RANGE)
    if not low <= wanted_w_per_k <= high:
        raise NotUsable(
            f"no foam gives a heat leak of {wanted_w_per_k:.2f} W/K here ({low:.2f} to "
            f"{high:.2f}): look for a gap, a wrong size, or a fan left running; no line to paste"
        )
    value = brentq(lambda k: leak(k) - wanted_w_per_k, *FOAM_RANGE, xtol=1e-6)
    comment = f"so that the whole heat leak is the measured {wanted_w_per_k:.3g} W/K"
    return ConfigLine("cabinet", "foam_conductivity_w_per_m_k", float(f"{value:.4g}"), comment)
