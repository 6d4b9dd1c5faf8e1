"""The duty that moves heat most cheaply, over the difference between the sinks.

A cabinet that needs less heat moved than the module moves is on for part of the time, and
while it is off heat comes back through the module.  On for a share s of the time, with Qc
moved while on and Qb coming back while off, the need Q = s Qc - (1 - s) Qb costs s P, so that

    cost per joule = P (Q + Qb) / ((Qc + Qb) Q)      [W/W]

and whatever Q is, the best duty is the one with the largest (Qc + Qb)/P: the best COP, with
the heat that stays out while on counted in.  P is at the plug, the hot fan with it; standby
and the inside fan run on regardless.  (Own derivation; with Qb = 0 and no fan it is the
textbook's current of best COP, `plant.module.best_cop`.)
"""

from functools import lru_cache

import numpy as np
from scipy.optimize import minimize_scalar

from ctrl.best_cop import TABLE_POINTS, TABLE_STEP_K100
from ctrl.capability import Limits, coldest_holdable, duty_for
from plant import drive, heat_sinks, stage
from plant.cabinet import Plant, to_record
from plant.constants import ZERO_C_K
from plant.steady import RUNAWAY_K, Operating

LEAST_DUTY = 0.05
SCAN_POINTS = 20
FACE_ROUNDS = 6  # of the faces settling on their joints; each round gains a factor of ten


def _faces(plant: Plant, duty: float, cold_sink_k: float, hot_sink_k: float) -> tuple[float, float]:
    """Return (heat taken up at the cold face, power at the supply's terminals) [W].

    Faces settle on the joints between module and sinks.
    """
    record = to_record(plant)
    cold_ohm, hot_ohm = joints_k_per_w(plant)
    cold_k, hot_k = cold_sink_k, hot_sink_k
    cooling_w = terminal_w = 0.0
    for _ in range(FACE_ROUNDS):
        _, _, terminal_w, cooling_w, power_w = stage.on_drive(
            record.module, record.drive, duty, cold_k, hot_k
        )
        cold_k = cold_sink_k - cold_ohm * cooling_w
        hot_k = hot_sink_k + hot_ohm * (cooling_w + power_w)
    return float(cooling_w), float(terminal_w)


def joints_k_per_w(plant: Plant) -> tuple[float, float]:
    """Return the resistance of cold and hot joint [K/W]."""
    return 1.0 / plant.module.cold_contact_w_per_k, 1.0 / plant.module.hot_contact_w_per_k


def cheapness(plant: Plant, duty: float, cold_sink_k: float, hot_sink_k: float) -> float:
    """Return (Qc + Qb)/P at a duty between two sinks [-]: heat moved or kept out for each joule."""
    cooling_w, terminal_w = _faces(plant, duty, cold_sink_k, hot_sink_k)
    idle_w, _ = _faces(plant, 0.0, cold_sink_k, hot_sink_k)
    fan_w = plant.hot_sink.fan_w if plant.hot_sink.fan_wiring != heat_sinks.ALWAYS else 0.0
    part = to_record(plant).drive
    spent_w = drive.plug_power(part, terminal_w + fan_w) - drive.plug_power(part, 0.0)
    return (cooling_w - idle_w) / max(spent_w, 1e-9)


def best_duty(plant: Plant, cold_sink_k: float, lift_k: float) -> float:
    """Return the duty of largest `cheapness` at a difference `lift_k` [K] over the cold sink.

    A duty that takes up less heat than none does not count; where none cools, full drive.
    """
    hot_k = cold_sink_k + lift_k
    duties = np.linspace(LEAST_DUTY, 1.0, SCAN_POINTS)
    worth = [cheapness(plant, float(duty), cold_sink_k, hot_k) for duty in duties]
    best = int(np.argmax(worth))
    if worth[best] <= 0.0:
        return 1.0
    if worth[best] <= worth[-1] * (1.0 + 1e-6):
        return 1.0  # pulses: every duty is as good but for the fan
    low, high = duties[max(best - 1, 0)], duties[min(best + 1, SCAN_POINTS - 1)]
    found = minimize_scalar(
        lambda duty: -cheapness(plant, float(duty), cold_sink_k, hot_k),
        bounds=(float(low), float(high)), method="bounded", options={"xatol": 1e-3},
    )  # fmt: skip
    return round(float(found.x), 3)


def holding_or_coldest(plant: Plant, contents_k: float) -> Operating:
    """Return the steady state that holds the contents in the plant's own room, or the coldest."""
    ambient_k = plant.climate.mean_k
    coldest = coldest_holdable(plant, ambient_k, Limits(RUNAWAY_K, RUNAWAY_K, RUNAWAY_K))
    return duty_for(plant, ambient_k, contents_k, coldest) or coldest.point


@lru_cache(maxsize=32)
def cop_duties(plant: Plant, target_c: float) -> tuple[float, ...]:
    """Return the duties of the table at 0, 10, ... 80 K between the sinks [-].

    The cold sink stands where it does while the usual room holds the target.
    """
    cold_k = holding_or_coldest(plant, target_c + ZERO_C_K).cold_sink_k
    step_k = 0.01 * TABLE_STEP_K100
    return tuple(best_duty(plant, cold_k, step_k * k) for k in range(TABLE_POINTS))


def usual_lift_k(plant: Plant, target_c: float) -> float:
    """Return hot sink less cold sink while the usual room holds the target [K], 0 to 80."""
    point = holding_or_coldest(plant, target_c + ZERO_C_K)
    most = 0.01 * TABLE_STEP_K100 * (TABLE_POINTS - 1)
    return round(min(max(point.hot_sink_k - point.cold_sink_k, 0.0), most), 1)


def saving_over_full_drive(plant: Plant, target_c: float) -> float:
    """Return by what share the best duty is cheaper than full drive at the usual lift [-]."""
    cold_k = holding_or_coldest(plant, target_c + ZERO_C_K).cold_sink_k
    lift_k = usual_lift_k(plant, target_c)
    duty = best_duty(plant, cold_k, lift_k)
    best, full = (cheapness(plant, d, cold_k, cold_k + lift_k) for d in (duty, 1.0))
    return 1.0 - full / best if best > 0.0 else 0.0
