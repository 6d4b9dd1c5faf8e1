"""A twin's errors in the draws: wider ones hold fewer cabinets, correlated ones fewer or more.

The film box as shipped, its twin's values all 1: only the errors differ.
"""

from dataclasses import replace

import numpy as np
import pytest

from ctrl.build import at_ambient, humidity_at, plant_of
from ctrl.capability import coldest_holdable, limits_of
from ctrl.config import build_config, load_config, plain_data
from ctrl.firmware import settings_of
from ctrl.tolerance_draws import comparing_draws, drawn_plant, judged, spreads_of, start_of
from plant.constants import ZERO_C_K

FACTORS = ("hot_sink", "cold_sink", "foam", "leaks", "seebeck", "resistance", "conductance")
SEED = 3


def film_box():
    """Return the film box's data, its target 1.2 K warmer: as described it holds with room."""
    data = plain_data(load_config("film_box"))
    data["use"]["target_c"] += 1.2
    return data


def twinned(share, offset_k=0.05, sinks=None, hot_with_cold=0.0):
    """Return the box with a twin whose factors are good to a share, its reading to [K]."""
    data = film_box()
    twin = {"log_name": "a.csv", "log_sha256": "0" * 64}
    for name in FACTORS:
        error = share if sinks is None or not name.endswith("sink") else sinks
        twin |= {f"{name}_times": 1.0, f"{name}_times_error": error}
    twin |= {"air_offset_k": 0.0, "air_offset_error_k": offset_k}
    data["twin"] = twin
    config = build_config(data, "twin")
    order = list(config.twin.values)
    matrix = np.eye(len(order))
    i, j = order.index("hot_sink"), order.index("cold_sink")
    matrix[i, j] = matrix[j, i] = hot_with_cold
    data["twin"]["correlations"] = [float(x) for x in matrix[np.tril_indices(len(order), -1)]]
    return build_config(data, "twin")


def share_that_holds(config, draws=8):
    """Return the share of draws in which the worst room's day keeps every limit [-]."""
    plant, room_c = plant_of(config), config.climate.worst_c
    settings = replace(settings_of(config), controller="pi", kp_pct_per_k=40.0, ti_s=150.0,
                       setpoint_c=config.use.target_c - 0.2, defrost=None)  # fmt: skip
    spreads = spreads_of(config, plant)
    start = start_of(config, plant, settings, "worst", room_c, SEED)
    points = comparing_draws(draws, len(spreads), SEED)
    found = [judged(config, plant, settings, (start,), spreads, points[n], n, SEED + n)
             for n in range(draws)]  # fmt: skip
    return float(np.mean([item.holds for item in found]))


def coldest_of_draws(config, draws=88):
    """Return the coldest holdable contents of drawn cabinets in the worst room [°C]."""
    base, room_c = plant_of(config), config.climate.worst_c
    plant = at_ambient(base, room_c, humidity_at(config, room_c))
    spreads = spreads_of(config, base)
    points = comparing_draws(draws, len(spreads), SEED)
    return np.array([
        coldest_holdable(drawn_plant(plant, spreads, row), room_c + ZERO_C_K, limits_of(config))
        .contents_c for row in points
    ])  # fmt: skip


def test_what_a_log_told_badly_holds_less_often(note):
    """Of the same cabinet: good to 1 %, by the parts' own tolerances, good to 15 % and 1 K."""
    well, own, badly = (share_that_holds(config) for config in (
        twinned(0.01), build_config(film_box(), "own"), twinned(0.15, 1.5)))  # fmt: skip
    note(f"keeps its limits: {well:.2f} as well measured, {own:.2f} as bought, {badly:.2f} badly")
    assert well >= own > badly


def test_errors_that_go_together_spread_more_than_those_that_cancel(note):
    """Both sinks poor at once, against one poor where the other is good: 12 % each."""
    together, apart, alone = (
        coldest_of_draws(twinned(0.002, sinks=0.12, hot_with_cold=r)) for r in (0.95, -0.95, 0.0)
    )
    note(f"coldest: {np.std(together):.2f}, {np.std(alone):.2f}, {np.std(apart):.2f} K")
    assert np.std(together) > 1.15 * np.std(alone) > 1.3 * np.std(apart)
    # A target one standard deviation of independent errors above the mean.
    limit_c = float(np.mean(alone) + np.std(alone))
    assert np.mean(together <= limit_c) < np.mean(apart <= limit_c)


@pytest.mark.parametrize("share", [0.02, 0.04])
def test_the_spread_of_the_draws_is_the_twins_own(share):
    """Each factor's logarithm has the stated standard error; none of the parts' own is left."""
    config = twinned(share)
    plant = plant_of(config)
    spreads = spreads_of(config, plant)
    points = comparing_draws(256, len(spreads), SEED)
    ohms = [drawn_plant(plant, spreads, row).module.resistance_ohm for row in points]
    assert np.std(np.log(ohms)) == pytest.approx(share, rel=0.1)
