"""What the draws' better settings do to the plan of defrosts: the new plan's own ice counts."""

from dataclasses import replace

import pytest

from ctrl import recommend as recommending
from ctrl.build import plant_of
from ctrl.candidates import Candidate
from ctrl.config import load_config
from ctrl.defrost import DefrostSettings
from ctrl.firmware import settings_of
from ctrl.ice import Ice
from ctrl.tolerances import AS_TUNED, Tolerance, Variant

CONFIG = load_config("galley_larder")


@pytest.fixture(scope="module")
def best():
    bare = replace(settings_of(CONFIG), defrost=None)
    return Candidate("pi", "fast_pwm", True, plant_of(CONFIG), bare)


def ice(blockage_pct):
    return Ice(0.0, 5.0, blockage_pct, None, CONFIG.use.target_c, CONFIG.use.target_c, 1.0, 3, 5.0)


def tolerance(settings, change):
    return Tolerance(
        settings, change, (Variant(AS_TUNED, settings, 8, 5),), True, 8, 8, 0.7, 0.95, (), "", (),
        "", (1.0, 2.0), 11.0, 4.0, "no", 1, (),
    )  # fmt: skip


def every(hours):
    return DefrostSettings.from_physical(
        interval_s=3600.0 * hours, end_c=5.0, longest_s=1200.0, drip_s=180.0, tick_s=1.0
    )


@pytest.fixture
def held(best, monkeypatch):
    """Return (candidate, plan, rooms asked for ice) of settings that the draws chose."""
    asked = []
    ices = {"usual": ice(1.0), "worst": ice(9.0), "coldest": ice(0.0)}

    def run_anew(
        config, candidate, settings, ambient_c, contents_c, seed, most_days, only_clear=False
    ):
        asked.append((ambient_c, settings))
        return ice(2.5)

    monkeypatch.setattr(recommending, "ice_at", run_anew)

    def of(settings, change, plan=None):
        found = recommending._held(CONFIG, best, plan, ices, tolerance(settings, change), 1)
        return (*found, asked)

    return of


def test_settings_as_tuned_keep_the_plan(best, held):
    settings = replace(best.settings, defrost=every(24.0))
    changed, plan, asked = held(settings, AS_TUNED)
    assert changed.settings == settings and plan is None and not asked


def test_a_colder_setpoint_without_a_defrost_needs_no_plan(best, held):
    settings = replace(best.settings, setpoint_c=7.0)
    changed, plan, asked = held(settings, "setpoint 1 K colder")
    assert changed.settings.setpoint_c == 7.0 and plan is None and not asked


def test_a_first_plan_is_run_in_the_room_that_ices_most(best, held):
    settings = replace(best.settings, defrost=every(12.0))
    changed, plan, asked = held(settings, "defrost every 12 h")
    assert changed.settings.defrost == settings.defrost
    assert asked == [(CONFIG.climate.worst_c, settings)]
    assert plan.interval_h == pytest.approx(12.0) and plan.settings == settings.defrost
    assert plan.ice.blockage_pct == 2.5 and plan.works and "defrost every 12 h" in plan.why
    has_sensor = CONFIG.cold_sink_sensor is not None
    assert plan.ends_by == ("cold-sink temperature" if has_sensor else "time only")


def test_an_older_plan_gets_the_new_interval_and_its_ice(best, held):
    settings = replace(best.settings, defrost=every(24.0))
    _, older, _ = held(settings, "defrost every 24 h")
    more = replace(settings, defrost=every(8.0))
    _, plan, asked = held(more, "defrost every 8 h", older)
    assert plan.interval_h == pytest.approx(8.0) and plan.settings == more.defrost
    assert (plan.end_c, plan.longest_min) == (older.end_c, older.longest_min)
    assert asked[-1][1] == more
