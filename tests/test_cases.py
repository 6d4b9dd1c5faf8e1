"""One case's limits and verdict: a truth table, and real cold rooms."""

from dataclasses import replace

import numpy as np
import pytest
from cold_start import cold_start_ohm

from ctrl.build import plant_of, with_supply_v
from ctrl.candidates import setpoint_for
from ctrl.capability import at_duty, coldest_holdable, limits_of
from ctrl.cases import (
    ADVISORY,
    CANNOT,
    COLD_SIDE,
    HOLDS,
    WITH_DEFROST,
    Case,
    at_least,
    at_most,
    barely_kept,
    contents_min_c,
    current_limits,
    deciding_case,
    energy_boundary,
    ice_limit,
    is_cold_room,
    judge,
    limits_found,
    ranging_beyond,
    run_case,
    unguarded_limits,
    with_poor_parts,
)
from ctrl.config import build_config, load_config, plain_data
from ctrl.findings import Span, findings_of
from ctrl.firmware import settings_of
from ctrl.ice import Ice
from ctrl.loop import COOLING
from ctrl.record import COLUMNS, INDEX, Record
from ctrl.screen_recommend import _lack
from plant.constants import ZERO_C_K

NO_ICE = Ice(0.0, 0.0, 0.0, None, 8.0, 8.0, 0.5, 3, 5.0)
ICED = replace(NO_ICE, growth_g_per_day=2.0, blockage_pct=12.0)


def changed(name, **tables):
    data = plain_data(load_config(name))
    for table, keys in tables.items():
        merged = {**data.get(table, {}), **keys}
        data[table] = {key: value for key, value in merged.items() if value is not None}
    return build_config(data, name)


@pytest.fixture(scope="module")
def galley():
    """(config, plant, coldest) of the galley larder: drinks at 8 +/- 1 °C, not below 2 °C."""
    config = load_config("galley_larder")
    plant = plant_of(config)
    return config, plant, coldest_holdable(plant, plant.climate.mean_k, limits_of(config))


def found_like(**values):
    """Return the findings of a quiet day at 8 °C, with some of them changed."""
    table = np.zeros((4320, len(COLUMNS)))
    table[:, INDEX["time_s"]] = np.arange(1, 4321) * 20.0
    quiet = {"air_c": 8.0, "contents_c": 8.0, "hot_sink_c": 35.0, "foam_c": 35.0,
             "hot_face_c": 38.0, "air_rh_pct": 50.0, "wall_surface_c": 8.0, "duty": 0.6,
             "state": COOLING, "ambient_c": 22.0}  # fmt: skip
    for name, value in quiet.items():
        table[:, INDEX[name]] = value
    record = Record(table, 1.0, 20.0, np.zeros(1), np.zeros(1), 0.0, 0.0, 1, 0)
    found = findings_of(record, 8.0, 1.0, "battery terminals")
    for name, value in values.items():
        old = getattr(found, name)
        if isinstance(value, dict):
            value = replace(old, **value)
        found = replace(found, **{name: value})
    return found


def verdict_of(galley, found, ice=NO_ICE, plan_works=False, config=None):
    shipped, plant, coldest = galley
    config = config or shipped
    limits = limits_found(config, plant, found, "usual")
    return judge(config, found, coldest, limits, ice, plan_works)


# Limits ----------------------------------------------------------------------------------


def test_margins_are_positive_when_kept():
    kept, broken = (at_most("x", value, 70.0, "°C", "usual", 10.0) for value in (60.0, 75.0))
    assert (kept.margin, kept.kept) == (10.0, True)
    assert (broken.margin, broken.kept) == (-5.0, False)
    above, below = (at_least("x", value, 2.0, "°C", "usual", 1.0) for value in (3.5, 1.0))
    assert (above.margin, above.kept) == (1.5, True)
    assert (below.margin, below.kept) == (-1.0, False)
    assert at_most("x", 5.0, 5.0, "°C", "usual", 1.0).kept  # on the line counts as kept


def test_every_limit_of_the_config_is_held_against_its_finding(galley):
    config = changed("galley_larder", use={"contents_max_c": 12.0, "humidity_limit_pct": 70.0})
    found = found_like()
    values = {
        item.name: (item.value, item.limit)
        for item in limits_found(config, galley[1], found, "usual")
    }
    assert values == {
        "contents mean": (pytest.approx(8.0), 9.0),  # target 8 and tolerance 1
        "contents mean, cold side": (pytest.approx(8.0), 7.0),
        "hot sink": (35.0, 70.0),
        "foam at the hot sink": (35.0, 66.0),  # foam suppliers' sheets
        "module hot face": (38.0, 80.0),
        "walls above the dew point": (pytest.approx(found.wall_margin_k), 0.0),
        "outside above the room's dew point": (pytest.approx(found.outside_margin_k), 0.0),
        "contents warmest": (8.0, 12.0),
        "contents coldest": (8.0, 2.0),
        "humidity inside": (pytest.approx(50.0), 70.0),
    }


def test_the_coldest_allowed_defaults_to_half_a_kelvin_above_freezing():
    config = changed("galley_larder", use={"contents_min_c": None})
    # The soft drink freezes at -0.6 °C.
    assert contents_min_c(config, plant_of(config)) == pytest.approx(-0.1)
    own = load_config("galley_larder")
    assert contents_min_c(own, plant_of(own)) == 2.0
    dry = load_config("seed_store")  # dry seed does not freeze
    assert contents_min_c(dry, plant_of(dry)) is None


def test_ice_is_held_against_the_share_of_the_gaps():
    limit = ice_limit(ICED, "worst")
    assert (limit.value, limit.limit, limit.margin, limit.kept) == (12.0, 5.0, -7.0, False)


# Verdicts --------------------------------------------------------------------------------


def test_a_spare_below_the_sensors_tolerance_is_told(galley):
    # 8.93 °C of 9 allowed; the galley's sensor may be 0.5 K off.
    found = found_like(contents_c={"mean": 8.93})
    verdict, reason, marked = verdict_of(galley, found)
    assert verdict == HOLDS
    assert "contents mean, 0.07 K to spare, less than the 0.5 K the sensor may be off" in reason
    assert [item.name for item in marked if item.is_barely_kept] == ["contents mean"]
    ample = verdict_of(galley, found_like())
    assert not any(item.is_barely_kept for item in ample[2])
    assert "less than" not in ample[1]
    # With the module idle no sensor holds anything.
    idle = verdict_of(galley, found_like(contents_c={"mean": 8.93}, duty_mean=0.0))[2]
    assert not any(item.is_barely_kept for item in idle)


def test_with_a_plan_the_tightest_limit_and_the_light_frost_are_told(galley):
    """Nothing but "holds, with the defrost plan" was printed before."""
    config, plant, coldest = galley
    found = found_like(contents_c={"mean": 8.93})
    left = replace(NO_ICE, blockage_pct=4.4, blockage_range_pct=(3.9, 6.08), range_ices=True)
    row = ice_limit(left, "worst")
    assert row.kept and row.is_barely_kept and row.known_to == pytest.approx(1.68)
    limits = limits_found(config, plant, found, "worst")
    verdict, reason, _ = judge(config, found, coldest, limits, ICED, True, row)
    assert verdict == WITH_DEFROST
    assert "tightest limit: contents mean, 0.07 K to spare" in reason
    assert "ice in the fin gaps, 0.6 % to spare, up to 6.1 % closed with frost 50 %" in reason
    sure = replace(row, known_to=0.1)
    reason = judge(config, found, coldest, limits, ICED, True, sure)[1]
    assert "denser" not in reason


def case_like(galley, name, **values):
    """Return a case judged from made-up findings."""
    config, _, coldest = galley
    found = found_like(**values)
    verdict, reason, marked = verdict_of(galley, found)
    return Case(name, 22.0, 60.0, verdict, reason, coldest.contents_c, coldest.decided_by, found,
                NO_ICE, tuple(replace(x, case=name) for x in marked), None, None, None)  # fmt: skip


def test_of_rooms_that_hold_the_one_with_least_to_spare_is_the_headline(galley):
    config = galley[0]
    usual = case_like(galley, "usual")
    tight = case_like(galley, "worst", contents_c={"mean": 8.93, "max": 11.4, "min": 6.5})
    broken = case_like(galley, "coldest", contents_c={"mean": 9.5})
    assert deciding_case([usual, tight]).name == "worst"
    assert deciding_case([usual, tight, broken]).name == "coldest"
    assert [(x.case, x.name) for x in barely_kept(config, [usual, tight])] == [
        ("worst", "contents mean")
    ]
    # 11.4 °C is 2.4 K beyond 8 +/- 1; 9 °C would be none.
    assert ranging_beyond(config, [usual, tight]).name == "worst"
    assert ranging_beyond(config, [usual]) is None


@pytest.mark.parametrize(
    ("values", "ice", "plan_works", "verdict", "words"),
    [
        ({}, NO_ICE, False, HOLDS, "holds; tightest limit: contents mean, 1.0 K"),
        ({}, ICED, True, WITH_DEFROST, "defrost plan"),
        ({}, ICED, False, CANNOT, "ices up"),
        ({"contents_c": {"mean": 9.5}}, NO_ICE, False, CANNOT, "too warm: contents 9.5"),
        ({"contents_c": {"mean": 9.5}}, ICED, True, CANNOT, "too warm"),
        ({"contents_c": {"min": 1.0}}, NO_ICE, False, CANNOT, "too cold: contents fall to 1.0"),
        ({"hot_sink_c": {"max": 75.0}}, NO_ICE, False, CANNOT, "hot sink: 75.0 °C, limit 70"),
        ({"foam_c": {"max": 67.0}}, NO_ICE, False, CANNOT, "foam at the hot sink: 67.0"),
        ({"hot_face_c": {"max": 81.0}}, NO_ICE, False, CANNOT, "module hot face: 81.0"),
        ({"wall_margin_k": -3.0}, NO_ICE, False, HOLDS, "contents mean"),  # a nuisance only
        # A warm room leaves no excuse for cold contents; a cold one does.
        ({"contents_c": {"mean": 5.0}}, NO_ICE, False, CANNOT, "too cold: contents 5.0"),
        (
            {"contents_c": {"mean": 5.0}, "duty_mean": 0.0, "ambient_c": {"mean": 4.0}},
            NO_ICE, False, HOLDS, "colder than wanted, 5.0 °C: the room is",
        ),
        (
            {"contents_c": {"mean": 7.5}, "duty_mean": 0.0, "ambient_c": {"mean": 7.0}},
            NO_ICE, False, HOLDS, "idles",
        ),
        (
            {"states_seen": (1, 6)}, NO_ICE, False, CANNOT,
            "stopped the module: off, sensor or fan fault",
        ),
        ({"states_seen": (1, 7)}, NO_ICE, False, CANNOT, "stopped the module: off, tripped"),
    ],
)  # fmt: skip
def test_truth_table(galley, values, ice, plan_works, verdict, words):
    found = found_like(**values)
    given, reason, marked = verdict_of(galley, found, ice, plan_works)
    assert given == verdict
    assert words in reason
    assert sum(item.decided for item in marked) == 1


def test_the_worst_failure_is_told_first(galley):
    # 0.5 K too warm in the mean is one ample margin, 30 K of the hot sink are three.
    found = found_like(contents_c={"mean": 9.5}, hot_sink_c={"max": 100.0})
    _, reason, marked = verdict_of(galley, found)
    assert reason.startswith("hot sink")
    assert [item.name for item in marked if item.decided] == ["hot sink"]


def test_out_of_reach_is_told_from_badly_set(galley):
    config, plant, coldest = galley
    wanted = changed("galley_larder", use={"target_c": coldest.contents_c - 3.0,
                                           "contents_min_c": None})  # fmt: skip
    found = found_like(contents_c={"mean": coldest.contents_c, "min": coldest.contents_c})
    verdict, reason, _ = verdict_of(galley, found, config=wanted)
    assert verdict == CANNOT
    assert reason.startswith(f"too hot: the coldest the contents can be held at is "
                             f"{coldest.contents_c:.1f} °C")  # fmt: skip


def test_humidity_fails_only_where_a_limit_is_set(galley):
    found = found_like(air_rh_pct={"mean": 92.0})
    assert verdict_of(galley, found)[0] == HOLDS
    config = changed("galley_larder", use={"humidity_limit_pct": 85.0})
    verdict, reason, _ = verdict_of(galley, found, config=config)
    assert verdict == CANNOT
    assert reason == "humidity inside: 92.0 %, limit 85 %"


def test_what_is_advisory_never_decides(galley):
    found = found_like(wall_margin_k=-10.0)
    verdict, _, marked = verdict_of(galley, found)
    assert verdict == HOLDS
    assert {item.name for item in marked} >= ADVISORY
    assert not any(item.decided for item in marked if item.name in ADVISORY)


def test_a_cold_room_is_no_failure_on_the_screen_either(galley):
    """Contents below the band because the room is: told as the verdict counts it."""
    cold = replace(found_like(), ambient_c=Span(4.0, 5.0, 6.0))
    config, _, _ = galley
    assert is_cold_room(config, cold) and not is_cold_room(config, found_like())
    short = at_least(COLD_SIDE, 4.9, 7.0, "°C", "coldest", 0.5)
    assert _lack(short, {"coldest"}) == "not kept: "
    assert _lack(short, set()) == "FAILED: "
    assert _lack(replace(short, margin=0.1), set()) == ""


# Real cold rooms -------------------------------------------------------------------------


def test_a_room_below_freezing_is_too_cold():
    # No heater: in a room at -6 °C drinks end near -6 °C, and the verdict says so.
    config = changed("galley_larder", climate={"coldest_c": -6.0})
    plant = plant_of(config)
    settings = replace(settings_of(config), setpoint_c=7.8, defrost=None)
    run = run_case(config, plant, settings, -6.0, 60.0, seed=1, run=0)
    found = run.findings
    limits = limits_found(config, run.plant, found, "coldest")
    verdict, reason, _ = judge(config, found, run.coldest, limits, NO_ICE, False)
    print(f"room at -6 °C: contents {found.contents_c.mean:.1f} °C, duty {found.duty_mean:.3f}")
    assert verdict == CANNOT
    assert reason.startswith("too cold: contents fall to")
    assert reason.endswith("it would need heating")
    assert found.contents_c.min < 0.0


def test_a_cool_room_idles_and_holds():
    # No load and few doors: 5 °C outside is 5 °C inside, plus what 1 W of fan adds.
    config = changed("galley_larder", use={"load_share": 0.0})
    settings = replace(settings_of(config), setpoint_c=7.8, defrost=None)
    run = run_case(config, plant_of(config), settings, 4.0, 60.0, seed=1, run=0)
    found = run.findings
    limits = limits_found(config, run.plant, found, "coldest")
    verdict, reason, _ = judge(config, found, run.coldest, limits, NO_ICE, False)
    assert found.duty_mean < 0.01
    assert 4.0 < found.contents_c.mean < 6.0
    assert verdict == HOLDS
    assert reason.startswith("colder than wanted")


def test_a_case_run_starts_where_it_ends():
    # Settled within its days from the estimate; contents within 0.3 K of the aim.
    config = load_config("film_box")
    plant = plant_of(config)
    coldest = coldest_holdable(plant, plant.climate.mean_k, limits_of(config))
    settings = replace(settings_of(config), setpoint_c=setpoint_for(config, plant, coldest))
    run = run_case(config, plant, settings, config.climate.usual_c, 50.0, seed=1, run=0)
    assert run.findings.settled
    assert run.settled.days <= 4
    assert run.findings.contents_c.mean == pytest.approx(12.0, abs=0.3)


# Currents --------------------------------------------------------------------------------


def test_a_relay_that_nothing_cuts_back():
    """Fish box at 14.4 V, 38 °C, full on: poor parts bring its foam past 66 °C; half the sink's
    resistance does not."""
    config = load_config("summer_fish_box")
    plant = plant_of(config)
    large = changed("summer_fish_box", hot_sink={"fan_k_per_w": 0.15})
    foam, well = (
        next(item for item in unguarded_limits(box, plant_of(box)) if "foam" in item.name)
        for box in (config, large)
    )
    assert (foam.limit, foam.case) == (66.0, "highest voltage, poor parts")
    assert foam.margin < 0.0 < well.margin
    # With parts as stated it stays just below: the tolerances decide.
    hot_k = ZERO_C_K + config.climate.worst_c + 0.5 * config.climate.daily_swing_k
    stated = at_duty(with_supply_v(plant, 14.4), 1.0, hot_k).foam_k - ZERO_C_K
    print(f"foam {stated:.1f} °C with parts as stated, {foam.value:.1f} °C with poor ones")
    assert 63.0 < stated < 66.0
    # By hand: at a given voltage heat goes about with 1/R, and the rise with heat x K/W.
    poor = with_poor_parts(config, plant)
    more = (
        plant.module.resistance_ohm / poor.module.resistance_ohm
        * plant.hot_sink.fan_w_per_k / poor.hot_sink.fan_w_per_k
    )  # fmt: skip
    rise_k = stated - (hot_k - ZERO_C_K)
    assert foam.value - stated == pytest.approx(rise_k * (more - 1.0), rel=0.3)
    # Guarded by a pulsed drive, nothing is left to this limit.
    pulsed = load_config("galley_larder")
    assert unguarded_limits(pulsed, plant_of(pulsed)) == []


def test_start_up_currents_by_hand():
    # Galley larder: 14.4 V (a battery on charge) over module, wire, switch and battery; the
    # fans' 3.4 W beside it. No difference, so no Seebeck voltage.
    config = load_config("galley_larder")
    plant = plant_of(config)
    by_name = {item.name: item for item in current_limits(config, plant)}
    ohm = cold_start_ohm(config, plant) + 2 * 3.0 * 1.724e-8 / 2.5e-6 + 0.02 + 0.03
    amps = 14.4 / ohm + 3.4 / 14.4
    assert by_name["current in the wire"].value == pytest.approx(amps, rel=1e-9)
    assert by_name["fuse, 1.25 x current"].value == pytest.approx(1.25 * amps, rel=1e-9)
    assert by_name["supply current"].limit == 30.0
    # Two rows of the wiring table: 8 A at 0.82 mm2, 15 A at 2.08 mm2; 2.5 mm2 a little above.
    assert 15.0 < by_name["fuse protects the wire"].limit < 18.0
    assert by_name["fuse protects the wire"].value == 10.0
    assert all(item.kept and item.case == "start-up" for item in by_name.values())
    thin = changed("galley_larder", supply={"wire_mm2": 0.75})
    broken = {item.name for item in current_limits(thin, plant_of(thin)) if not item.kept}
    assert broken == {"fuse protects the wire"}  # 10 A fuse, 7.5 A wire; and 7 A flow in it


def test_energy_is_counted_where_it_is_paid():
    boundaries = {
        name: energy_boundary(load_config(name)) for name in ("seed_store", "galley_larder")
    }
    assert boundaries == {"seed_store": "mains plug", "galley_larder": "battery terminals"}
