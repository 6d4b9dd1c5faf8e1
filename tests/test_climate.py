"""The day outside: extremes, openings and loads counted tick by tick."""

from dataclasses import replace

import numpy as np
import psychrolib
import pytest

from ctrl.build import at_ambient, plant_of
from ctrl.cautions import climate_cautions
from ctrl.cli import main
from ctrl.config import ConfigError, build_config, load_config, plain_data
from ctrl.shipped import find_config
from ctrl.simulation import simulate
from ctrl.weather_log import read_log, weather_rows_of
from plant import cabinet, climate, moist_air, steady
from plant.constants import ZERO_C_K


def record_of(day):
    """The record a kernel takes."""
    dtype = cabinet.PLANT_DTYPE["climate"]
    values = tuple(getattr(day, name) for name in dtype.names)
    return np.array([values], dtype=dtype).view(np.recarray)[0]


@pytest.fixture
def day(example_plant):
    """25 C, 6 K of swing, hottest at 15 h, doors 8 to 22 h (invented)."""
    return example_plant.climate


def test_daily_swing(day):
    """The cosine by hand: 28 C at 15 h, 22 C at 3 h, 25 C at 9 and 21 h; mean 25 C."""
    hours = np.arange(0.0, 24.0, 0.25)
    temps = [climate.ambient_temperature(record_of(day), 3600.0 * h) - ZERO_C_K for h in hours]
    at = dict(zip(hours, temps, strict=True))
    assert (at[15.0], at[3.0], at[9.0], at[21.0]) == pytest.approx((28.0, 22.0, 25.0, 25.0))
    assert np.mean(temps) == pytest.approx(25.0, abs=1e-9)
    assert max(temps) == at[15.0]
    tomorrow = climate.ambient_temperature(record_of(day), 86400.0 + 15.0 * 3600.0) - ZERO_C_K
    assert tomorrow == pytest.approx(28.0)


def test_humidity_is_capped_at_saturation(day):
    # Saturated air at 10 C holds 7.63 g/kg (psychrolib), less than 10 g/kg.
    psychrolib.SetUnitSystem(psychrolib.SI)
    cold = climate.ambient_humidity_ratio(record_of(day), ZERO_C_K + 10.0)
    assert cold == pytest.approx(psychrolib.GetSatHumRatio(10.0, 101325.0), rel=3e-3)
    assert climate.ambient_humidity_ratio(record_of(day), ZERO_C_K + 25.0) == 0.010


def openings(day, days=1):
    """Return (start times [s], ticks open) over `days`, at 1 s ticks."""
    record = record_of(day)
    is_open = np.array(
        [climate.door_is_open(record, float(t)) for t in range(days * 86400)], dtype=int
    )
    starts = np.nonzero(np.diff(np.concatenate([[0], is_open])) == 1)[0]
    return starts, int(is_open.sum())


@pytest.mark.parametrize("count", [1, 2, 7, 12, 45])
def test_every_opening_comes_and_lasts(day, count):
    starts, ticks = openings(replace(day, doors_per_day=count))
    assert len(starts) == count
    assert ticks == pytest.approx(count * day.door_open_s, abs=count)  # whole ticks
    assert starts[0] == day.door_first_hour * 3600.0
    if count > 1:  # the last one at its hour, to a tick
        assert starts[-1] == pytest.approx(day.door_last_hour * 3600.0, abs=1)
    if count > 2:
        assert np.ptp(np.diff(starts)) <= 1  # even, to a tick


def test_second_day_is_like_the_first(day):
    starts, _ = openings(day, days=2)
    assert np.array_equal(starts[12:], starts[:12] + 86400)


def test_no_doors(day):
    assert openings(replace(day, doors_per_day=0)) == (pytest.approx([]), 0)


@pytest.mark.parametrize("tick_s", [0.25, 1.0, 7.0])
def test_load_comes_once_a_day_whatever_the_tick(day, tick_s):
    record = record_of(day)
    times = np.arange(0.0, 3 * 86400.0, tick_s)
    due = [t for t in times if climate.load_is_due(record, t, tick_s)]
    assert len(due) == 3
    for n, time_s in enumerate(due):
        assert 0.0 <= time_s - (n * 86400.0 + 18.0 * 3600.0) < tick_s


def test_no_load_when_nothing_is_exchanged(day):
    idle = record_of(replace(day, load_share=0.0))
    assert not any(climate.load_is_due(idle, 64800.0 + t, 1.0) for t in (-1.0, 0.0, 1.0))


# Sun, altitude and a weather log -----------------------------------------------------------


@pytest.fixture
def sunny(example_plant):
    """30 W at the sun's highest between 7 and 17 h, 5 W of a stove all day (invented)."""
    return replace(
        example_plant,
        climate=replace(
            example_plant.climate, sun_w=30.0, radiant_w=5.0, sun_from_hour=7.0, sun_to_hour=17.0
        ),
    )


def test_sun_by_hand_and_its_mean(sunny):
    """Noon 35 W, 9:30 h 30 sin(pi/4) + 5, night 5 W; mean 5 + 30 x 2/pi x 10/24 W."""
    record = record_of(sunny.climate)
    at = [climate.absorbed_radiation(record, 3600.0 * h) for h in (12.0, 9.5, 3.0, 17.0, 36.0)]
    assert at == pytest.approx([35.0, 30.0 * 0.5**0.5 + 5.0, 5.0, 5.0, 35.0])
    day_s = np.arange(0.0, 86400.0, 60.0)
    mean = np.mean([climate.absorbed_radiation(record, t) for t in day_s])
    assert climate.mean_absorbed_radiation(sunny.climate) == pytest.approx(mean, rel=1e-5)
    assert mean == pytest.approx(5.0 + 30.0 * 2.0 / np.pi * 10.0 / 24.0, rel=1e-4)


def test_sun_raises_the_wall_to_the_sol_air_temperature(example_plant, slopes_of):
    """No heat flows into a wall that stands at Ta + G/h (ASHRAE's sol-air, no sky): by hand."""
    state = cabinet.uniform_state(example_plant, ZERO_C_K + 25.0, 0.0)
    inputs = np.zeros(cabinet.INPUTS)
    inputs[cabinet.AMBIENT], inputs[cabinet.SUN] = ZERO_C_K + 25.0, 24.0
    box = example_plant.envelope
    sol_air_k = ZERO_C_K + 25.0 + 24.0 / box.outside_film_w_per_k
    state[cabinet.WALL_OUTER] = sol_air_k
    record = cabinet.to_record(example_plant)
    cabinet.set_wall_inner(record, state, sol_air_k)
    slope = slopes_of(example_plant, state, inputs)
    assert slope[cabinet.WALL_OUTER] == pytest.approx(0.0, abs=1e-12)
    # ... and at the room's temperature part of the 24 W enters: quarter/(film + quarter).
    state[cabinet.WALL_OUTER] = ZERO_C_K + 25.0
    cabinet.set_wall_inner(record, state, ZERO_C_K + 25.0)
    slope = slopes_of(example_plant, state, inputs)
    entered = 24.0 * 1.8 / (8.0 + 1.8)
    assert slope[cabinet.WALL_OUTER] * box.outer_heat_capacity_j_per_k == pytest.approx(entered)
    assert slope[cabinet.HEAT_IN] == pytest.approx(entered)  # booked as it enters


def test_a_sunny_day_balances_and_is_warmer(sunny, example_plant, run_plant):
    duties = np.full(6 * 3600, 0.5)
    lit, shaded = (run_plant(plant, duties, start_s=9 * 3600) for plant in (sunny, example_plant))
    assert lit.energy_residual < 1e-9
    one, two = (cabinet.air_temperature(r.record, r.last) for r in (lit, shaded))
    assert 0.05 < one - two < 3.0
    mean = [steady.operating_point(p, 0.5, ZERO_C_K + 25.0).air_k for p in (sunny, example_plant)]
    assert mean[0] - mean[1] > 0.05


def larder(**climate_keys):
    data = plain_data(load_config("galley_larder"))
    data["climate"] = {**data["climate"], **climate_keys}
    return build_config(data, "changed")


@pytest.mark.parametrize("altitude_m", [0.0, 2500.0])
def test_humidity_of_a_room_against_psychrolib(altitude_m):
    """22 C, 60 %; psychrolib with its own pressure of the standard atmosphere."""
    psychrolib.SetUnitSystem(psychrolib.SI)
    pressure = psychrolib.GetStandardAtmPressure(altitude_m)
    plant = plant_of(larder(altitude_m=altitude_m))
    assert plant.climate.pressure_pa == pytest.approx(pressure, rel=1e-4)
    for ambient_c, pct in ((22.0, 60.0), (35.0, 90.0)):
        moved = at_ambient(plant, ambient_c, pct)
        expected = psychrolib.GetHumRatioFromRelHum(ambient_c, 0.01 * pct, pressure)
        assert moved.climate.humidity_ratio == pytest.approx(expected, rel=4e-3)


def test_thin_air_is_lighter_and_holds_more_vapour_per_kg(example_plant, run_plant):
    high = replace(example_plant, climate=replace(example_plant.climate, pressure_pa=75000.0))
    low_record, high_record = cabinet.to_record(example_plant), cabinet.to_record(high)
    ratio = cabinet.dry_air_kg(high_record) / cabinet.dry_air_kg(low_record)
    assert ratio == pytest.approx(75000.0 / 101325.0, rel=1e-12)
    wet = cabinet.uniform_state(high, ZERO_C_K + 10.0, 1.0)
    saturated = moist_air.saturation_humidity_ratio(ZERO_C_K + 10.0, 75000.0)
    assert wet[cabinet.VAPOUR] == pytest.approx(saturated * cabinet.dry_air_kg(high_record))
    day = run_plant(high, np.full(7200, 0.8), start_s=10 * 3600)
    assert day.energy_residual < 1e-9 and day.water_residual < 1e-9


class TestWeatherLog:
    """A CSV in place of the climate's own day."""

    TEXT = (
        "time_h,ambient_c,relative_humidity_pct,sun_w_per_m2\n0,18,70,0\n6,20,60,0\n"
        "12,28,40,800\n18,24,50,100\n"
    )

    def config(self, tmp_path, text=None, **cabinet_keys):
        path = tmp_path / "log.csv"
        path.write_text(self.TEXT if text is None else text)
        data = plain_data(load_config("galley_larder"))
        data["climate"] = {**data["climate"], "log_file": str(path)}
        data["cabinet"] = {**data["cabinet"], **cabinet_keys}
        return build_config(data, "changed")

    def test_read_and_wrapped_over_midnight(self, tmp_path):
        config = self.config(tmp_path, sunlit_area_m2=0.5, sun_absorptance=0.4)
        rows = weather_rows_of(config, plant_of(config))
        ambient, ratio, sun = climate.weather_at(rows, 9.0 * 3600.0)
        assert ambient - ZERO_C_K == pytest.approx(24.0)  # half way from 20 to 28
        assert sun == pytest.approx(0.5 * 0.4 * 400.0)
        psychrolib.SetUnitSystem(psychrolib.SI)
        expected = psychrolib.GetHumRatioFromRelHum(24.0, 0.5, 101325.0)
        assert ratio == pytest.approx(expected, rel=4e-3)
        # From 24 C at 18 h to 18 C at midnight; the second day is like the first.
        assert climate.weather_at(rows, 21.0 * 3600.0)[0] - ZERO_C_K == pytest.approx(21.0)
        assert climate.weather_at(rows, 33.0 * 3600.0) == pytest.approx((ambient, ratio, sun))

    def test_heat_radiation_as_a_column(self, tmp_path):
        """W/m2 of a stove through the day, 0.9 absorbed; without it the config's own."""
        text = "time_h,ambient_c,radiant_w_per_m2\n0,20,0\n12,20,400\n"
        config = self.config(tmp_path, text, sunlit_area_m2=0.5)
        rows = weather_rows_of(config, plant_of(config))
        assert climate.weather_at(rows, 6.0 * 3600.0)[2] == pytest.approx(0.5 * 0.9 * 200.0)

    def test_a_day_cut_short_is_bridged_to_the_first_row(self, tmp_path):
        """Rows to 30 h: two days, from 24 C at 30 h in a line to 20 C at 48 h, then again."""
        text = "time_h,ambient_c\n0,20\n24,20\n30,24\n"
        config = self.config(tmp_path, text)
        rows = weather_rows_of(config, plant_of(config))
        at = [climate.weather_at(rows, 3600.0 * h)[0] - ZERO_C_K for h in (30.0, 39.0, 48.0, 78.0)]
        assert at == pytest.approx([24.0, 22.0, 20.0, 24.0])

    def test_a_spreadsheets_byte_order_mark_is_no_name(self, tmp_path):
        path = tmp_path / "bom.csv"
        path.write_text("\ufefftime_h,ambient_c\n0,20\n1,21\n", encoding="utf-8")
        assert list(read_log(path)["ambient_c"]) == [20.0, 21.0]

    def test_recommend_says_that_it_does_not_read_it(self, tmp_path):
        config = self.config(tmp_path)
        assert any("log is not used here" in text for text in climate_cautions(config))
        assert climate_cautions(load_config("galley_larder")) == []

    def test_simulate_refuses_a_room_beside_it(self, tmp_path, capsys):
        (tmp_path / "log.csv").write_text(self.TEXT)
        text = find_config("galley_larder").read_text()
        path = tmp_path / "cabinet.toml"
        path.write_text(text.replace("[climate]", '[climate]\nlog_file = "log.csv"'))
        assert main(["simulate", str(path), "--days", "0.01", "--ambient", "30"]) == 2
        told = capsys.readouterr().err
        assert "--ambient = 30: does nothing" in told and "log.csv" in told

    def test_simulate_follows_it_and_balances(self, tmp_path):
        run = simulate(self.config(tmp_path, sunlit_area_m2=0.3), days=1.0, seed=1)
        at_h = run.record["time_s"] / 3600.0
        expected = np.interp(at_h, [0, 6, 12, 18, 24], [18, 20, 28, 24, 18])
        assert np.abs(run.record["ambient_c"] - expected).max() < 0.02  # one row of time
        assert abs(run.record.energy_residual_rel) < 1e-9
        assert abs(run.record.water_residual_rel) < 1e-9

    @pytest.mark.parametrize(
        ("text", "told"),
        [
            ("time_h,air\n0,1\n", "ambient_c: missing column"),
            ("", "time_h: missing column"),
            (
                "time_h;ambient_c\n0;20\n1;21\n",
                "columns: separated by something else, expected",
            ),
            ("time_h,ambient_c\n0,20\n1,hot\n", "ambient_c = hot: not a number"),
            ("time_h,ambient_c\n0,20\n1\n", "ambient_c = : not a number"),
            ("time_h,ambient_c\n0,20\n1,nan\n", "out of range"),
            ("time_h,ambient_c\n0,20\n1,99\n", "out of range, expected a number, -40 to 70 C"),
            (
                "time_h,ambient_c,radiant_w_per_m2\n0,20,0\n1,20,2001\n",
                "radiant_w_per_m2 = 2001: out of range, expected a number, 0 to 2000 W/m2",
            ),
            (
                "time_h,ambient_c,sun_w_per_m2\n0,20,0\n1,20,-1\n",
                "sun_w_per_m2 = -1: out of range, expected a number, 0 to 1400 W/m2",
            ),
            ("time_h,ambient_c\n0,20\n2,20\n1,20\n", "time_h: out of order"),
            ("time_h,ambient_c\n1,20\n2,20\n", "from 0 h"),
        ],
    )
    def test_bad_logs_in_one_line(self, text, told, tmp_path):
        path = tmp_path / "bad.csv"
        path.write_text(text)
        with pytest.raises(ConfigError) as caught:
            read_log(path)
        assert told in str(caught.value) and "\n" not in str(caught.value)

    def test_no_such_log(self, tmp_path):
        with pytest.raises(ConfigError, match="cannot be read"):
            read_log(tmp_path / "none.csv")
