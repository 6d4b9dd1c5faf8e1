"""Parts out of tolerance: what is drawn, how a draw is judged, and what the count allows to say."""

from dataclasses import replace

import numpy as np
import pytest

from ctrl.build import at_ambient, extraction_of, plant_of
from ctrl.config import build_config, load_config, plain_data
from ctrl.firmware import settings_of
from ctrl.tolerance_draws import (
    comparing_draws,
    confirming_draw,
    drawn_day,
    drawn_plant,
    drawn_room,
    judged,
    least_voltage_v,
    noise_seed,
    sheet_slopes,
    spreads_of,
    start_of,
    steady_near,
)
from ctrl.tolerances import (
    Bench,
    Draw,
    Variant,
    better_by_chance,
    further_of,
    limit_at_risk,
    lower_bound,
    parts_of,
    setpoint_step_k,
    tolerance_of,
    upper_bound,
    variants_of,
)
from plant.constants import ZERO_C_K


@pytest.fixture(scope="module")
def larder():
    config = load_config("galley_larder")
    return config, plant_of(config), settings_of(config)


@pytest.fixture(scope="module")
def bench(larder):
    config, plant, settings = larder
    bench = Bench(config, plant, spreads_of(config, plant), 7, 2)
    return bench, settings, bench.starts(settings)


def with_keys(name, **tables):
    data = plain_data(load_config(name))
    for table, keys in tables.items():
        data[table] = {**data.get(table, {}), **keys}
    return build_config(data, name)


# The bound ---------------------------------------------------------------------------------


def test_bound_of_a_share_by_hand():
    # All of n hold: the bound solves p^n = 0.05 (by hand): 400 draws give 0.9925, 59 give 0.95.
    assert lower_bound(400, 400) == pytest.approx(0.05 ** (1 / 400), rel=1e-9)
    assert lower_bound(59, 59) == pytest.approx(0.9505, abs=1e-4)
    assert lower_bound(0, 400) == 0.0
    # One of two: 1 - (1 - p)^2 = 0.05 (by hand).
    assert lower_bound(1, 2) == pytest.approx(1.0 - 0.95**0.5, rel=1e-9)


def test_bound_holds_as_often_as_it_says():
    # Coverage by counting: of a true share of 0.96, 400 draws, the bound lies below it in at
    # least 95 % of the repeats (exact bounds err on the safe side).
    rng = np.random.default_rng(3)
    counts = rng.binomial(400, 0.96, size=2000)
    below = np.mean([lower_bound(int(k), 400) <= 0.96 for k in counts])
    assert 0.94 <= below <= 0.98
    assert upper_bound(30, 64) > 30 / 64 > lower_bound(30, 64)


# What is drawn -----------------------------------------------------------------------------


def test_draws_depend_on_seed_and_index_alone():
    assert np.array_equal(confirming_draw(5, 18, 1), confirming_draw(5, 18, 1))
    assert not np.array_equal(confirming_draw(5, 18, 1), confirming_draw(6, 18, 1))
    assert not np.array_equal(confirming_draw(5, 18, 1), confirming_draw(5, 18, 2))
    assert np.array_equal(comparing_draws(16, 18, 1), comparing_draws(64, 18, 1)[:16])
    assert noise_seed(1, 1, 3) != noise_seed(1, 2, 3) != noise_seed(1, 2, 4)


def test_comparing_draws_fill_every_tolerance_evenly():
    # 64 scrambled Sobol points: each sixteenth of each axis holds four (property of the net).
    points = comparing_draws(64, 18, 11)
    for axis in points.T:
        assert np.array_equal(np.histogram(axis, bins=16, range=(0, 1))[0], np.full(16, 4))


def test_the_middle_of_every_tolerance_is_the_cabinet_as_described(larder):
    config, plant, _ = larder
    spreads = spreads_of(config, plant)
    same = drawn_plant(plant, spreads, np.full(len(spreads), 0.5))
    for part in ("module", "drive", "hot_sink", "cold_sink", "envelope", "control_sensor"):
        for mine, theirs in zip(
            vars(getattr(same, part)).values(), vars(getattr(plant, part)).values(), strict=True
        ):
            assert mine == pytest.approx(theirs, rel=1e-12)


@pytest.mark.parametrize("share", [0.0, 1.0 - 1e-12])
def test_ends_of_the_tolerances_by_hand(larder, share):
    config, plant, _ = larder
    sign = 1.0 if share > 0.5 else -1.0
    spreads = spreads_of(config, plant)
    found = {s.name: s.change(plant, s.value(share)) for s in spreads}
    factor = 1.0 + 0.3 * sign
    assert found["hot joint"].module.hot_contact_w_per_k == pytest.approx(1 / (0.03 * factor))
    sink = found["hot sink"].hot_sink
    assert plant.hot_sink.fan_w_per_k / sink.fan_w_per_k == pytest.approx(1.0 + 0.1 * sign)
    assert found["control sensor"].control_sensor.offset_k == pytest.approx(0.5 * sign)
    foam = found["foam's conductivity"].envelope.foam_w_per_k
    assert foam / plant.envelope.foam_w_per_k == pytest.approx(1.0 + 0.1 * sign)
    # The config's own way to thicker foam: build it.
    built = plant_of(with_keys("galley_larder", cabinet={"foam_thickness_mm": 50 + 2 * sign}))
    assert found["foam's thickness"].envelope.foam_w_per_k == pytest.approx(
        built.envelope.foam_w_per_k, rel=1e-6
    )
    highest = found["supply voltage"].drive.supply_v
    assert highest == pytest.approx(14.4 if sign > 0 else least_voltage_v(config, plant))


def test_thickness_between_the_ends_is_that_of_a_cabinet_built_so(larder):
    config, plant, _ = larder
    spread = next(s for s in spreads_of(config, plant) if s.name == "foam's thickness")
    built = plant_of(with_keys("galley_larder", cabinet={"foam_thickness_mm": 51.0}))
    drawn = spread.change(plant, 1.0).envelope.foam_w_per_k
    assert drawn == pytest.approx(built.envelope.foam_w_per_k, rel=1e-4)


def test_a_sheet_number_off_makes_the_module_of_a_sheet_that_says_so():
    # The sheet fitted anew with Qmax 4 % higher, against the slopes.
    name = "galley_larder"
    sheet = load_config(name).module.sheet()
    keys = {"couples": sheet.couples, "imax_a": sheet.imax_a, "vmax_v": sheet.vmax_v,
            "dtmax_k": sheet.dtmax_k, "qmax_w": sheet.qmax_w,
            "sheet_hot_side_c": sheet.sheet_hot_side_c}  # fmt: skip

    def sheet_config(qmax_w):
        data = plain_data(load_config(name))
        data["module"] = {**{k: v for k, v in data["module"].items() if k != "preset"}, **keys,
                          "qmax_w": qmax_w}  # fmt: skip
        return build_config(data, name)

    before, after = sheet_config(sheet.qmax_w), sheet_config(1.04 * sheet.qmax_w)
    slopes = sheet_slopes(before, "qmax_w")
    told = np.exp(slopes * np.log(1.04))
    fitted = np.array(extraction_of(after).values) / np.array(extraction_of(before).values)
    assert told == pytest.approx(fitted, rel=1e-3)
    assert np.max(np.abs(slopes)) > 0.1


def test_the_battery_is_drawn_no_lower_than_it_runs(larder):
    # Cut-off 11.6 V; at 11.6 V at rest the module's 6 A over 0.03 ohm would pull it below.
    config, plant, _ = larder
    least = least_voltage_v(config, plant)
    assert 11.6 + 5.0 * 0.03 < least < 12.0
    mains = load_config("film_box")
    assert least_voltage_v(mains, plant_of(mains)) == mains.supply.lowest_voltage_v


def test_no_tolerance_no_spread():
    zero = {"contacts_pct": 0, "foam_conductivity_pct": 0, "foam_thickness_mm": 0, "sinks_pct": 0,
            "leaks_pct": 0, "room_k": 0, "humidity_pct": 0}  # fmt: skip
    config = with_keys("film_box", tolerances=zero)
    parts = {item.part for item in spreads_of(config, plant_of(config))}
    assert parts <= {"module", "supply", "control sensor", "hot-sink sensor", "cold-sink sensor"}


# One draw ----------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["galley_larder", "film_box", "seed_store"])
def test_one_day_is_as_good_as_a_settled_one(name):
    # The cabinet as described, from its own shifted midnight, beside days run until they
    # repeat: a day suffices. Energy within 1 %, contents within 0.05 K, hot sink within 0.6 K.
    config = load_config(name)
    plant, settings = plant_of(config), settings_of(config)
    start = start_of(config, plant, settings, "worst", config.climate.worst_c, 1)
    day = drawn_day(config, settings, start, start.plant, config.climate.worst_c + ZERO_C_K, 1)
    settled = start.findings
    assert day.energy_kwh_per_day == pytest.approx(settled.energy_kwh_per_day, rel=0.01)
    assert day.contents_c.mean == pytest.approx(settled.contents_c.mean, abs=0.05)
    assert day.hot_sink_c.max == pytest.approx(settled.hot_sink_c.max, abs=0.6)


def test_a_drawn_day_is_as_good_as_one_followed_until_it_repeats(bench):
    # Three drawn cabinets: their one day beside theirs settled. Contents within 0.1 K.
    run, settings, starts = bench
    usual = starts[0]
    for index in range(3):
        shares = confirming_draw(index, len(run.spreads), 7)
        room = drawn_room(run.spreads, shares, usual.ambient_c, usual.humidity_pct)
        plant = at_ambient(drawn_plant(run.plant, run.spreads, shares), *room)
        day = drawn_day(run.config, settings, usual, plant, room[0] + ZERO_C_K, 1)
        long = start_of(run.config, plant, settings, "usual", room[0], 1)
        # `start_of` moves the room's humidity back to the config's; that is dry enough here.
        assert day.contents_c.mean == pytest.approx(long.findings.contents_c.mean, abs=0.1)
        assert day.energy_kwh_per_day == pytest.approx(long.findings.energy_kwh_per_day, rel=0.015)


def test_a_sensor_that_reads_high_makes_the_contents_colder(bench):
    run, settings, starts = bench
    usual, spreads = starts[0], run.spreads
    names = [item.name for item in spreads]
    means = []
    for share in (0.0, 0.5, 1.0):
        shares = np.full(len(spreads), 0.5)
        shares[names.index("control sensor")] = share
        plant = at_ambient(drawn_plant(run.plant, spreads, shares), usual.ambient_c,
                           usual.humidity_pct)  # fmt: skip
        day = drawn_day(run.config, settings, usual, plant, usual.ambient_c + ZERO_C_K, 1)
        means.append(day.contents_c.mean)
    # 0.5 K of error either way; the air shares its fall with the walls, the contents follow it.
    assert means[0] - means[1] == pytest.approx(0.5, abs=0.06)
    assert means[1] - means[2] == pytest.approx(0.5, abs=0.06)


def test_steady_point_is_the_one_asked_for_or_the_coldest(larder):
    config, plant, _ = larder
    point = steady_near(config, plant, 295.15, ZERO_C_K + 9.0, 1.0)
    assert point.air_k == pytest.approx(ZERO_C_K + 9.0, abs=0.05)
    least = steady_near(config, plant, 295.15, ZERO_C_K - 40.0, 1.0)
    assert least.duty == pytest.approx(1.0)
    idle = steady_near(config, plant, 280.15, ZERO_C_K + 30.0, 1.0)
    assert idle.duty == 0.0


def test_result_does_not_depend_on_the_number_of_workers(bench):
    run, settings, starts = bench
    points = np.array([confirming_draw(n, len(run.spreads), 7) for n in range(4)])
    one = replace(run, workers=1).run(settings, starts, points, 0, 2)
    two = replace(run, workers=2).run(settings, starts, points, 0, 2)
    again = [
        judged(run.config, run.plant, settings, starts, run.spreads, points[n], n,
               noise_seed(7, 2, n))
        for n in reversed(range(4))
    ]  # fmt: skip
    assert one == two == again[::-1]
    assert len({item.energy_kwh_per_day for item in one}) == 4


def test_every_limit_of_both_rooms_is_judged(bench):
    run, settings, starts = bench
    shares = np.full(len(run.spreads), 0.5)
    found = judged(run.config, run.plant, settings, starts, run.spreads, shares, 0, 1)
    for name in ("contents mean", "contents mean, cold side", "hot sink", "foam at the hot sink",
                 "contents coldest", "ice in the fin gaps"):  # fmt: skip
        assert {f"{name}, usual", f"{name}, worst"} <= set(found.margins)
    assert "fuse, 1.25 x current, start-up" in found.margins
    assert found.tightest == min(found.margins.values())
    # A limit no cabinet keeps must fail the draw.
    hot = with_keys("galley_larder", limits={"hot_sink_max_c": 30.0})
    broken = judged(hot, run.plant, settings, starts, run.spreads, shares, 0, 1)
    assert not broken.holds
    assert "hot sink, worst" in broken.failed


# What is made of the draws -----------------------------------------------------------------


def draws_of(margins, name="a, usual"):
    return [
        Draw(n, (name,) if value < 0 else (), {name: float(value), "b, usual": 5.0},
             float(min(value, 5.0)), 1.0)
        for n, value in enumerate(margins)
    ]  # fmt: skip


def test_the_part_that_decides_is_found(larder):
    config, plant, _ = larder
    spreads = spreads_of(config, plant)
    points = comparing_draws(64, len(spreads), 1)
    sensor = [item.name for item in spreads].index("control sensor")
    leaks = [item.name for item in spreads].index("leaks")
    margins = 2.0 - 2.0 * points[:, sensor] - 0.5 * points[:, leaks]
    parts = parts_of(spreads, points, draws_of(margins), "a, usual")
    assert [item.name for item in parts[:2]] == ["control sensor", "leaks"]
    # Independent draws: the shares go about with the squares of the effects, 16 to 1.
    assert parts[0].rank_correlation < -0.9
    assert 0.8 < parts[0].share < 1.0
    assert sum(item.share for item in parts) == pytest.approx(1.0)


def test_limit_at_risk():
    assert limit_at_risk(draws_of([1.0, 0.5, -0.1])) == "a, usual"
    assert limit_at_risk(draws_of([1.0, 0.5, 0.1])) == "a, usual"  # "b" never moves


def test_better_by_chance_is_a_sign_test():
    # Five gained, none lost: 2^-5 by hand; nothing changed: 1.
    before, after = draws_of([-1] * 5 + [1] * 3), draws_of([1] * 8)
    assert better_by_chance(before, after) == pytest.approx(2.0**-5)
    assert better_by_chance(before, before) == 1.0
    assert better_by_chance(after, before) == pytest.approx(1.0)


def test_variants_speak_to_what_failed(larder):
    from collections import Counter

    config, _, settings = larder
    warm = dict(variants_of(config, settings, Counter({"contents mean, worst": 9})))
    assert all(item.setpoint_c < settings.setpoint_c for item in warm.values()) and warm
    cold = dict(variants_of(config, settings, Counter({"contents mean, cold side, usual": 9})))
    assert all(item.setpoint_c > settings.setpoint_c for item in cold.values()) and cold
    hot = dict(variants_of(config, settings, Counter({"hot sink, worst": 9})))
    assert [item.duty_limit for item in hot.values()] == [pytest.approx(0.9)]
    bare = replace(settings, defrost=None)
    ice = dict(variants_of(config, bare, Counter({"growth of ice, worst": 9})))
    assert ice["defrost every 24 h"].defrost.interval_ticks == 24 * 3600
    assert variants_of(config, settings, Counter()) == []


def test_the_setpoint_is_followed_the_way_that_helps(larder):
    config, _, settings = larder
    step = setpoint_step_k(config)
    colder = replace(settings, setpoint_c=round(settings.setpoint_c - step, 1))
    tried = [Variant("as tuned", settings, 64, 35), Variant("setpoint colder", colder, 64, 30)]
    found = [
        item.setpoint_c - settings.setpoint_c for _, item in further_of(config, settings, tried)
    ]
    assert found == pytest.approx([-2.0 * step, -3.0 * step])
    worse = [tried[0], replace(tried[1], failed=36)]
    assert further_of(config, settings, worse) == []


def test_a_setpoint_off_centre_is_moved_back():
    # Flashed 0.8 K too warm: about half the cabinets break "contents mean"; common draws find it.
    config = with_keys("galley_larder", use={"contents_max_c": 12.0})
    plant = plant_of(config)
    warm = replace(settings_of(config), setpoint_c=8.6)
    found = tolerance_of(config, plant, warm, seed=3, draws=20, compared=16, workers=2)
    assert found.variants[0].failed >= 5
    assert "colder" in found.change
    assert found.settings.setpoint_c < 8.6
    assert found.holds / found.draws > 1.0 - found.variants[0].failed / 16
    assert found.share_at_least < 0.95 and not found.kept  # 20 draws cannot show 0.95
    assert found.measure_first in {item.part for item in found.parts}
    low, high = found.energy_range_kwh_per_day
    assert 0.3 < low < high < 2.0


def test_a_lower_voltage_holds_less():
    config = load_config("galley_larder")
    plant, settings = plant_of(config), settings_of(config)
    found = tolerance_of(config, plant, settings, seed=3, draws=4, compared=4, workers=2)
    from ctrl.bottlenecks import worst_coldest_c

    # 12.6 V to 11.84 V of a module short of its best current: a few tenths of a kelvin warmer.
    assert 0.1 < found.coldest_at_least_voltage_c - worst_coldest_c(config) < 1.5
