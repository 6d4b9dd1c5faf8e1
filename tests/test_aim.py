"""What is aimed for where the target cannot be had: one rule, alike in every verb.

Invented cabinets: the galley larder on a supply of an ampere and a half, on one of half an
ampere, and standing on a winter's deck.
"""

import io
import json
from dataclasses import replace

import pytest
from larder import with_stages
from rich.console import Console

from ctrl import screen_map, screen_recommend, setpoint_map, tuned
from ctrl.aim import IN_REACH, OUT_OF_REACH, ROOM_COLDER, aim_of, moved_to
from ctrl.build import heat_leak_parts_w_per_k, plant_of
from ctrl.candidates import HELD_K, candidates_of, on_off_candidate, with_drive
from ctrl.capability import coldest_holdable, fans_at, limits_of
from ctrl.cases import CANNOT, usual_run
from ctrl.cli import main
from ctrl.comparison import to_flash
from ctrl.config import build_config, load_config, plain_data
from ctrl.ice import Ice
from ctrl.json_out import of_recommendation
from ctrl.recommend import provisional, recommend
from ctrl.recommend_ice import ice_at
from ctrl.too_cold import too_cold_in
from plant.constants import ZERO_C_K


def larder(supply_a=None, rooms=None, **drive):
    """Return the galley larder with another supply [A], rooms (coldest, usual, worst) or drive."""
    data = plain_data(load_config("galley_larder"))
    if supply_a is not None:
        battery = ("battery_ah", "low_battery_cut_off_v", "low_battery_resume_v")
        kept = {key: value for key, value in data["supply"].items() if key not in battery}
        mains = {"kind": "mains", "current_limit_a": supply_a, "efficiency": 0.85}
        data["supply"] = {**kept, **mains}
    if rooms is not None:
        keys = dict(zip(("coldest_c", "usual_c", "worst_c"), rooms, strict=True))
        data["climate"] = {**data["climate"], **keys}
    if drive:
        data["drive"] = drive
    return build_config(data, "larder")


@pytest.fixture(scope="module")
def weak():
    return larder(1.5, kind="relay")


@pytest.fixture(scope="module")
def flashed(weak):
    return to_flash(weak, plant_of(weak), 1, lambda stage: None)


def screen_of(show, *found):
    out = Console(width=80, record=True, file=io.StringIO())
    show(out, *found)
    return " ".join(out.export_text().split())


# Out of reach ----------------------------------------------------------------------------


def test_full_drive_keeps_the_targets_setpoint(weak, flashed, note):
    """A warmer setpoint only rests; at the target's the contents come as near as they can."""
    aim, best = flashed.aim, flashed.best
    assert (aim.state, aim.contents_c) == (OUT_OF_REACH, weak.use.target_c)
    assert best.settings.setpoint_c == aim.setpoint_c < aim.control_c - 2.0
    coldest = coldest_holdable(
        plant_of(weak), weak.climate.usual_c + ZERO_C_K, limits_of(weak)
    )  # fmt: skip
    assert coldest.decided_by == "full drive"
    assert aim.usual.remaining_k == pytest.approx(coldest.contents_c - weak.use.target_c)
    means = [
        usual_run(weak, best.plant, item, 1).findings.contents_c.mean
        for item in (best.settings, replace(best.settings, setpoint_c=aim.control_c))
    ]  # fmt: skip
    note(f"contents mean {means[0]:.2f} °C, {means[1]:.2f} °C with the setpoint that rests")
    assert means[0] < means[1] - 0.5
    assert means[0] == pytest.approx(coldest.contents_c, abs=0.3)
    for room in aim.rooms[:2]:
        assert f"{room.remaining_k:.1f} K in the {room.name} room" in aim.words


def test_the_map_aims_at_what_is_flashed(weak, flashed, monkeypatch):
    monkeypatch.setattr(setpoint_map, "ROOMS", 2)
    monkeypatch.setattr(setpoint_map, "_simulated", lambda config, c, o, border, p, s: border)
    found = setpoint_map.setpoint_map(weak, seed=1)
    assert found.aim == flashed.aim
    assert found.advice.contents_c + found.setpoint_offset_k == pytest.approx(
        flashed.best.settings.setpoint_c,
        abs=0.051,  # settings are to 0.1 K
    )
    text = screen_of(screen_map.show, found)
    assert f"setpoint: a reading of {flashed.best.settings.setpoint_c:.1f} °C" in text


def test_a_thermostat_that_never_switches_is_told_in_json_and_on_the_screen(weak, flashed):
    """Always on: no cycle to time, and a life without end that is no infinity."""
    from ctrl import json_out_compare, screen_compare
    from ctrl.trade_off import trade_off

    found = trade_off(weak, bands_k=(1.0,), seed=1)
    assert found.setpoint_c == flashed.best.settings.setpoint_c
    assert found.chosen.usual.cycles_per_hour == 0.0
    assert found.points[0].usual.cycles_per_hour > 0.5  # at the reading that still cycles
    told = json.loads(json.dumps(json_out_compare.of_trade_off(found, "0"), allow_nan=False))
    assert told["recommended"]["simulated"]["cycle_s"] is None
    assert told["recommended"]["relay_life_years"] > 100.0
    assert told["aim"]["aim_words"] == found.aim.words
    text = screen_of(screen_compare.show_trade_off, found)
    assert found.aim.words in text
    assert f"At a setpoint of {found.aim.control_c:.1f} °C" in text


def test_a_room_too_hot_is_not_called_colder(monkeypatch):
    """Half an ampere: what the worst room could hold is warmer than the usual room itself."""
    config = larder(0.5)
    monkeypatch.setattr(setpoint_map, "ROOMS", 2)
    monkeypatch.setattr(setpoint_map, "_simulated", lambda config, c, o, border, p, s: border)
    found = setpoint_map.setpoint_map(config, seed=1)
    worst = max(item.coldest_c for item in found.borders if item.ambient_c == 30.0)
    assert worst + HELD_K > found.aim.idle_c > config.use.target_c
    assert not found.advice.nothing_to_cool
    text = screen_of(screen_map.show, found)
    assert "nothing to cool" not in text and "Recommended: nothing" not in text
    assert "Recommended: aim at contents of 8.0 °C" in text


def test_where_more_drive_would_not_cool_the_setpoint_stays_in_reach(weak):
    """A hot sink at its limit: running on would only be cut back."""
    data = plain_data(weak)
    data["supply"]["current_limit_a"] = 10.0
    data["hot_sink"] = {**data["hot_sink"], "fan_k_per_w": 1.5, "no_fan_k_per_w": 3.0}
    config = build_config(data, "hot")
    aim = aim_of(config, plant_of(config), "relay")
    assert aim.is_out_of_reach
    assert aim.usual.decided_by in ("hot sink", "peak cooling", "foam")
    assert aim.setpoint_c == aim.control_c
    assert aim.contents_c == pytest.approx(aim.usual.coldest_c + HELD_K, abs=0.3)
    assert aim.usual.decided_by in aim.words


def test_shipped_cabinets_in_reach_aim_at_their_target():
    for name in ("galley_larder", "film_box", "seed_store"):
        config = load_config(name)
        aim = aim_of(config, plant_of(config), config.drive.kind)
        assert (aim.state, aim.contents_c, aim.words) == (IN_REACH, config.use.target_c, "")
        assert aim.setpoint_c == aim.control_c


def ice(blockage_pct, contents_c):
    return Ice(0.0, 0.0, blockage_pct, None, contents_c, contents_c, 1.0, 5, 5.0)


def nearest_with(monkeypatch, weak, clear_from_c, plan):
    """Return what is taken where setpoints below `clear_from_c` ice in the coldest room."""
    plant = with_drive(plant_of(weak), "relay")
    aim = aim_of(weak, plant, "relay")
    candidate = on_off_candidate(weak, plant, "relay", aim.control_c, True)

    def ice_at(config, item, settings, ambient_c, contents_c, seed, **ignored):
        ices = ambient_c < 10.0 and settings.setpoint_c < clear_from_c and not settings.defrost
        return ice(9.0 if ices else 0.0, settings.setpoint_c + (1.0 if settings.defrost else 0.0))

    def by_case(config, item, seed, workers=None):
        return {
            name: ice_at(config, item, item.settings, c, 8.0, seed)
            for name, c in tuned.rooms_of(config)
        }

    monkeypatch.setattr(tuned, "ice_at", ice_at)
    monkeypatch.setattr(tuned, "ice_by_case", by_case)
    monkeypatch.setattr(tuned, "plan_of", lambda *ignored: plan)
    return aim, tuned.nearest(weak, candidate, aim, 1, lambda stage: None, 1)


def test_ice_moves_the_setpoint_no_further_than_it_must(monkeypatch, weak):
    aim, found = nearest_with(monkeypatch, weak, 9.1, None)
    assert 9.1 <= found.candidate.settings.setpoint_c <= 9.1 + tuned.AIM_STEP_K
    assert found.aim.setpoint_c == found.candidate.settings.setpoint_c
    assert "it ices in the coldest room" in found.aim.words
    # Nothing is clear: where the controller still controls, as no colder one is any better.
    aim, found = nearest_with(monkeypatch, weak, 99.0, None)
    assert found.candidate.settings.setpoint_c == aim.control_c


def test_a_defrost_is_taken_where_it_leaves_the_contents_colder(monkeypatch, weak):
    plan = type("Plan", (), {"works": True, "settings": "a defrost"})()
    aim, found = nearest_with(monkeypatch, weak, 9.9, plan)
    assert found.candidate.settings.setpoint_c == aim.setpoint_c
    assert found.plan is plan and found.candidate.settings.defrost == "a defrost"
    _, found = nearest_with(monkeypatch, weak, 8.2, plan)  # within a kelvin of the target's
    assert found.plan is None and found.candidate.settings.defrost is None


def test_what_is_flashed_ices_in_no_room_between_the_named_ones(note):
    """The fish box: a setpoint that the named rooms keep clear may ice where it is just held."""
    flashed = with_stages("summer_fish_box")[0]
    config, best = flashed.config, flashed.chosen.candidate
    assert flashed.aim.is_out_of_reach and flashed.defrost is None
    settings = best.settings

    def ices(setpoint_c, room_c):
        moved = replace(settings, setpoint_c=setpoint_c)
        return ice_at(config, best, moved, room_c, 9.0, 1).ices

    rooms = (15.5, 16.6, 17.2, 17.8, 18.4, 19.0)
    assert not any(ices(settings.setpoint_c, room_c) for room_c in rooms)
    # A kelvin colder is clear in all three rooms that the config names, and ices between them.
    colder_c = settings.setpoint_c - 1.0
    climate = config.climate
    assert not any(ices(colder_c, c) for c in (climate.coldest_c, climate.usual_c, climate.worst_c))
    found = [room_c for room_c in rooms if ices(colder_c, room_c)]
    note(f"setpoint {settings.setpoint_c} °C; {colder_c} °C ices in rooms of {found} °C")
    assert found


def test_a_little_out_of_reach_is_brought_within_the_tolerance(note):
    """Long least times leave the contents above the middle: a colder setpoint mends that."""
    data = plain_data(larder(kind="relay"))
    data["controller"] |= {"kind": "on_off", "min_on_s": 1200, "min_off_s": 1200}
    for usual_c in (30.0 + 0.25 * step for step in range(40)):
        data["climate"] |= {"usual_c": usual_c, "worst_c": usual_c + 0.5}
        config = build_config(data, "larder")
        aim = aim_of(config, plant_of(config), "relay")
        if aim.is_out_of_reach:
            break
    assert 0.0 < aim.usual.remaining_k <= aim.tolerance_k
    flashed = to_flash(config, plant_of(config), 1, lambda stage: None)
    settings = flashed.best.settings
    means = [
        usual_run(
            config, flashed.best.plant, replace(settings, setpoint_c=c), 1
        ).findings.contents_c
        for c in (settings.setpoint_c, aim.setpoint_c)
    ]
    note(f"room {usual_c} °C: {settings.setpoint_c} °C leaves {means[0].mean:.2f} °C, the target's "
         f"{aim.setpoint_c} °C leaves {means[1].mean:.2f} °C")  # fmt: skip
    assert settings.setpoint_c < aim.setpoint_c and flashed.aim.setpoint_c == settings.setpoint_c
    assert means[0].mean < means[1].mean - 0.3


def test_a_room_cool_by_itself_moves_no_setpoint():
    """It keeps the contents a little colder than wanted: that is no lack of the setpoint's.

    Moved up by it, the setpoint would leave the contents of the worst room that much warmer.
    """
    config = larder(rooms=(5.0, 6.0, 33.0))
    candidate = candidates_of(config, plant_of(config), config.use.target_c)[0]
    moved, run = tuned.centred(config, candidate, 1)
    # So far off that in a warmer room the setpoint would have been moved.
    assert 0.5 < config.use.target_c - run.findings.contents_c.mean < 2.0
    assert moved.settings.setpoint_c == candidate.settings.setpoint_c
    warm = larder(rooms=(5.0, 14.0, 33.0))
    low = tuned.at_setpoint(candidates_of(warm, plant_of(warm), 8.0)[0], 7.0)
    assert tuned.centred(warm, low, 1)[0].settings.setpoint_c > 7.3


# Too cold --------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def deck():
    """The larder on a winter's deck: 3 °C on a usual day, 8 °C wanted."""
    return larder(rooms=(-10.0, 3.0, 6.0))


@pytest.fixture(scope="module")
def frozen(deck):
    return recommend(deck, seed=1)


def test_nothing_is_held_in_a_room_too_cold(deck):
    first = provisional(deck)
    assert first.aim.state == ROOM_COLDER and first.aim.is_too_cold
    assert first.usual_plug_w is None
    text = screen_of(screen_recommend.show_first, deck, first)
    assert "nothing to cool" in text
    assert "Holding it" not in text


def test_verdict_and_advice_agree_that_it_is_too_cold(frozen):
    usual = frozen.cases[0]
    assert (frozen.verdict, usual.verdict) == (CANNOT, CANNOT)
    assert [x.case for x in frozen.too_cold] == ["usual", "coldest"]
    text = screen_of(screen_recommend.show, frozen)
    assert "K colder" not in text and "kelvin colder" not in text
    for item in frozen.too_cold:
        assert item.words in text
    found = usual.findings
    assert f"reads {found.reading_c.mean:.1f} °C and the contents are at" in text
    assert f"The sensor (air) reads {frozen.setpoint_c:.1f} °C when" not in text
    told = of_recommendation(frozen, "0")
    assert told["aim"]["aim_state"] == ROOM_COLDER
    assert [x["case"] for x in told["too_cold"]] == ["usual", "coldest"]
    assert told["provisional"]["plug_w"] is None


def test_the_heat_told_is_what_the_walls_and_the_idle_module_let_through(deck, note):
    """By hand: the wall's leak, and beside it sinks and module one after the other.

    The door stays shut and nothing is loaded, which take heat out as well.
    """
    data = plain_data(deck)
    data["use"] = {**data["use"], "door_openings_per_day": 0, "load_share": 0.0}
    deck = build_config(data, "shut")
    lacking = too_cold_in(deck, "usual", 3.0, 4.0, 5.5)
    assert lacking.lacks_k == pytest.approx(1.5)
    assert lacking.room_c == pytest.approx(4.5)
    # What freezes stands at its plateau for days: the lack is counted from where it ends.
    frozen = too_cold_in(deck, "coldest", -10.0, -0.6, 2.0)
    assert frozen.idle_c < -5.0 and frozen.lacks_k == pytest.approx(2.0 - frozen.idle_c)
    assert "once frozen through" in frozen.words
    wall_w_per_k = sum(heat_leak_parts_w_per_k(deck).values())
    plant = plant_of(deck)
    hot, _ = fans_at(plant, 0.0)
    sink_w_per_k = plant.hot_sink.fan_w_per_k if hot else plant.hot_sink.no_fan_w_per_k
    resistance = (
        1.0 / plant.module.conductance_w_per_k
        + 1.0 / plant.module.cold_contact_w_per_k + 1.0 / plant.module.hot_contact_w_per_k
        + 1.0 / plant.cold_sink.fan_w_per_k + 1.0 / sink_w_per_k
    )  # fmt: skip
    by_hand_w = 1.5 * (wall_w_per_k + 1.0 / resistance)
    note(f"{lacking.heater_w:.2f} W, by hand {by_hand_w:.2f} W")
    assert lacking.heater_w == pytest.approx(by_hand_w, rel=0.1)
    assert lacking.foam_gain_k > 0.0
    assert lacking.foam_heater_w < lacking.heater_w


def written(tmp_path, config):
    from ctrl.shipped import find_config

    path = tmp_path / "deck.toml"
    text = find_config("galley_larder").read_text(encoding="utf-8")
    for key in ("coldest_c", "usual_c", "worst_c"):
        line = next(x for x in text.splitlines() if x.startswith(f"{key} = "))
        text = text.replace(line, f"{key} = {getattr(config.climate, key):g}")
    path.write_text(text, encoding="utf-8")
    return str(path)


@pytest.mark.parametrize("verb", ["thermostat", "map"])
def test_the_answer_is_no_and_not_bad_input(verb, deck, tmp_path, capsys, monkeypatch):
    monkeypatch.setattr(setpoint_map, "ROOMS", 2)
    monkeypatch.setattr(setpoint_map, "_simulated", lambda config, c, o, border, p, s: border)
    path = written(tmp_path, deck)
    assert main([verb, path]) == 1
    assert "nothing to cool" in " ".join(capsys.readouterr().out.split())
    if verb == "thermostat":
        assert main([verb, path, "--json"]) == 1
        told = json.loads(capsys.readouterr().out)
        assert told["recommended"] is None
        assert "nothing to cool" in told["lacks"]


def test_the_sweep_advises_nothing_in_a_room_too_cold(deck, monkeypatch):
    from ctrl import design_sweep

    monkeypatch.setattr(design_sweep, "DRIVES", ("fast_pwm",))
    found = design_sweep.sweep(deck, seed=1, draws=4)
    assert found.thriftiest is None
    assert all(item.energy_kwh_per_day is None for item in found.designs)
    assert "nothing to cool" in found.advice


def test_identify_says_that_its_point_holds_nothing(deck):
    from ctrl.identify import identify

    found = identify(deck, seed=1)
    assert "nothing to cool" in found.note
    assert identify(deck, duty=0.2, seed=1).note == ""


def test_an_aim_moved_keeps_its_offset(weak):
    aim = aim_of(weak, plant_of(weak), "relay")
    moved = moved_to(aim, 9.4, "for the sake of it")
    assert moved.setpoint_c == 9.4
    assert moved.contents_c == pytest.approx(9.4 - aim.offset_k)
    assert "for the sake of it" in moved.words
