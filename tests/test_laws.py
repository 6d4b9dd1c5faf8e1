"""Two-level hold, cascade, best-efficiency hold: each law alone, in whole numbers."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ctrl import best_cop, cascade, controllers, two_level
from ctrl.best_cop import BestCOPSettings
from ctrl.cascade import CascadeSettings
from ctrl.config import build_config, load_config, plain_data
from ctrl.config_errors import ConfigError
from ctrl.controllers import CONTROLLERS, law_observe, law_step, law_track, new_law_state
from ctrl.firmware import firmware_of, settings_of
from ctrl.fixed_point import INT32_MAX, NO_SENSOR
from ctrl.two_level import TwoLevelSettings

TABLE = (100, 200, 300, 400, 500, 600, 700, 800, 900)


def levels() -> TwoLevelSettings:
    return TwoLevelSettings.from_physical(
        setpoint_c=5.0, hysteresis_k=1.0, high_duty=0.8, idle_duty=0.3
    )


def chain(**more) -> CascadeSettings:
    given_ = {
        "setpoint_c": 8.0, "sink_floor_c": 0.5, "sink_gain": 2.0, "sink_ti_s": 1000.0,
        "kp_pct_per_k": 20.0, "ti_s": 100.0, "period_s": 1.0, "blind_duty": 0.4,
    }  # fmt: skip
    return CascadeSettings.from_physical(**(given_ | more))


def hold(**more) -> BestCOPSettings:
    given_ = {
        "setpoint_c": 8.0, "hysteresis_k": 1.0, "kp_pct_per_k": 20.0, "ti_s": 100.0,
        "period_s": 1.0, "cop_duties": tuple(x / 1000 for x in TABLE), "assumed_lift_k": 25.0,
    }  # fmt: skip
    return BestCOPSettings.from_physical(**(given_ | more))


# Two levels ----------------------------------------------------------------------------


def test_idles_where_a_thermostat_would_stop_and_stops_only_well_below():
    # By hand: high from 5.50, idle from 4.50, off from 4.50 - 1.50 = 3.00, idle above 4.50.
    law = levels()
    words, state = law.to_words(), new_law_state(law)
    readings = [500, 549, 550, 451, 450, 500, 301, 300, 440, 450, 451, 550]
    seen = [int(two_level.step(words, state, reading)) for reading in readings]
    assert seen == [300, 300, 800, 800, 300, 300, 300, 0, 0, 0, 300, 800]


def test_an_idle_level_of_nothing_is_the_thermostat():
    from ctrl.on_off import OnOffSettings

    low = TwoLevelSettings(500, 50, 1000, 0)
    bare = OnOffSettings(500, 50, 1000)
    readings = np.random.default_rng(3).integers(350, 650, 500)
    runs = []
    for law in (low, bare):
        words, state, kind = law.to_words(), new_law_state(law), controllers.controller_of(law).kind
        runs.append([law_step(kind, words, state, int(x)) for x in readings])
    assert runs[0] == runs[1]


# Cascade -------------------------------------------------------------------------------


def asked(law: CascadeSettings, reading: int, cold: int, state=None) -> tuple[int, np.ndarray]:
    words = law.to_words()
    state = new_law_state(law) if state is None else state
    cascade.observe(words, state, cold)
    return int(cascade.step(words, state, reading)), state


def test_the_sink_is_never_asked_below_its_floor():
    law = chain()
    _, state = asked(law, 2500, 2200)  # 17 K too warm wants a sink 34 K below the setpoint
    assert state[cascade.S_DROP] == 750  # 8.0 - 0.5
    # At the floor and below it the inner loop asks for nothing (its integral is empty).
    assert asked(law, 2500, 50)[0] == 0
    assert asked(law, 2500, 40)[0] == 0
    # By hand: half a kelvin above the floor times 20 % per K is 10 %.
    assert asked(law, 2500, 100)[0] == 100


def test_the_first_reading_asks_for_the_sink_that_is_there():
    law = chain()
    duty, state = asked(law, 800, 400)
    assert state[cascade.S_DROP] == 400
    assert duty == 0
    words = law.to_words()
    state = new_law_state(law)
    cascade.preload(words, state, 800, 550)
    assert asked(law, 800, 400, state)[0] == 550


def test_outer_loop_does_not_wind_up_while_the_duty_is_limited():
    # Two hours of a pull-down at a duty limit of 30 %: the sink stands at 6 °C whatever is asked.
    law = chain()
    words, state = law.to_words(), new_law_state(law)
    for _ in range(7200):
        cascade.observe(words, state, 600)
        cascade.step(words, state, 1200)
        cascade.track(words, state, 300, 0)
    # Both integrals have come to what was really there: 2 K of drop, 30 % of duty.
    assert state[cascade.S_OUTER_INTEGRAL] / 2**18 == pytest.approx(200, abs=1)
    assert state[cascade.S_INTEGRAL] / 2**20 == pytest.approx(300, abs=1)


def test_without_the_sink_it_is_a_thermostat_at_the_stand_in_duty():
    law = chain()
    state = new_law_state(law)
    seen = []
    for reading in (800, 824, 825, 800, 776, 775, 800):
        duty, state = asked(law, reading, NO_SENSOR, state)
        seen.append(duty)
    assert seen == [0, 0, 400, 400, 400, 0, 0]


def test_integrals_of_the_cascade_stand_still_in_a_defrost():
    law = chain()
    words = law.to_words()
    _, state = asked(law, 900, 300)
    cascade.track(words, state, 100, 0)
    before = state.copy()
    cascade.track(words, state, 0, 1)
    cascade.track(words, state, 0, 0)
    assert state[cascade.S_OUTER_INTEGRAL] == before[cascade.S_OUTER_INTEGRAL]
    assert state[cascade.S_INTEGRAL] == before[cascade.S_INTEGRAL]


# Best efficiency -----------------------------------------------------------------------


def test_the_table_is_straight_between_its_points_and_flat_beyond():
    words = hold().to_words()
    lifts = {-500: 100, 0: 100, 500: 150, 1000: 200, 1234: 223, 7999: 900, 8000: 900, 20000: 900}
    assert {x: int(best_cop.table_duty(words, x)) for x in lifts} == lifts


def test_it_runs_at_the_table_until_more_is_needed():
    law = hold()
    words, state = law.to_words(), new_law_state(law)
    best_cop.observe(words, state, 3000, 1000)  # 20 K: 30 %
    seen = [int(best_cop.step(words, state, x)) for x in (840, 850, 760, 750, 800)]
    assert seen == [0, 300, 300, 0, 0]
    # By hand: 2 K above the upper edge (8.5) times 20 % per K is 40 %, above the table's 30.
    assert int(best_cop.step(words, state, 1050)) == 400


def test_without_the_sinks_the_assumed_difference_counts():
    law = hold()
    words, state = law.to_words(), new_law_state(law)
    for hot, cold in ((NO_SENSOR, 500), (3000, NO_SENSOR)):
        best_cop.observe(words, state, hot, cold)
        assert int(best_cop.step(words, state, 850)) == 350  # 25 K


def test_a_lasting_need_is_met_at_the_upper_edge():
    # A box that needs 60 % at 8.5 °C: T' = (need - duty) / 2000 s, in K per permille.
    law = hold()
    words, state = law.to_words(), new_law_state(law)
    temp, duty = 12.0, 0
    best_cop.observe(words, state, 3000, 1000)
    for _ in range(4 * 3600):
        duty = int(best_cop.step(words, state, round(100 * temp)))
        best_cop.track(words, state, duty, 0)
        temp += (600 - duty) / 1000 * 0.02
    assert temp == pytest.approx(8.5, abs=0.05)
    assert duty == pytest.approx(600, abs=25)


# All three -----------------------------------------------------------------------------

LAWS = {"two_level": levels(), "cascade": chain(), "best_cop": hold()}


@pytest.mark.parametrize("name", LAWS)
@settings(max_examples=25)
@given(
    ticks=st.lists(
        st.tuples(
            st.integers(-27315, 32767),
            st.one_of(st.just(NO_SENSOR), st.integers(-27315, 32767)),
            st.one_of(st.just(NO_SENSOR), st.integers(-27315, 32767)),
            st.integers(0, 1000),
            st.integers(0, 1),
        ),
        max_size=30,
    )
)
def test_compiled_and_plain_agree_and_no_word_leaves_int32(name, ticks):
    law = LAWS[name]
    kind, words = CONTROLLERS[name].kind, law.to_words()
    module = {"two_level": two_level, "cascade": cascade, "best_cop": best_cop}[name]
    state, plain = new_law_state(law), new_law_state(law)
    for reading, hot, cold, final, frozen in ticks:
        law_observe(kind, words, state, hot, cold)
        duty = law_step(kind, words, state, reading)
        law_track(kind, words, state, final, frozen)
        if name == "cascade":
            cascade.observe.py_func(words, plain, cold)
        if name == "best_cop":
            best_cop.observe.py_func(words, plain, hot, cold)
        assert module.step.py_func(words, plain, reading) == duty
        module.track.py_func(words, plain, final, frozen)
        assert np.array_equal(state, plain)
        assert 0 <= duty <= 1000
        assert np.max(np.abs(state)) <= INT32_MAX


@pytest.mark.parametrize(
    ("make", "change", "named"),
    [
        (chain, {"sink_floor_c": 8.0}, "sink_floor_c"),
        (chain, {"sink_gain": 0.0}, "sink_gain"),
        (chain, {"sink_ti_s": 0.5}, "sink_ti_s"),
        (chain, {"sink_ti_s": 9e7}, "sink_ti_s"),
        (hold, {"hysteresis_k": 0.01}, "hysteresis_k"),
        (hold, {"cop_duties": (0.5,)}, "table_permille"),
        (hold, {"assumed_lift_k": 90.0}, "assumed_k100"),
    ],
)
def test_what_cannot_be_held_is_refused_in_one_line(make, change, named):
    with pytest.raises(ValueError, match=named) as caught:
        make(**change)
    assert "\n" not in str(caught.value)


def test_an_idle_level_above_the_high_one_is_refused():
    with pytest.raises(ValueError, match="idle_duty"):
        TwoLevelSettings.from_physical(
            setpoint_c=5.0, hysteresis_k=1.0, high_duty=0.3, idle_duty=0.3
        )
    data = plain_data(load_config("galley_larder"))
    data["controller"] = {"kind": "two_level", "idle_duty": 0.5, "duty_limit": 0.4}
    with pytest.raises(ConfigError, match="idle_duty"):
        build_config(data, "x")


def test_a_relay_takes_none_of_them():
    data = plain_data(load_config("seed_store"))
    for kind in LAWS:
        data["controller"] = {"kind": kind}
        with pytest.raises(ConfigError, match=r"controller\.kind"):
            build_config(data, "x")


def test_cascade_without_its_sensor_is_told_in_one_line():
    config = load_config("galley_larder").model_copy(update={"cold_sink_sensor": None})
    wanted = replace(settings_of(config), controller="cascade")
    with pytest.raises(ValueError, match="cold_sink_sensor"):
        firmware_of(config, wanted)
