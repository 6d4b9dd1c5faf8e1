"""From the config to what is flashed: every setting arrives, in the firmware's words."""

from dataclasses import replace

import pytest

from ctrl.config import build_config, load_config, plain_data
from ctrl.firmware import Settings, defrost_of, firmware_of, reading_step_k, settings_of
from ctrl.fixed import FixedSettings
from ctrl.on_off import OnOffSettings
from ctrl.pi import PISettings
from ctrl.shipped import shipped_names


def changed(name, **tables):
    data = plain_data(load_config(name))
    for table, keys in tables.items():
        merged = {**data.get(table, {}), **keys}
        data[table] = {key: value for key, value in merged.items() if value is not None}
    return build_config(data, name)


def test_settings_are_those_of_the_file():
    found = settings_of(load_config("benchmark"))
    assert (found.controller, found.setpoint_c, found.kp_pct_per_k, found.ti_s) == (
        "pi", 5.0, 20.0, 1800.0,
    )  # fmt: skip
    assert (found.duty_limit, found.slew_pct_per_s, found.period_s) == (0.9, 5.0, 1.0)


@pytest.mark.parametrize(
    ("name", "law"), [("seed_store", "on_off"), ("galley_larder", "pi"), ("film_box", "pi")]
)
def test_recommend_runs_the_drives_own_law_at_the_target(name, law):
    config = load_config(name)
    found = settings_of(config)
    assert found.controller == law
    assert found.setpoint_c == config.use.target_c


@pytest.mark.parametrize(
    ("controller", "kind"),
    [("pi", PISettings), ("on_off", OnOffSettings), ("fixed", FixedSettings)],
)
def test_each_controller_has_its_law(controller, kind):
    config = load_config("galley_larder")
    firmware = firmware_of(config, replace(settings_of(config), controller=controller))
    assert isinstance(firmware.law, kind)


def test_an_on_off_band_in_hundredths():
    config = load_config("seed_store")
    firmware = firmware_of(config, replace(settings_of(config), setpoint_c=4.0, hysteresis_k=1.5))
    words = firmware.law
    # Middle 4.00 °C, 0.75 K to either side.
    assert (words.setpoint_c100, words.half_band_k100, words.on_permille) == (400, 75, 1000)


def test_a_relay_has_no_duty_limit_and_no_slew():
    # Contacts are open or closed: a limit of 0.3 means nothing to them.
    config = load_config("seed_store")
    guard = firmware_of(config, replace(settings_of(config), duty_limit=0.3)).protection
    pulsed = load_config("galley_larder")
    limited = firmware_of(pulsed, replace(settings_of(pulsed), duty_limit=0.3)).protection
    assert guard.duty_limit_permille == 1000
    assert limited.duty_limit_permille == 300
    assert limited.slew_permille_per_tick == 50  # 5 % a second at 1 s ticks
    # No limit is a step of the whole duty in one tick.
    assert guard.slew_permille_per_tick == 1000


def test_least_times_are_for_the_thermostat_only():
    config = load_config("seed_store")
    guard = firmware_of(config, settings_of(config)).protection
    assert (guard.min_on_ticks, guard.min_off_ticks) == (300, 300)
    pi = load_config("benchmark")
    guard = firmware_of(pi, settings_of(pi)).protection
    assert (guard.min_on_ticks, guard.min_off_ticks) == (0, 0)


@pytest.mark.parametrize(("period_s", "tick_s"), [(0.1, 0.1), (0.5, 0.5), (1.0, 1.0), (30.0, 1.0)])
def test_protection_ticks_at_most_a_second_apart(period_s, tick_s):
    config = load_config("film_box")
    firmware = firmware_of(config, replace(settings_of(config), period_s=period_s, ti_s=2000.0))
    assert firmware.tick_s == tick_s


def test_a_digital_sensor_is_as_old_as_its_conversion():
    # 0.75 s of a 12-bit conversion (sensor sheets): one tick of 1 s, eight of 0.1 s.
    config = load_config("seed_store")
    slow = firmware_of(config, settings_of(config))
    quick = firmware_of(config, replace(settings_of(config), period_s=0.1))
    assert slow.conversion_ticks == (1, 1, 0)  # no cold-sink sensor
    assert quick.conversion_ticks == (8, 8, 0)
    thermistor = load_config("galley_larder")
    assert firmware_of(thermistor, settings_of(thermistor)).conversion_ticks == (0, 0, 0)


def test_a_defrost_plan_in_ticks():
    plan = defrost_of(load_config("galley_larder"), 1.0)
    assert (plan.interval_ticks, plan.longest_ticks, plan.drip_ticks, plan.end_c100) == (
        12 * 3600, 40 * 60, 4 * 60, 300,
    )  # fmt: skip
    half = defrost_of(load_config("galley_larder"), 0.5)
    assert half.interval_ticks == 2 * plan.interval_ticks
    assert defrost_of(load_config("summer_fish_box"), 1.0) is None


def test_a_reading_step_of_each_sensor():
    # Digital: 1/16 K. Thermistor, 10 k beside 10 k, beta 3950, 10 bit, near 5 °C: R = 26.0 k
    # (beta equation); the divider's slope is beta/T2 x(1 - x) = 3950/278.15^2 x 0.722 x 0.278
    # = 0.01025 per kelvin, so one code in 1024 is 0.0953 K.
    assert reading_step_k(load_config("film_box").sensor) == 0.0625
    ten_bit = reading_step_k(load_config("galley_larder").sensor)
    print(f"one code of ten bits near 5 °C: {ten_bit:.4f} K, by hand 0.0953 K")
    assert ten_bit == pytest.approx(0.0953, rel=0.05)
    twelve = changed("galley_larder", sensor={"adc_bits": 12}).sensor
    assert reading_step_k(twelve) == pytest.approx(0.0953 / 4.0, rel=0.05)
    fine = changed("galley_larder", sensor={"adc_bits": 16}).sensor
    assert reading_step_k(fine) == 0.01  # the firmware's own step


def test_what_the_words_cannot_hold_is_refused_in_one_line():
    config = load_config("galley_larder")
    with pytest.raises(ValueError, match=r"^[^\n]+$"):
        firmware_of(config, replace(settings_of(config), kp_pct_per_k=0.05, ti_s=90000.0))


@pytest.mark.parametrize("name", shipped_names())
def test_every_shipped_config_has_a_firmware(name):
    config = load_config(name)
    firmware = firmware_of(config, settings_of(config))
    guard = firmware.protection
    part = config.protection
    assert guard.trip_c100 == round(100 * part.trip_c)
    assert guard.fold_start_c100 == round(100 * part.fold_back_start_c)
    assert Settings("pi", 5.0).defrost is None
