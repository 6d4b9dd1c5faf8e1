"""What holds a cabinet back: each gain recomputed by hand-edited configs."""

import pytest

from ctrl.bottlenecks import (
    edited,
    load_changes,
    module_spread_k,
    rank_changes,
    rank_parameters,
    worst_coldest_c,
)
from ctrl.build import at_ambient, plant_of
from ctrl.capability import limits_of, within
from ctrl.config import build_config, config_fields, load_config, plain_data
from plant.constants import ZERO_C_K

SHIPPED = ("galley_larder", "film_box", "seed_store", "summer_fish_box")


@pytest.fixture(scope="module")
def ranked():
    """Rankings of all changes by config."""
    return {name: rank_changes(load_config(name)) for name in SHIPPED}


def gain_of(ranking, change):
    return next(item.gain_k for item in ranking if item.change == change)


def with_keys(name, **tables):
    data = plain_data(load_config(name))
    for table, keys in tables.items():
        data[table] = {**data[table], **keys}
    return build_config(data, name)


def test_every_key_of_the_changes_is_a_key_of_the_config():
    known = {row.key for row in config_fields()}
    changes = load_changes()
    keys = [edit["key"] for change in changes["change"] for edit in change["edits"]]
    keys += [item["key"] for item in changes["parameter"]]
    assert len(keys) > 15
    assert set(keys) <= known
    for change in changes["change"]:
        assert set(change) == {"part", "change", "effort", "edits"}
        for edit in change["edits"]:
            assert len(set(edit) & {"factor", "add", "set"}) == 1


def test_gains_are_those_of_configs_edited_by_hand(ranked):
    before = worst_coldest_c(load_config("galley_larder"))
    by_hand = {
        "20 mm more on every face": with_keys("galley_larder", cabinet={"foam_thickness_mm": 70}),
        "both joints with half the K/W": with_keys(
            "galley_larder", module={"cold_contact_k_per_w": 0.015, "hot_contact_k_per_w": 0.015}
        ),
        "an inside fan of half the power, same flow": with_keys(
            "galley_larder", cold_sink={"fan_w": 0.5}
        ),
        "wire of twice the section": with_keys("galley_larder", supply={"wire_mm2": 5.0}),
        "half as many door openings": with_keys("galley_larder", use={"door_openings_per_day": 5}),
    }
    for change, config in by_hand.items():
        gain = before - worst_coldest_c(config)
        assert gain_of(ranked["galley_larder"], change) == pytest.approx(gain, abs=1e-9)
    for part, table, k_per_w in (("hot sink", "hot_sink", 0.112), ("cold sink", "cold_sink", 0.28)):
        config = with_keys("galley_larder", **{table: {"fan_k_per_w": k_per_w}})
        found = next(
            item.gain_k for item in ranked["galley_larder"]
            if item.part == part and "30 %" in item.change
        )  # fmt: skip
        assert found == pytest.approx(before - worst_coldest_c(config), abs=1e-6)


@pytest.mark.parametrize("name", SHIPPED)
def test_better_parts_never_lose(ranked, name):
    # Physics: less resistance to either side, or a smaller leak, cannot make it warmer when
    # the duty is free; the search for the best duty may err by its resolution, 1e-3.
    better = {"hot sink", "cold sink", "contact", "foam", "seal and metal", "fan", "use"}
    found = {(item.part, item.change): item.gain_k for item in ranked[name] if item.part in better}
    print(name, {part: round(gain, 3) for (part, _), gain in found.items()})
    assert len(found) >= 6
    assert all(gain > -1e-3 for gain in found.values())
    assert gain_of(ranked[name], "20 mm more on every face") > 1.0


def test_the_ranking_is_sorted_and_leaves_out_what_does_not_apply(ranked):
    for ranking in ranked.values():
        gains = [item.gain_k for item in ranking]
        assert gains == sorted(gains, reverse=True)
        assert len({(item.part, item.change) for item in ranking}) == len(gains)
    film = {item.change for item in ranked["film_box"]}
    assert "a smoothed drive in place of pulses or relay" not in film  # it has one
    assert "a free path for its exhaust (no recirculation)" not in film  # it has that too
    assert any("smoothed" in item.change for item in ranked["galley_larder"])


def test_more_modules_harm_where_the_hot_sink_is_small(ranked):
    # Two modules side by side draw twice the current: at 35 °C the fish box's hot side then
    # passes the foam's limit at full drive, and with less drive the gain is gone.
    config = with_keys("summer_fish_box", module={"in_parallel": 2})
    ambient_k = config.climate.worst_c + ZERO_C_K
    plant = at_ambient(plant_of(config), config.climate.worst_c, 60.0)
    assert within(plant, 1.0, ambient_k, limits_of(config)) == "foam"
    change = "two modules in parallel on the same supply"
    assert gain_of(ranked["summer_fish_box"], change) < -4.0


def test_parameters_are_ranked_by_their_own_gain():
    config = load_config("galley_larder")
    found = rank_parameters(config)
    assert [item.gain_k for item in found] == sorted((i.gain_k for i in found), reverse=True)
    by_key = {item.key: item.gain_k for item in found}
    assert set(by_key) <= {item["key"] for item in load_changes()["parameter"]}
    before = worst_coldest_c(config)
    thicker = with_keys("galley_larder", cabinet={"foam_thickness_mm": 55})
    gain = before - worst_coldest_c(thicker)
    assert by_key["cabinet.foam_thickness_mm"] == pytest.approx(gain, abs=1e-9)
    # Ten per cent of one sink resistance is about a third of thirty per cent of it.
    thirty = next(
        item.gain_k for item in rank_changes(config)
        if item.part == "cold sink" and "30 %" in item.change
    )  # fmt: skip
    assert by_key["cold_sink.fan_k_per_w"] == pytest.approx(thirty / 3.0, rel=0.15)


# Edits -----------------------------------------------------------------------------------


def test_faces_of_their_own_foam_grow_with_the_rest():
    thicker = edited(load_config("seed_store"), [{"key": "cabinet.foam_thickness_mm", "add": 20.0}])
    assert thicker.cabinet.face_foam_mm["back"] == 80.0
    assert thicker.cabinet.face_foam_mm["front"] == 70.0  # the door was 50 mm


def test_the_highest_voltage_rises_with_the_usual():
    higher = edited(load_config("seed_store"), [{"key": "supply.voltage_v", "factor": 1.1}])
    assert higher.supply.voltage_v == pytest.approx(13.2)
    assert higher.supply.highest_voltage_v == pytest.approx(13.2)  # was 12.6


def test_another_drive_sheds_the_keys_of_the_old():
    smooth = edited(load_config("galley_larder"), [{"key": "drive.kind", "set": "smoothed"}])
    assert smooth.drive.kind == "smoothed"


def test_whole_numbers_stay_whole():
    two = edited(load_config("galley_larder"), [{"key": "module.in_series", "factor": 2}])
    assert two.module.in_series == 2
    half = edited(load_config("galley_larder"), [{"key": "use.door_openings_per_day",
                                                  "factor": 0.5}])  # fmt: skip
    assert half.use.door_openings_per_day == 5


@pytest.mark.parametrize(
    "edit",
    [
        {"key": "hot_sink.exhaust_recirculation", "set": 0.05},  # as it is
        {"key": "cabinet.foam_thickness_mm", "add": 500.0},  # beyond the config's own range
        {"key": "drive.set_current_a", "factor": 2.0},  # not a key of this drive
    ],
)
def test_a_change_that_does_not_apply_is_no_change(edit):
    assert edited(load_config("galley_larder"), [edit]) is None


def test_half_the_sheets_tolerances_leave_half_the_spread():
    keys = ("imax", "vmax", "dtmax", "qmax", "ac_resistance")
    part = load_config("galley_larder").module
    halves = {f"{k}_tolerance_pct": 0.5 * getattr(part, f"{k}_tolerance_pct") for k in keys}
    whole = module_spread_k(load_config("galley_larder"))
    half = module_spread_k(with_keys("galley_larder", module=halves))
    print(f"module by its sheet: {whole:.2f} K; tolerances halved: {half:.2f} K")
    assert 0.3 < whole < 1.5
    assert half == pytest.approx(0.5 * whole, rel=0.15)
