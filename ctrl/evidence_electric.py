"""What the model says of module and drive for each outside check, as `evidence_values` does.

Where a published value holds for constant properties, the module's are held constant
(`varies` 0).
"""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
from scipy.optimize import fsolve

from ctrl.evidence_base import base_plant, public_functions, record
from plant import data_sheet, drive, leg_material, module, stage
from plant.constants import ZERO_C_K

# Area over length of a leg [m] of 127 couples of about 6 A, for the checks along the legs.
LEG_M, LEGS = 1.194e-3, 254


# Module -------------------------------------------------------------------------------


def sheet_number(
    couples: int, imax_a: float, vmax_v: float, dtmax_k: float, held_out: str, hot_c: float = 25.0,
    qmax_w: float = 0.0, ac_resistance_ohm: float = 0.0,
) -> float:  # fmt: skip
    """Return a number of a sheet that the fit to its other numbers predicts (0: not printed)."""
    sheet = module.DataSheet(
        couples, imax_a, vmax_v, dtmax_k, qmax_w, hot_c + ZERO_C_K, ac_resistance_ohm
    )
    return data_sheet.extract(sheet).predicted[held_out]


def _fitted(**sheet: Any) -> data_sheet.Values:
    return data_sheet.extract(module.DataSheet(**sheet)).values


def qmax_gain_pct(from_c: float, to_c: float, **sheet: Any) -> float:
    """Return what Qmax gains with a warmer hot side [%], of the module fitted to a sheet."""
    values = _fitted(**sheet)
    cool, warm = (
        data_sheet.predicted_numbers(values, data_sheet.DEFAULT_BUILD, c + ZERO_C_K)[3]
        for c in (from_c, to_c)
    )
    return float(100.0 * (warm / cool - 1.0))


def difference_gain_k(from_c: float, to_c: float, **sheet: Any) -> float:
    """Return what the largest difference gains with a warmer hot side [K]."""
    values = _fitted(**sheet)
    cool, warm = (
        c + ZERO_C_K
        - data_sheet.largest_difference(values, data_sheet.DEFAULT_BUILD, c + ZERO_C_K)[1]
        for c in (from_c, to_c)
    )  # fmt: skip
    return warm - cool


def largest_difference_k(a: float, r: float, k: float, hot_c: float) -> float:
    hot_k = hot_c + ZERO_C_K
    return hot_k - data_sheet.largest_difference((a, r, k), data_sheet.Build(varies=0), hot_k)[1]


def constant_gain_k(a: float, r: float, k: float, from_c: float, to_c: float) -> float:
    """Return what the largest difference gains with a warmer hot side [K], constant properties."""
    return largest_difference_k(a, r, k, to_c) - largest_difference_k(a, r, k, from_c)


def _steady(a: float, r: float, k: float, amps: float, cold_k: float, hot_k: float) -> Any:
    """Return (cooling, power) [W] of one stage of constant properties."""
    return stage.at_current(a, r, k, 0, 1, 0.5, 1e3, amps, cold_k, hot_k)


def module_cooling_w(a: float, r: float, k: float, amps: float, cold_c: float, hot_c: float) -> Any:
    return _steady(a, r, k, amps, cold_c + ZERO_C_K, hot_c + ZERO_C_K)[0]


def _searched(goal: Callable[[float], float], low: float, high: float) -> float:
    """Return where a function of one top has it, by golden section."""
    golden = 0.5 * (5.0**0.5 - 1.0)
    while high - low > 1e-9:
        left, right = high - golden * (high - low), low + golden * (high - low)
        low, high = (left, high) if goal(left) < goal(right) else (low, right)
    return 0.5 * (low + high)


def peak_cooling_w(a: float, r: float, k: float, cold_c: float, hot_c: float) -> float:
    faces = cold_c + ZERO_C_K, hot_c + ZERO_C_K
    best_a = _searched(lambda amps: _steady(a, r, k, amps, *faces)[0], 0.5, 15.0)
    return float(_steady(a, r, k, best_a, *faces)[0])


def _cop(a: float, r: float, k: float, amps: float, cold_c: float, hot_c: float) -> float:
    cooling_w, power_w = _steady(a, r, k, amps, cold_c + ZERO_C_K, hot_c + ZERO_C_K)
    return float(cooling_w / power_w)


def best_current_a(a: float, r: float, k: float, cold_c: float, hot_c: float) -> float:
    return _searched(lambda amps: _cop(a, r, k, amps, cold_c, hot_c), 0.5, 15.0)


def best_cop(a: float, r: float, k: float, cold_c: float, hot_c: float) -> float:
    return _cop(a, r, k, best_current_a(a, r, k, cold_c, hot_c), cold_c, hot_c)


def _legs_at_25_c() -> data_sheet.Values:
    """Return (a, R, K) of the module of the checks along the legs."""
    alpha, rho, kappa = (
        leg_material.polynomial(coefficients, leg_material.REFERENCE_K)
        for coefficients in (
            leg_material.SEEBECK, leg_material.RESISTIVITY, leg_material.CONDUCTIVITY,
        )
    )  # fmt: skip
    return LEGS * alpha, LEGS * rho / LEG_M, LEGS * kappa * LEG_M


def legs_cooling_w(amps: float, cold_k: float, hot_k: float) -> float:
    return data_sheet.at_current(
        _legs_at_25_c(), data_sheet.DEFAULT_BUILD, amps, cold_k, hot_k
    )[0]  # fmt: skip


def legs_power_w(amps: float, cold_k: float, hot_k: float) -> float:
    return data_sheet.at_current(
        _legs_at_25_c(), data_sheet.DEFAULT_BUILD, amps, cold_k, hot_k
    )[1]  # fmt: skip


def legs_difference_k(hot_k: float) -> float:
    return hot_k - data_sheet.largest_difference(
        _legs_at_25_c(), data_sheet.DEFAULT_BUILD, hot_k
    )[1]  # fmt: skip


def seebeck_over_300_k(temp_k: float) -> float:
    return leg_material.ratios(temp_k)[0] / leg_material.ratios(300.0)[0]


def stack_cooling_w(
    a: float, r: float, k: float, share: float, joint: float, amps: float, cold_k: float,
    hot_k: float,
) -> Any:  # fmt: skip
    """Return what two stages take up [W]; a, R, K of all couples side by side, constant."""
    whole = stage.whole(a, r, k, share)
    return stage.at_current(*whole, 0, 2, share, joint, amps, cold_k, hot_k)[0]


# Drive --------------------------------------------------------------------------------


def _ideal(kind: str, supply_v: float, **more: Any) -> np.record:
    """Return a drive without losses."""
    part = replace(
        base_plant().drive, kind=drive.DRIVE_KINDS[kind], supply_v=supply_v,
        current_limit_a=100.0, source_ohm=0.0, wire_ohm=0.0, switch_ohm=0.0,
        converter_efficiency=1.0, ripple=0.0, converter_fixed_w=0.0, converter_loss_per_w=0.0,
        off_mode=drive.OFF_OPEN, supply_efficiency=1.0, standby_w=0.0,
    )  # fmt: skip
    return record("drive", replace(part, **more))


def _module(a: float, r: float, k: float) -> np.record:
    """Return one stage of constant properties."""
    return record("module", replace(
        base_plant().module, seebeck_v_per_k=a, resistance_ohm=r, conductance_w_per_k=k,
        temperature_dependence=0, stages=1,
    ))  # fmt: skip


def pwm_cooling_w(
    a: float, r: float, k: float, supply_v: float, duty: float, cold_c: float, hot_c: float
) -> Any:
    faces = cold_c + ZERO_C_K, hot_c + ZERO_C_K
    return stage.on_drive(_module(a, r, k), _ideal("fast_pwm", supply_v), duty, *faces)[3]


def _between_sinks(mod: np.record, part: np.record, duty: float, sinks: dict[str, float]) -> Any:
    """Return what `stage.on_drive` says with both faces in balance behind their sinks."""
    air_k, room_k = sinks["cold_c"] + ZERO_C_K, sinks["room_c"] + ZERO_C_K

    def misses(faces: Any) -> list[float]:
        _, _, _, cooling_w, power_w = stage.on_drive(mod, part, duty, faces[0], faces[1])
        return [
            faces[0] - air_k + sinks["cold_k_per_w"] * cooling_w,
            faces[1] - room_k - sinks["hot_k_per_w"] * (cooling_w + power_w),
        ]

    faces = fsolve(misses, [air_k, room_k], xtol=1e-12)
    return stage.on_drive(mod, part, duty, float(faces[0]), float(faces[1]))


def pwm_cooling_between_sinks_w(
    a: float, r: float, k: float, supply_v: float, duty: float, **sinks: float
) -> float:
    part = _ideal("fast_pwm", supply_v)
    return float(_between_sinks(_module(a, r, k), part, duty, sinks)[3])


def shorted_w_per_k(a: float, r: float, k: float, **sinks: float) -> float:
    """Return the path back through a module that a switched-off drive shorts [W/K]."""
    part = _ideal("fast_pwm", 12.0, off_mode=drive.OFF_SHORTED)
    cooling_w = _between_sinks(_module(a, r, k), part, 0.0, sinks)[3]
    return float(-cooling_w / (sinks["room_c"] - sinks["cold_c"]))


def hold_current_a(a: float, r: float, k: float, **sinks: float) -> float:
    """Return the current that just stops the heat coming back, hot face behind its sink."""
    mod = replace(
        base_plant().module, seebeck_v_per_k=a, resistance_ohm=r, conductance_w_per_k=k,
        temperature_dependence=0, stages=1,
    )  # fmt: skip
    cold_k, hot_k, amps = sinks["cold_c"] + ZERO_C_K, sinks["room_c"] + ZERO_C_K, 0.0
    for _ in range(50):
        amps = stage.hold_current_a(mod, cold_k, hot_k)
        power_w = stage.with_current(mod, amps, cold_k, hot_k)[1]
        hot_k = sinks["room_c"] + ZERO_C_K + sinks["hot_k_per_w"] * power_w
    return amps


def ripple_loss_pct(ripple: float, a: float, r: float, k: float, cold_c: float) -> float:
    """Return what a ripple takes off the largest difference at a cold face [%], by search.

    The difference is what the heat at no difference would hold up against K.
    """
    mod, cold_k = _module(a, r, k), cold_c + ZERO_C_K

    def largest(part: np.record) -> float:
        duty = _searched(lambda d: stage.on_drive(mod, part, d, cold_k, cold_k)[3], 0.2, 1.0)
        return float(stage.on_drive(mod, part, duty, cold_k, cold_k)[3]) / k

    smooth = _ideal("current", 100.0, set_current_a=10.0)
    rough = smooth.copy()
    rough["ripple"] = ripple
    return 100.0 * (1.0 - largest(rough) / largest(smooth))


def limited_a(seebeck_v: float, ohm: float, power_w: float) -> Any:
    return drive.limited_current(seebeck_v, ohm, power_w)


def wanted_a(a: float, r: float, supply_v: float, duty: float, difference_k: float) -> Any:
    """Return the current that pulses ask of a supply, which its protection sees."""
    part = _ideal("fast_pwm", supply_v)
    return drive.wanted_supply_a(part, a, r, duty, difference_k, 0.0, 0.0)


def sagging_v(no_load_v: float, source_ohm: float, power_w: float) -> Any:
    part = _ideal("fast_pwm", no_load_v, source_ohm=source_ohm)
    return drive.terminal_voltage(part, 0.0, power_w)


def _converter(efficiency: float, full_load_w: float, fixed_w: float) -> np.record:
    linear, curve = drive.loss_curve(efficiency, full_load_w, fixed_w)
    return _ideal(
        "smoothed", 12.0, converter_efficiency=linear, converter_loss_per_w=curve,
        converter_fixed_w=fixed_w,
    )  # fmt: skip


def converter_input_w(
    efficiency: float, full_load_w: float, fixed_w: float, output_w: float
) -> Any:
    return drive.converter_input_w(_converter(efficiency, full_load_w, fixed_w), output_w)


def converter_output_w(
    efficiency: float, full_load_w: float, fixed_w: float, input_w: float
) -> Any:
    return drive.converter_output_w(_converter(efficiency, full_load_w, fixed_w), input_w)


def gauge_mohm_per_m(gauge: int) -> float:
    """Return a conductor's resistance [mohm/m]; the gauge law gives its area."""
    diameter_mm = 0.127 * 92.0 ** ((36 - gauge) / 39.0)
    return 0.5e3 * drive.wire_resistance_ohm(1.0, 0.25 * np.pi * diameter_mm**2)


def wire_drop_v(area_mm2: float, length_m: float, amps: float) -> float:
    return amps * drive.wire_resistance_ohm(length_m, area_mm2)


def fuse_a(current_a: float) -> float:
    return drive.fuse_for_a(current_a) or float("nan")


VALUES = public_functions(dict(globals()))
