"""What the draws' better settings do to the plan of defrosts: the new plan's own ice counts."""

from dataclasses import replace

import pytest
from larder import recommended_larder

from ctrl import recommend as recommending
from ctrl.defrost import DefrostSettings
from ctrl.tolerances import AS_TUNED, Tolerance, Variant


@pytest.fixture(scope="module")
def larder():
    return recommended_larder()


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
def held(larder, monkeypatch):
    """Return (candidate, plan, rooms asked for ice) of settings that the draws chose."""
    best, asked = larder.chosen.candidate, []
    ices = {case.name: replace(case.ice, blockage_pct=1.0) for case in larder.cases}
    ices["worst"] = replace(ices["worst"], blockage_pct=9.0)
    left = replace(ices["worst"], ices=False, blockage_pct=2.5)

    def ice(config, candidate, settings, ambient_c, contents_c, seed, most_days):
        asked.append((ambient_c, settings))
        return left

    monkeypatch.setattr(recommending, "ice_at", ice)

    def of(settings, change, plan=None):
        found = recommending._held(
            larder.config, best, plan, ices, tolerance(settings, change), larder.seed
        )
        return (*found, asked)

    return of


def test_settings_as_tuned_keep_the_plan(larder, held):
    settings = replace(larder.chosen.candidate.settings, defrost=every(24.0))
    best, plan, asked = held(settings, AS_TUNED)
    assert best.settings == settings and plan is None and not asked


def test_a_colder_setpoint_without_a_defrost_needs_no_plan(larder, held):
    settings = replace(larder.chosen.candidate.settings, setpoint_c=7.0)
    best, plan, asked = held(settings, "setpoint 1 K colder")
    assert best.settings.setpoint_c == 7.0 and plan is None and not asked


def test_a_first_plan_is_run_in_the_room_that_ices_most(larder, held):
    settings = replace(larder.chosen.candidate.settings, defrost=every(12.0))
    best, plan, asked = held(settings, "defrost every 12 h")
    assert best.settings.defrost == settings.defrost
    assert asked == [(larder.config.climate.worst_c, settings)]
    assert plan.interval_h == pytest.approx(12.0) and plan.settings == settings.defrost
    assert plan.ice.blockage_pct == 2.5 and "defrost every 12 h" in plan.why
    has_sensor = larder.config.cold_sink_sensor is not None
    assert plan.ends_by == ("cold-sink temperature" if has_sensor else "time only")


def test_an_older_plan_gets_the_new_interval_and_its_ice(larder, held):
    settings = replace(larder.chosen.candidate.settings, defrost=every(24.0))
    _, older, _ = held(settings, "defrost every 24 h")
    more = replace(settings, defrost=every(8.0))
    _, plan, asked = held(more, "defrost every 8 h", older)
    assert plan.interval_h == pytest.approx(8.0) and plan.settings == more.defrost
    assert (plan.end_c, plan.longest_min) == (older.end_c, older.longest_min)
    assert asked[-1][1] == more
