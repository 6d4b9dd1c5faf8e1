"""Kinds of defrost: what starts a melt, current reversed, and the choice between them.

Readings are made up by rule here; the cabinet itself answers in the last part.
"""

from dataclasses import replace

import numpy as np
import pytest

from ctrl import defrost
from ctrl.config import ConfigError, build_config, load_config, plain_data
from ctrl.defrost import (
    DEFROST_STATE_WORDS,
    KIND_OF,
    M_COUNT,
    M_END,
    M_PHASE,
    M_REVERSE,
    M_WHY,
    PHASE_DRIP,
    PHASE_MELT,
    PHASE_RUN,
    START_CLOCK,
    START_GROWN,
    START_REST,
    DefrostSettings,
    advance_defrost,
    reset_defrost,
)
from ctrl.defrost_demand import has_grown
from ctrl.defrost_kinds import (
    TriedDefrost,
    allowed_kinds,
    chosen_of,
    plan_kind,
    variants,
    why_not,
)
from ctrl.firmware import defrost_of, firmware_of, settings_of
from ctrl.fixed_point import NO_SENSOR
from ctrl.ice import DefrostPlan, Ice
from ctrl.loop import Loop
from plant import cabinet, drive
from plant.cabinet import to_record

QUICK = DefrostSettings(
    kind=KIND_OF["timed"], interval_ticks=100, end_c100=300, hold_ticks=3, longest_ticks=40,
    drip_ticks=5, learn_ticks=60, settle_ticks=10, share_permille=300, latest_ticks=1000,
    reverse_permille=250, ramp_permille=50, pause_ticks=4,
)  # fmt: skip


class Plan:
    """A plan on its own, tick by tick."""

    def __init__(self, step=advance_defrost, **changed):
        self.words = replace(QUICK, **changed).to_words()
        self.state = np.zeros(DEFROST_STATE_WORDS, dtype=np.int64)
        self.step = step
        reset_defrost(self.state, 0)

    def run(self, ticks, air=500, sink=0, duty=1000, may_start=1):
        """Return the phases of so many ticks."""
        return [
            int(self.step(self.words, 0, self.state, 0, air, sink, may_start, duty))
            for _ in range(ticks)
        ]

    def melt_and_go_on(self):
        """End the melt that is on by warmth, and drip."""
        self.run(3, sink=400)
        assert self.state[M_PHASE] == PHASE_DRIP
        self.run(5, sink=400)
        assert self.state[M_PHASE] == PHASE_RUN


# What starts a melt ----------------------------------------------------------------------


def test_off_cycle_waits_for_the_modules_rest():
    plan = Plan(kind=KIND_OF["off_cycle"])
    assert set(plan.run(100, duty=0)) == {PHASE_RUN}  # rests before the interval do not count
    assert set(plan.run(50, duty=1000)) == {PHASE_RUN}
    assert plan.run(1, duty=0) == [PHASE_MELT]
    assert plan.state[M_WHY] == START_REST


def test_off_cycle_without_a_rest_starts_by_the_clock():
    plan = Plan(kind=KIND_OF["off_cycle"])
    phases = plan.run(1001)
    assert phases.index(PHASE_MELT) == 1000
    assert plan.state[M_WHY] == START_CLOCK


def grown(share_of_clean, duty=1000, learnt_at=1000, **changed):
    """Return a demand plan that learnt 5.00 K, then saw it grow; and whether it melts."""
    plan = Plan(kind=KIND_OF["demand"], **changed)
    plan.run(1001)  # the first melt, by the clock
    assert plan.state[M_PHASE] == PHASE_MELT
    plan.melt_and_go_on()
    plan.run(61, air=500, sink=0, duty=learnt_at)  # 5.00 K when clean
    difference = round(500 * share_of_clean * duty / 1000)
    phases = plan.run(700, air=500, sink=500 - difference, duty=duty)
    return plan, PHASE_MELT in phases


def test_a_difference_grown_by_the_share_starts_a_melt():
    # 30 % on 5.00 K is 6.50 K.
    plan, melts = grown(1.33)
    assert melts
    assert plan.state[M_WHY] == START_GROWN
    assert not grown(1.27)[1]
    assert grown(1.27, share_permille=200)[1]


def test_differences_are_compared_at_equal_duty_in_proportion():
    # In the band of an eighth: 0.96 of full duty with 0.96 of the difference is no ice ...
    assert not grown(1.2, duty=960)[1]
    assert grown(1.4, duty=960)[1]
    # ... and at half duty nothing was ever seen clean: not judged, however large.
    assert not grown(3.0, duty=500)[1]


def test_nothing_is_learnt_after_a_melt_that_time_ended():
    plan = Plan(kind=KIND_OF["demand"])
    plan.run(1001)
    plan.run(45, sink=-100)  # never warm: the longest time ends it
    assert plan.state[M_END] == defrost.END_TIME
    assert PHASE_MELT not in plan.run(700, sink=-500)


def test_demand_without_a_cold_sink_reading_goes_by_the_clock():
    plan = Plan(kind=KIND_OF["demand"])
    phases = plan.run(1001, sink=NO_SENSOR)
    assert phases.index(PHASE_MELT) == 1000


# Current reversed ------------------------------------------------------------------------


def test_reversed_pauses_rises_slowly_and_ends_at_the_end_temperature():
    plan = Plan(kind=KIND_OF["reversed"])
    plan.run(100)
    levels = []
    for _ in range(12):
        plan.run(1)
        levels.append(int(plan.state[M_REVERSE]))
    # Four ticks of pause, then 5 % a tick up to 25 %.
    assert levels == [0, 0, 0, 0, 50, 100, 150, 200, 250, 250, 250, 250]
    plan.run(1, sink=300)
    assert (plan.state[M_REVERSE], plan.state[M_PHASE]) == (0, PHASE_MELT)
    plan.run(2, sink=310)
    assert plan.state[M_PHASE] == PHASE_DRIP


def test_reversed_never_without_a_reading_and_off_before_it_cools_again():
    blind = Plan(kind=KIND_OF["reversed"])
    blind.run(120, sink=NO_SENSOR)
    assert (blind.state[M_PHASE], blind.state[M_REVERSE]) == (PHASE_MELT, 0)
    warm = Plan(kind=KIND_OF["reversed"], abort_c100=900)
    warm.run(112)
    assert warm.state[M_REVERSE] > 0
    assert warm.run(1, air=950) == [PHASE_DRIP]
    assert warm.state[M_REVERSE] == 0


def test_a_reversed_plan_needs_time_to_drip():
    with pytest.raises(ValueError, match="drip_ticks"):
        replace(QUICK, kind=KIND_OF["reversed"], drip_ticks=0)


@pytest.mark.parametrize("kind", list(KIND_OF))
def test_compiled_and_plain_agree(kind):
    fast = Plan(kind=KIND_OF[kind], interval_ticks=30, latest_ticks=90)
    plain = Plan(advance_defrost.py_func, kind=KIND_OF[kind], interval_ticks=30, latest_ticks=90)
    draw = np.random.default_rng(7)
    for _ in range(1500):
        air, sink = int(draw.integers(200, 900)), int(draw.integers(-900, 600))
        duty = int(draw.choice([0, 130, 500, 1000]))
        assert fast.run(1, air, sink, duty) == plain.run(1, air, sink, duty)
        assert np.array_equal(fast.state, plain.state)
    assert kind == "none" or fast.state[M_COUNT] > 3


def test_the_watch_on_the_difference_alone_agrees_with_plain():
    words = QUICK.to_words()
    states = [np.zeros(DEFROST_STATE_WORDS, dtype=np.int64) for _ in range(2)]
    draw = np.random.default_rng(3)
    for _ in range(800):
        given = (int(draw.integers(-200, 32767)), int(draw.integers(0, 1001)),
                 int(draw.integers(-1, 100)), 3)  # fmt: skip
        both = [
            step(words, 0, state, 0, *given)
            for step, state in zip((has_grown, has_grown.py_func), states, strict=True)
        ]
        assert both[0] == both[1]
        assert np.array_equal(*states)


# The drive turned round ------------------------------------------------------------------


def test_a_bridge_swaps_the_leads_and_the_modules_own_voltage_helps():
    # 12 V, a dT = 0.05 V/K x 30 K = 1.5 V, R + wires = 2 + 0.1 ohm: by hand.
    config = load_config("galley_larder")
    part = replace(
        drive.Drive(**{**_drive_of(config), "supply_v": 12.0, "wire_ohm": 0.06, "switch_ohm": 0.02,
                       "source_ohm": 0.02}),
    )  # fmt: skip
    record = _record(part)
    forward, _, _ = drive.mean_currents(record, 0.05, 2.0, 1.0, 30.0)
    back, square, power_w = drive.mean_currents(record, 0.05, 2.0, -1.0, 30.0)
    assert forward == pytest.approx((12.0 - 1.5) / 2.1)
    assert back == pytest.approx(-(12.0 + 1.5) / 2.1)
    assert square == pytest.approx(back**2)
    assert power_w == pytest.approx(6.428571 * (12.0 - 6.428571 * 0.02), rel=1e-6)
    quarter, _, _ = drive.mean_currents(record, 0.05, 2.0, -0.25, 30.0)
    assert quarter == pytest.approx(0.25 * back)


def _drive_of(config):
    from ctrl.build import plant_of

    return vars(plant_of(config).drive)


def _record(part):
    from ctrl.build import plant_of

    return to_record(replace(plant_of(load_config("galley_larder")), drive=part)).drive


# The cabinet answers ---------------------------------------------------------------------


@pytest.fixture(scope="module")
def iced():
    """(config with a bridge, plant, state with 30 g of ice on a sink at -5 °C)."""
    from ctrl.build import plant_of
    from ctrl.capability import at_duty

    data = plain_data(load_config("galley_larder"))
    data["drive"]["reversible"] = True
    config = build_config(data, "iced larder")
    plant = plant_of(config)
    from ctrl.trial import steady_state

    state = steady_state(plant, at_duty(plant, 0.9, 295.15))
    state[cabinet.FROST] += 0.030
    state[cabinet.FROST_VOLUME] += 0.030 / 200.0
    cabinet.set_cold_sink(to_record(plant), state, 273.15 - 5.0)
    return config, plant, state


def melt(iced, kind, **more):
    """Return (minutes until the sink is clear, record) of one melt that begins at once."""
    config, plant, state = iced
    plan = DefrostSettings.from_physical(
        interval_s=60.0, longest_s=7200.0, drip_s=240.0, tick_s=1.0, kind=kind, **more
    )
    settings = replace(settings_of(config), controller="pi", setpoint_c=1.0, defrost=plan)
    record = Loop(plant, firmware_of(config, settings), state, seed=1).run(5400.0, 10.0)
    gone = np.flatnonzero(record["frost_g"] < 0.05)
    assert gone.size > 0
    return (gone[0] + 1) / 6.0, record


def test_reversed_current_melts_faster_and_balances(iced, note):
    slow_min, _ = melt(iced, "timed")
    fast_min, record = melt(iced, "reversed", reverse_share=0.25)
    note(f"30 g of ice gone after {slow_min:.0f} min, with current reversed {fast_min:.0f} min")
    assert fast_min < 0.7 * slow_min
    assert record["current_a"].min() < -0.5
    assert abs(record.energy_residual_rel) < 1e-9
    assert abs(record.water_residual_rel) < 1e-9
    turned = record["current_a"] < 0.0
    # A row holds the largest current since the row before, but the fan at its end.
    assert record["cold_fan"][turned].mean() < 0.1
    assert record["hot_fan"][turned].mean() > 0.9


# Config and choice -----------------------------------------------------------------------


def config_with(defrost_kind, **drive_keys):
    data = plain_data(load_config("galley_larder"))
    data["defrost"]["kind"] = defrost_kind
    data["drive"] |= drive_keys
    return data


def test_a_kind_needs_its_hardware():
    data = config_with("demand")
    assert defrost_of(build_config(data, "x"), 1.0).kind == KIND_OF["demand"]
    del data["cold_sink_sensor"]
    with pytest.raises(ConfigError, match="cold_sink_sensor"):
        build_config(data, "x")
    with pytest.raises(ConfigError, match="reversible"):
        build_config(config_with("reversed"), "x")
    plan = defrost_of(build_config(config_with("reversed", reversible=True), "x"), 1.0)
    assert (plan.kind, plan.reverse_permille) == (KIND_OF["reversed"], 250)
    with pytest.raises(ConfigError, match="reversible"):
        relay = config_with("timed", kind="relay", reversible=True)
        del relay["drive"]["frequency_hz"]
        build_config(relay, "x")


def test_kinds_that_the_hardware_allows():
    larder, store = load_config("galley_larder"), load_config("seed_store")
    assert allowed_kinds(larder, "pi") == ("timed", "demand")
    assert allowed_kinds(store, "on_off") == ("timed", "off_cycle")  # no sensor on its sink
    bridge = build_config(config_with("reversed", reversible=True), "x")
    assert allowed_kinds(bridge, "pi") == ("timed", "demand", "reversed")


def ice_of_plan(kwh, warmest_c, blockage=3.0, mean_c=4.0):
    return Ice(0.0, 5.0, blockage, (2.0, 6.0), warmest_c, mean_c, kwh, 3, 5.0)


def tried(kind, kwh, warmest_c, works=True):
    return TriedDefrost(kind, QUICK, ice_of_plan(kwh, warmest_c), works)


def ranging(kind, kwh, most_pct):
    """Return one tried that works as reckoned and closes `most_pct` of a 5 % limit when light."""
    item = tried(kind, kwh, 8.0)
    ends = {"blockage_range_pct": (2.0, most_pct), "range_ices": most_pct >= 5.0}
    return replace(item, ice=replace(item.ice, **ends))


@pytest.mark.parametrize(
    ("items", "kind", "why"),
    [
        # The thriftier ices where frost is 50 % lighter: it is not taken.
        ([("timed", 1.0, 4.5), ("demand", 0.5, 6.0)], "timed", "over the range"),
        ([("timed", 1.0, 4.5), ("demand", 0.5, 4.9)], "demand", "least energy"),
        ([("timed", 1.0, 6.5), ("demand", 1.2, 5.5)], "demand", "at the frost density reckoned"),
        ([("timed", 1.0, 6.5)], "timed", "only one that keeps the sink clear, at the frost"),
    ],
)
def test_clear_at_every_density_goes_before_energy(items, kind, why):
    best, reason = chosen_of([ranging(*item) for item in items])
    assert best.kind == kind
    assert why in reason


@pytest.mark.parametrize(
    ("item", "taken", "words"),
    [
        (ranging("demand", 1.04, 4.0), ranging("timed", 1.0, 4.0), "takes 1.040 kWh a day at the"),
        (ranging("demand", 1.0, 6.0), ranging("timed", 1.0, 4.0), "6.0 % of the gaps"),
        (ranging("demand", 1.0, 6.0), ranging("timed", 1.0, 5.5), "leaves up to 6.0 % of the gaps"),
        (ranging("demand", 1.0, 4.0), ranging("timed", 1.0, 4.0), "is alike"),
        (tried("demand", 1.0, 9.0), ranging("timed", 1.0, 4.0), "to 9.0 °C"),
        (tried("demand", 1.0, 9.0, False), ranging("timed", 1.0, 4.0), "4.0 °C in the mean"),
        (
            TriedDefrost("demand", QUICK, ice_of_plan(1.0, 8.0, blockage=7.0), False),
            ranging("timed", 1.0, 4.0), "ices, 7.0 % of the gaps, limit 5 %",
        ),
    ],
)  # fmt: skip
def test_what_is_passed_over_is_told_with_a_figure(item, taken, words):
    assert words in why_not(item, taken)


@pytest.mark.parametrize(
    ("items", "kind", "why"),
    [
        ([("timed", 1.0, 8.0), ("demand", 0.9, 9.0)], "demand", "least energy"),
        ([("timed", 1.0, 8.0), ("demand", 0.995, 7.0)], "demand", "stay coldest"),
        ([("timed", 1.0, 8.0), ("demand", 0.995, 7.9)], "timed", "the simplest"),
        ([("timed", 1.0, 8.0), ("demand", 0.5, 7.0, False)], "timed", "only one"),
    ],
)
def test_energy_then_warmth_then_the_simplest(items, kind, why):
    best, reason = chosen_of([tried(*item) for item in items])
    assert best.kind == kind
    assert why in reason


def test_kinds_are_compared_at_the_target_and_keep_the_warmest():
    # Warmer contents took 0.1 kWh less; at the target they take 0.05 more.
    warm = replace(TriedDefrost("demand", QUICK, ice_of_plan(0.9, 8.0), True),
                   at_target_kwh_per_day=1.05)  # fmt: skip
    cold = replace(TriedDefrost("timed", QUICK, ice_of_plan(1.0, 8.0), True),
                   at_target_kwh_per_day=1.0)  # fmt: skip
    assert chosen_of([warm, cold])[0].kind == "timed"
    assert ice_of_plan(1.0, 8.0).clear_and_cold(5.0, None)
    assert not ice_of_plan(1.0, 8.0).clear_and_cold(5.0, 7.9)


def test_none_that_works_leaves_the_least_ice():
    items = [
        TriedDefrost("timed", QUICK, ice_of_plan(1.0, 8.0, blockage=9.0), False),
        TriedDefrost("demand", QUICK, ice_of_plan(1.0, 8.0, blockage=7.0), False),
    ]
    assert chosen_of(items)[0].kind == "demand"


def test_a_plan_tries_every_kind_and_tells_them_all():
    config = build_config(config_with("timed", reversible=True), "x")
    timed = DefrostPlan(8.0, 3.0, 40.0, 4.0, "cold-sink temperature", QUICK,
                        ice_of_plan(1.0, 8.0), True, ())  # fmt: skip

    def try_plan(settings):
        # Demand sees its ice from a growth of 10 % on; reversed costs least.
        clear = settings.share_permille <= 100 or settings.kind == KIND_OF["reversed"]
        kwh = 0.8 if settings.kind == KIND_OF["reversed"] else 0.9
        return ice_of_plan(kwh, 8.0, blockage=4.0 if clear else 6.0)

    plan = plan_kind(config, "pi", ice_of_plan(0.9, 7.0, blockage=20.0), timed, try_plan,
                     tick_s=1.0, contents_limit_c=9.0)  # fmt: skip
    assert [item.kind for item in plan.kinds_tried] == ["none", "timed", "demand", "reversed"]
    assert plan.kinds_tried[2].settings.share_permille == 100
    assert (plan.kind, plan.interval_h, plan.why) == ("reversed", 8.0, "least energy at the target")


def test_variants_grow_more_watchful():
    timed = DefrostPlan(8.0, 3.0, 40.0, 4.0, "time only", QUICK, ice_of_plan(1.0, 8.0), True, ())
    shares = [
        item.share_permille for item in variants(load_config("galley_larder"), "demand", timed, 1.0)
    ]
    assert shares == sorted(shares, reverse=True)
    (rest,) = variants(load_config("seed_store"), "off_cycle", timed, 1.0)
    assert (rest.interval_ticks, rest.latest_ticks) == (4 * 3600, 8 * 3600)
