"""Ice on the cold sink: known cabinets, fake cabinets for the planner, one real threshold."""

from dataclasses import replace
from functools import partial

import numpy as np
import pytest

from ctrl import ice as ice_part
from ctrl.build import at_ambient, plant_of
from ctrl.capability import coldest_holdable, limits_of
from ctrl.config import load_config
from ctrl.defrost import DefrostSettings
from ctrl.firmware import firmware_of, settings_of
from ctrl.ice import (
    GROWTH_G_PER_DAY,
    INTERVALS_H,
    Ice,
    coldest_ice_free_c,
    ice_of,
    ice_with_range,
    melts_in,
    plan_defrost,
)
from ctrl.loop import COOLING, MELTING
from ctrl.trial import nearest_point
from plant import moist_air
from plant.constants import ZERO_C_K


def ran(name, contents_c, humidity_pct, most_days=4, run=ice_of, factor=1.0, limit_pct=None,
        **settings):  # fmt: skip
    """Return (ice, steady point it started from) of a shipped cabinet on a usual day."""
    config = load_config(name)
    plant = at_ambient(plant_of(config), config.climate.usual_c, humidity_pct)
    sink = replace(plant.cold_sink, frost_density_factor=factor)
    plant = replace(plant, cold_sink=sink)
    coldest = coldest_holdable(plant, plant.climate.mean_k, limits_of(config))
    point = nearest_point(plant, contents_c + ZERO_C_K, coldest)
    firmware = firmware_of(config, replace(settings_of(config), **{"defrost": None, **settings}))
    limit_pct = limit_pct or config.limits.sink_ice_blockage_pct
    return run(plant, firmware, point, limit_pct, most_days=most_days), point


# Simulated -------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def damp():
    """The galley larder at full drive in damp air: it must ice."""
    return ran("galley_larder", 0.0, 95.0, most_days=5, controller="fixed", fixed_duty=1.0)


def test_a_sink_far_below_zero_in_damp_air_ices(damp):
    ice, point = damp
    print(f"sink at {point.cold_sink_k - ZERO_C_K:.1f} °C: {ice.growth_g_per_day:.2f} g a day, "
          f"{ice.blockage_pct:.1f} % closed after {ice.days} days")  # fmt: skip
    assert point.cold_sink_k < ZERO_C_K - 1.0
    assert ice.growth_g_per_day > GROWTH_G_PER_DAY
    assert ice.ices
    assert ice.frost_g_max > ice.growth_g_per_day


def test_it_does_not_take_more_water_than_the_air_brings(damp):
    # Leakage of 0.3 boxes an hour and ten doors of three boxes each (10 s; one box takes
    # about 3 s) bring at most V rho (24 x 0.3 + 30) (w_room - w_sink) of water a day.
    ice, point = damp
    density = 1.2
    w_room = 0.95 * moist_air.saturation_humidity_ratio(22.0 + ZERO_C_K)
    w_sink = moist_air.saturation_humidity_ratio(point.cold_sink_k)
    most_g = 1e3 * 0.0315 * density * (24 * 0.3 + 10 * 3.0) * (w_room - w_sink)
    assert ice.growth_g_per_day < most_g


def test_a_sink_above_zero_never_frosts():
    ice, point = ran("galley_larder", 14.0, 80.0, setpoint_c=14.0)
    assert point.cold_sink_k > ZERO_C_K + 3.0
    assert ice.frost_g_max == 0.0
    assert ice.blockage_pct == 0.0
    assert not ice.ices
    assert ice.days == 3  # no longer than it takes to see that nothing grows


def test_dry_air_leaves_a_cold_sink_clear():
    # Room air whose frost point lies below the sink: physics allows no frost from it.
    ice, point = ran("galley_larder", 0.0, 8.0, controller="fixed", fixed_duty=1.0)
    w_room = 0.08 * moist_air.saturation_humidity_ratio(22.0 + ZERO_C_K)
    assert point.cold_sink_k < ZERO_C_K - 1.0
    assert moist_air.dew_point(w_room) < point.cold_sink_k
    assert ice.growth_g_per_day < 0.01
    assert ice.blockage_pct < 0.5
    assert not ice.ices


def test_the_range_is_run_with_denser_and_lighter_frost():
    """The ends are what cabinets with the factor in their config come to, not 1/(1 +/- 0.5).

    Looser frost insulates and chokes the fan; the sink falls and takes it up otherwise.
    """
    keys = {"most_days": 3, "controller": "fixed", "fixed_duty": 1.0}
    ice, _ = ran("galley_larder", 0.0, 30.0, **keys)
    ranged, _ = ran("galley_larder", 0.0, 30.0, run=ice_with_range, **keys)
    low, high = ranged.blockage_range_pct
    assert replace(ranged, blockage_range_pct=None, range_ices=False) == ice
    assert ice.blockage_range_pct is None
    light, _ = ran("galley_larder", 0.0, 30.0, factor=0.5, **keys)
    print(f"closed {low:.1f} to {high:.1f} %, middle {ice.blockage_pct:.1f} %")
    assert high == pytest.approx(light.blockage_pct)
    assert low < ice.blockage_pct < high
    assert abs(high - ice.blockage_pct / 0.5) > 1.0


def test_the_range_tells_whether_either_end_ices(monkeypatch):
    """Limit between the middle and the lightest end: clear as reckoned, not over the range.

    Runs that melt within each day, of 6 % of the gaps at the density reckoned, made up here: 9 %
    at half of it and 5 % at half as much again.
    """
    closed_pct = {1.0: 6.0, 1.5: 5.0, 0.5: 9.0}
    asked = []

    def made_up(plant, firmware, start, limit_pct, days, seed, outside=None):
        factor = plant.cold_sink.frost_density_factor
        asked.append(factor)
        return Ice(0.0, 1.0, closed_pct[factor], None, 8.0, 8.0, 1.0, 3, limit_pct)

    monkeypatch.setattr(ice_part, "_ran", made_up)
    for limit_pct, clear in ((7.0, False), (9.5, True)):
        found, _ = ran("galley_larder", 0.0, 30.0, limit_pct=limit_pct,
                       run=partial(ice_with_range, only_clear=True))  # fmt: skip
        assert not found.ices and found.clear_over_range is clear
        assert (found.blockage_range_pct, found.blockage_most_pct) == ((5.0, 9.0), 9.0)
    asked.clear()
    failed, _ = ran("galley_larder", 0.0, 30.0, limit_pct=3.0,
                    run=partial(ice_with_range, only_clear=True))  # fmt: skip
    assert failed.ices and failed.blockage_range_pct is None and asked == [1.0]  # not run in vain


def test_a_clear_sink_costs_no_more_runs():
    ice, _ = ran("galley_larder", 14.0, 80.0, setpoint_c=14.0, run=ice_with_range)
    assert ice.blockage_range_pct is None


def test_a_timed_defrost_leaves_less_ice(damp):
    bare, _ = damp
    plan = DefrostSettings.from_physical(
        interval_s=6 * 3600.0, end_c=3.0, longest_s=2400.0, drip_s=240.0, tick_s=1.0
    )
    cleared, _ = ran("galley_larder", 0.0, 95.0, most_days=5, controller="fixed",
                     fixed_duty=1.0, defrost=plan)  # fmt: skip
    print(f"closed without {bare.blockage_pct:.1f} %, with a defrost {cleared.blockage_pct:.1f} %")
    assert cleared.growth_g_per_day < GROWTH_G_PER_DAY
    assert cleared.blockage_pct < 0.6 * bare.blockage_pct
    # Blocked fins let the contents warm by kelvins: a melt costs less than the ice.
    assert cleared.contents_c_mean < bare.contents_c_mean - 1.0


# What counts as ice ----------------------------------------------------------------------


def ice_like(growth=0.0, blockage=0.0, mean_c=4.0, limit_pct=5.0):
    return Ice(growth, 10.0, blockage, None, mean_c + 1.0, mean_c,
               0.5, 3, limit_pct)  # fmt: skip


@pytest.mark.parametrize(
    ("growth", "blockage", "ices"),
    [
        (0.0, 0.0, False),
        (0.1, 4.99, False),
        (0.11, 0.0, True),
        (0.0, 5.0, True),
        (-1.0, 1.0, False),
    ],
)
def test_growth_or_blockage_make_ice(growth, blockage, ices):
    # Design: does not ice when net growth <= 0.1 g a day and blockage < 5 %.
    assert ice_like(growth, blockage).ices is ices


# The plan --------------------------------------------------------------------------------


def plan_with(ice_at, contents_limit_c=5.0, has_cold_sensor=True):
    """Return (plan, intervals tried [h]) with `ice_at(interval_h)` in place of a simulation."""
    tried = []

    def try_plan(settings):
        interval_h = settings.interval_ticks / 3600.0
        tried.append(interval_h)
        return ice_at(interval_h)

    plan = plan_defrost(
        try_plan, tick_s=1.0, end_c=3.0, longest_min=40.0, drip_min=4.0,
        has_cold_sensor=has_cold_sensor, contents_limit_c=contents_limit_c,
    )  # fmt: skip
    return plan, tried


def test_the_rarest_interval_that_works_is_taken():
    plan, tried = plan_with(lambda h: ice_like(blockage=0.5 * h))  # 8 h leave 4 %, 12 h 6 %
    assert tried == [24.0, 12.0, 8.0]
    assert (plan.interval_h, plan.works) == (8.0, True)
    assert plan.settings.interval_ticks == 8 * 3600
    assert plan.ice.blockage_pct == 4.0
    assert [hours for hours, _ in plan.others] == tried


def test_a_defrost_that_warms_the_contents_too_much_does_not_work():
    # Each defrost costs 4 K h: 24/h of them a day.
    plan, _ = plan_with(lambda h: ice_like(blockage=0.3 * h, mean_c=4.0 + 4.0 / h))
    assert (plan.interval_h, plan.works) == (12.0, True)
    warm, tried = plan_with(lambda h: ice_like(blockage=0.3 * h, mean_c=5.2))
    assert not warm.works
    assert tried == list(INTERVALS_H)


def ranged(blockage, lightest, mean_c=4.0):
    """Return an ice clear or not as reckoned, and with frost 50 % lighter."""
    return replace(ice_like(blockage=blockage, mean_c=mean_c), range_ices=lightest >= 5.0,
                   blockage_range_pct=(0.9 * blockage, lightest))  # fmt: skip


def test_an_interval_that_ices_where_frost_is_light_is_passed_over():
    # 8 h leave 4 %, 5.6 % of light frost; 6 h leave 3 % and 4.2 %.
    plan, tried = plan_with(lambda h: ranged(0.5 * h, 0.7 * h))
    assert tried == [24.0, 12.0, 8.0, 6.0]
    assert (plan.interval_h, plan.works, plan.is_sure) == (6.0, True, True)


def test_where_none_is_clear_at_any_density_the_plan_says_so():
    # 6 and 4 h would leave less, but warm the contents too much.
    plan, tried = plan_with(lambda h: ranged(0.5 * h, 0.76 * h, mean_c=4.0 + 7.0 / h))
    assert tried == list(INTERVALS_H)
    assert (plan.interval_h, plan.works, plan.is_sure) == (8.0, True, False)
    assert plan.ice.blockage_most_pct == pytest.approx(6.08)


def test_when_none_works_the_least_ice_is_shown():
    plan, tried = plan_with(lambda h: ice_like(growth=1.0, blockage=abs(h - 8.0) + 6.0))
    assert tried == list(INTERVALS_H)
    assert (plan.interval_h, plan.works, plan.ice.blockage_pct) == (8.0, False, 6.0)
    assert plan.settings.interval_ticks == 8 * 3600


def test_what_ends_a_melt_depends_on_the_sensor():
    assert plan_with(lambda h: ice_like())[0].ends_by == "cold-sink temperature"
    assert plan_with(lambda h: ice_like(), has_cold_sensor=False)[0].ends_by == "time only"


# Coldest without ice ---------------------------------------------------------------------


@pytest.mark.parametrize("threshold_c", [-3.3, 0.0, 2.71, 9.9])
def test_bisection_finds_a_threshold(threshold_c):
    asked = []

    def ices_at(contents_c):
        asked.append(contents_c)
        return contents_c < threshold_c

    found = coldest_ice_free_c(ices_at, -5.0, 10.0)
    assert threshold_c <= found < threshold_c + 0.25
    assert len(asked) <= 9  # 15 K halved six times, and both ends


def test_bisection_at_the_edges():
    assert coldest_ice_free_c(lambda c: False, -5.0, 10.0) == -5.0  # never ices
    assert coldest_ice_free_c(lambda c: True, -5.0, 10.0) is None  # ices at any
    assert coldest_ice_free_c(lambda c: c < 4.0, 7.0, 7.0) == 7.0
    found = coldest_ice_free_c(lambda c: c < 2.0, 0.0, 10.0, step_k=0.01)
    assert 2.0 <= found < 2.01


@pytest.mark.parametrize("interval_h", INTERVALS_H)
def test_a_melt_at_midnight_counts(interval_h):
    rows = np.arange(1440)
    state = np.where(rows % (60 * interval_h) < 20, MELTING, COOLING)
    assert melts_in({"state": state}) == 24 / interval_h


@pytest.mark.parametrize("border", [-4.0, -0.3, 3.1, 9.7])
def test_a_guess_moves_no_answer_and_saves_looks(border):
    """On the points of halving 15 K to 0.25 K (64 cells): any guess ends on the same one."""
    looks = []

    def ices_at(contents_c):
        looks.append(contents_c)
        return contents_c < border

    found = [coldest_ice_free_c(ices_at, -5.0, 10.0, guess_c=guess) for guess in (-9.0, 4.0, 20.0)]
    assert len(set(found)) == 1
    assert border <= found[0] <= border + 15.0 / 64.0
    looks.clear()
    assert coldest_ice_free_c(ices_at, -5.0, 10.0, guess_c=border) == found[0]
    assert len(looks) <= 3
