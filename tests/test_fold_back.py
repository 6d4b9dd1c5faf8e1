"""A relay whose hot sink is too small: the fold-back switches it, and that is told."""

from dataclasses import replace
from types import SimpleNamespace

import pytest

from ctrl.bands import FOLDED_SHARE, decided_band
from ctrl.build import plant_of
from ctrl.capability import at_duty, coldest_holdable, limits_of
from ctrl.cases import usual_run
from ctrl.config import build_config, load_config, plain_data
from ctrl.drive_cycling import MOST_STARTS_PER_H, cycling_words
from ctrl.firmware import Settings, firmware_of
from ctrl.fold_back import relay_fold_back, relay_words
from ctrl.screen_recommend import other_drive
from ctrl.trade_off import first_thermostat, relay_config, thermostat_of
from ctrl.trial import run_settled
from ctrl.tuned import centred
from plant.constants import ZERO_C_K


@pytest.fixture(scope="module")
def small_sink():
    """A galley larder with a relay on a hot sink of 1.1 K/W (invented), 12 °C wanted."""
    data = plain_data(load_config("galley_larder"))
    data["hot_sink"] |= {"fan_k_per_w": 1.1, "no_fan_k_per_w": 1.5, "exhaust_recirculation": 0.0}
    data["use"] |= {"target_c": 12.0}
    return relay_config(build_config(data, "small sink"))


def test_what_a_folded_relay_holds_is_what_the_firmware_then_holds(small_sink):
    """Steady state midway between 55 and 65 °C, beside days of the whole cabinet and firmware.

    Counted at 65 °C, as a hot sink that stayed there, it comes out more than 0.8 K too cold.
    """
    plant = plant_of(small_sink)
    ambient_k = small_sink.climate.usual_c + ZERO_C_K
    found = coldest_holdable(plant, ambient_k, limits_of(small_sink))
    assert found.decided_by == "hot sink"
    full_on = Settings("on_off", small_sink.use.target_c - 20.0, hysteresis_k=0.5)
    run = run_settled(plant, firmware_of(small_sink, full_on), found.point, most_days=6)
    day = run.record.last(86400.0)
    mean_c, sink_c = float(day["contents_c"].mean()), float(day["hot_sink_c"].max())
    print(f"steady {found.contents_c:.2f} °C, simulated {mean_c:.2f} °C, hot sink {sink_c:.1f} °C")
    assert 64.0 < sink_c < 67.0  # it is the fold-back that switches
    assert found.contents_c == pytest.approx(mean_c, abs=0.5)
    at_65 = replace(limits_of(small_sink), folded_mean_k=None)
    assert coldest_holdable(plant, ambient_k, at_65).contents_c < mean_c - 0.8


def test_fold_back_is_told_with_its_figures(small_sink):
    plant = plant_of(small_sink)
    found = relay_fold_back(small_sink, plant)
    assert found.ambient_c == small_sink.climate.worst_c + 0.5 * small_sink.climate.daily_swing_k
    assert found.supply_v == small_sink.supply.highest_voltage_v
    assert "off above 65 °C and on again below 55 °C" in found.words
    bare = small_sink.model_copy(update={"hot_sink_sensor": None})
    assert relay_words(bare, plant) == ""
    # A sink that full drive leaves below 65 °C is not switched: nothing to tell.
    cool = load_config("seed_store")
    hot_c = cool.climate.worst_c + 0.5 * cool.climate.daily_swing_k + ZERO_C_K
    assert at_duty(plant_of(cool), 1.0, hot_c).hot_sink_k < 65.0 + ZERO_C_K
    assert relay_words(cool, plant_of(cool)) == ""


def test_the_thermostats_band_is_not_said_to_decide_where_the_fold_back_does(small_sink):
    use = small_sink.use.model_copy(update={"target_c": 5.0})  # out of its reach
    config = small_sink.model_copy(update={"use": use})
    candidate = first_thermostat(config)
    thermostat = thermostat_of(config, candidate, 1)
    assert "the fold-back decides, not the band" in candidate.hot_side
    cold = replace(thermostat, settings=replace(thermostat.settings, setpoint_c=0.0))
    point, why = decided_band(config, candidate, cold, None)
    assert point.usual.folded_share > FOLDED_SHARE and point.usual.hot_sink_c_max > 64.0
    assert point.hysteresis_k == candidate.settings.hysteresis_k  # as predicted, not the widest
    assert why.startswith("the fold-back, not by the band")
    assert f"{100.0 * point.usual.folded_share:.0f} % of the usual day" in why


def controlled(drive, mean_c, kwh):
    """What the sentence on other drives reads of one controller."""
    return SimpleNamespace(
        candidate=SimpleNamespace(controller="pi", drive=drive),
        findings=SimpleNamespace(energy_kwh_per_day=kwh, contents_c=SimpleNamespace(mean=mean_c)),
    )


def test_no_saving_is_told_of_drives_that_both_leave_the_goods_warm():
    """0.31 and 0.01 kWh a day at 20.4 and 20.1 °C where 12 °C are wanted are no saving."""
    mine, other = controlled("fast_pwm", 20.4, 0.31), controlled("smoothed", 20.1, 0.01)
    use = SimpleNamespace(target_c=12.0, target_tolerance_k=1.0)
    found = SimpleNamespace(
        chosen=mine, controllers=(mine, other), config=SimpleNamespace(use=use),
        aim=SimpleNamespace(is_too_cold=False),
    )  # fmt: skip
    assert "12 °C is not held (20.1 °C and 20.4 °C" in other_drive(found)
    use.target_c = 20.0
    assert "would save 0.30 kWh a day (97 %)" in other_drive(found)


def test_a_drive_that_starts_too_often_is_told():
    words = cycling_words("pi", "fast_pwm", 74.0)
    assert "74 times an hour" in words and f"{MOST_STARTS_PER_H:g}" in words
    assert cycling_words("pi", "smoothed", MOST_STARTS_PER_H) == ""
    assert cycling_words("on_off", "relay", 74.0) == ""  # a contact has its life told


def test_a_relay_in_the_comparison_is_folded_back_as_a_relay(small_sink):
    """The life of a relay beside another drive is that of the relay's own firmware.

    Told as fast pulses its fold-back reduces instead of switching: ten times the life.
    """
    pulses = small_sink.model_copy(
        update={"drive": small_sink.drive.model_copy(update={"kind": "fast_pwm"})}
    )
    candidate = first_thermostat(pulses)
    full_on = replace(candidate.settings, setpoint_c=pulses.use.target_c - 8.0)
    relay = replace(candidate, settings=full_on)
    _, run = centred(pulses, relay, 1)
    own = usual_run(small_sink, relay.plant, full_on, 1)
    assert run.findings.cycles_per_hour == own.findings.cycles_per_hour > 0.5
    wrongly = usual_run(pulses, relay.plant, full_on, 1)
    assert wrongly.findings.cycles_per_hour < 0.5 * own.findings.cycles_per_hour
