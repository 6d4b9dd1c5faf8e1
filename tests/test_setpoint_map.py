"""The map over room and contents: against single steady states, and by rules made up here."""

import io
import json
from dataclasses import replace

import numpy as np
import pytest
from rich.console import Console
from small_map import small_map

from ctrl import ice_border, screen_map, setpoint_map
from ctrl.build import at_ambient, humidity_at, plant_of
from ctrl.candidates import pi_candidate
from ctrl.capability import coldest_holdable, duty_for, limits_of
from ctrl.cli import main
from ctrl.config import load_config, override
from ctrl.ice import Ice
from ctrl.setpoint_map import (
    ICE_BORDER,
    ICES,
    RESOLUTION_K,
    TOO_COLD,
    Border,
    _Curve,
    _trace,
    advice_of,
    curve_of,
    follow,
    grid_of_contents,
    ice_free_of,
    ices_at,
    moved_borders,
)
from plant.constants import ZERO_C_K


@pytest.fixture(scope="module")
def larder():
    config = load_config("galley_larder")
    return config, plant_of(config)


def test_the_followed_curve_meets_single_steady_states(larder, note):
    # Seventeen duties, interpolated, against the bisection that `recommend` uses.
    config, base = larder
    plant = at_ambient(base, 22.0, humidity_at(config, 22.0))
    coldest = coldest_holdable(plant, 22.0 + ZERO_C_K, limits_of(config))
    curve = curve_of(follow(plant, 22.0 + ZERO_C_K, coldest.point.duty))
    off = []
    for contents_c in (0.0, 4.0, 8.0, 12.0):
        alone = duty_for(plant, 22.0 + ZERO_C_K, contents_c + ZERO_C_K, coldest)
        off.append(curve.at("plug_w", contents_c) / alone.plug_w - 1.0)
        assert curve.at("duty", contents_c) == pytest.approx(alone.duty, abs=0.005)
        assert curve.at("cold_sink_c", contents_c) == pytest.approx(
            alone.cold_sink_k - ZERO_C_K, abs=0.05
        )
    note(f"power off by at most {100 * max(map(abs, off)):.2f} %")
    assert max(map(abs, off)) < 0.01


def test_a_border_is_where_the_sink_stands_at_freezing(larder):
    config, base = larder
    _, border = _trace(config, base, 22.0, 1.0)
    damp = at_ambient(base, 22.0, config.climate.worst_humidity_pct)
    coldest = coldest_holdable(damp, 22.0 + ZERO_C_K, limits_of(config))
    point = duty_for(damp, 22.0 + ZERO_C_K, border.ice_free_c + ZERO_C_K, coldest)
    assert point.cold_sink_k - ZERO_C_K == pytest.approx(0.0, abs=0.05)
    assert point.water_kg_per_day > 1e-4


def test_hotter_rooms_hold_less_and_cost_more(larder):
    config, base = larder
    found = [_trace(config, base, room_c, 1.0) for room_c in (5.0, 22.0, 30.0)]
    coldest = [border.coldest_c for _, border in found]
    watts = [curve.at("plug_w", 8.0) for curve, _ in found]
    assert coldest == sorted(coldest)
    assert watts == sorted(watts)


def curve(deposit_g=5.0):
    contents = np.linspace(-10.0, 20.0, 31)
    flat = np.full(31, deposit_g)
    return _Curve(contents, flat, flat, contents - 6.0, flat)


def test_ice_needs_a_cold_sink_and_vapour_that_settles():
    # The sink is 6 K below the contents: it freezes at 6 °C.
    assert ices_at(curve(), 5.9)
    assert not ices_at(curve(), 6.1)
    assert ice_free_of(curve(), -10.0) == pytest.approx(6.0, abs=0.02)
    assert ice_free_of(curve(), 7.0) is None
    assert ice_free_of(curve(deposit_g=0.05), -10.0) is None  # dry: below 0.1 g a day


def test_simulated_rooms_move_the_border_between_them():
    borders = [
        Border(10.0, 0.0, "full drive", 3.0, True, 1.0),
        Border(15.0, 0.0, "full drive", 4.0),
        Border(20.0, 0.0, "full drive", 5.0, True, 5.0),
        Border(25.0, 0.0, "full drive", None),
    ]
    # Moved by -2 K at 10 °C and by nothing at 20 °C: by -1 K half way.
    assert [item.icy_c for item in moved_borders(borders)] == [1.0, 3.0, 5.0, None]


def bounds(coldest_c, icy_c):
    rooms = (5.0, 22.0, 30.0)
    return [
        Border(room, c, "full drive", i, False, None, i)
        for room, c, i in zip(rooms, coldest_c, icy_c, strict=True)
    ]


def test_the_target_is_kept_and_the_nearest_boundary_told(larder):
    config, _ = larder  # wants 8 °C
    found = advice_of(config, 2.0, bounds((-15.0, -1.0, 5.9), (1.0, 5.2, 7.0)))
    assert (found.contents_c, found.decided_by, found.ambient_c) == (8.0, ICE_BORDER, 30.0)
    assert found.spare_k == pytest.approx(1.0)
    assert not found.needs_defrost
    held = advice_of(config, 2.0, bounds((-15.0, -1.0, 7.5), (1.0, 5.2, 7.0)))
    assert held.decided_by.startswith("full drive")
    assert held.spare_k == pytest.approx(0.5)


def test_a_target_among_ice_needs_a_defrost(larder):
    config, _ = larder
    found = advice_of(config, 2.0, bounds((-15.0, -1.0, 5.9), (1.0, 5.2, 9.5)))
    assert found.needs_defrost
    assert (found.contents_c, found.spare_k) == (8.0, pytest.approx(-1.5))
    assert found.without_defrost_c == 9.5


def test_a_target_out_of_reach_in_the_worst_room_is_aimed_at_all_the_same(larder):
    config, _ = larder
    found = advice_of(config, 2.0, bounds((-15.0, -1.0, 9.0), (None, None, None)))
    assert (found.contents_c, found.ambient_c) == (8.0, 30.0)
    assert found.spare_k == pytest.approx(-1.0)
    assert not found.needs_defrost


def test_an_aim_moved_off_the_target_is_the_point(larder):
    config, _ = larder
    found = advice_of(config, 2.0, bounds((-15.0, -1.0, 9.0), (None, None, None)), 10.5)
    assert (found.contents_c, found.spare_k) == (10.5, pytest.approx(1.5))


# Screen and picture ----------------------------------------------------------------------


def screen(found, width):
    out = io.StringIO()
    screen_map.show(Console(file=out, width=width, color_system=None), found)
    return out.getvalue()


@pytest.mark.parametrize("width", [60, 80])
def test_the_screen_tells_by_letters(width):
    text = screen(small_map(), width)
    assert all(len(line.rstrip()) <= width for line in text.splitlines())
    row = next(line for line in text.splitlines() if line.split()[:1] == ["4"])
    # 4 °C: holds in the cold room, ices in the usual one, out of reach in the worst.
    assert row.split() == ["4", "0.17", "0.98i", "x"]
    assert "*8" in text
    assert "decides" in text


def test_states_of_the_made_up_map():
    found = small_map()
    states = {cell.state for row in found.cells for cell in row}
    assert {ICES, TOO_COLD} < states
    assert replace(found.cells[0][0], plug_w=100.0).kwh_per_day == pytest.approx(2.4)


def test_the_picture_is_written_whole(tmp_path):
    from ctrl.plots_map import plot_map

    path = tmp_path / "map.png"
    plot_map(small_map(), path=path)
    assert path.read_bytes()[:4] == b"\x89PNG"
    assert path.stat().st_size > 20_000
    assert [item.name for item in tmp_path.iterdir()] == ["map.png"]


def test_colours_run_to_the_border_and_beyond():
    from ctrl.plots_map import filled_in

    nan = np.nan
    kwh = np.array([[2.0, nan, nan], [1.0, nan, nan], [0.8, 1.0, nan], [0.6, 0.7, 0.9]])
    filled = filled_in(np.arange(4.0), kwh)
    assert np.all(np.isfinite(filled))
    assert filled[0, 1] == pytest.approx(1.6)  # 1.0 and 0.3 more a step, twice


# Rows, points and runs -------------------------------------------------------------------


@pytest.mark.parametrize("target_c", [7.5, 8.0, 7.25])
def test_rows_go_by_the_target_and_show_the_point(target_c):
    config = override(load_config("galley_larder"), target_c=target_c)
    contents = grid_of_contents(target_c, target_c, -1.0)
    cells = tuple(
        tuple(replace(cell, contents_c=c) for cell in small_map().cells[8]) for c in contents
    )
    advice = replace(small_map().advice, contents_c=target_c)
    found = replace(small_map(), config=config, contents_c=contents, cells=cells, advice=advice)
    rows = screen_map.rows_of(found)
    assert len(rows) >= 7
    assert contents[screen_map.point_row(found)] == target_c
    assert screen_map.point_row(found) in rows
    assert f"*{round(target_c, 1):g}" in screen(found, 80)


def test_a_point_far_above_the_target_is_in_the_grid():
    contents = grid_of_contents(0.0, 23.1, 3.5)
    assert 23.1 in contents
    assert contents[0] <= 0.0
    assert contents[-1] >= 31.0


def test_the_point_itself_decides_whether_it_needs_a_defrost(larder):
    config, _ = larder
    near = bounds((-15.0, -1.0, 5.9), (1.0, 5.2, 8.2))
    clear = [replace(item, point_ices=False, icy_c=min(item.icy_c, 8.0)) for item in near]
    found = advice_of(config, 2.0, clear)
    assert not found.needs_defrost
    assert found.is_within_resolution
    icy = [replace(item, point_ices=item.ambient_c == 30.0) for item in near]
    assert advice_of(config, 2.0, icy).needs_defrost


def border_run(monkeypatch, freezes_at_c, point_c):
    """Return the usual room's border with a made-up threshold in place of the runs."""
    config = load_config("galley_larder")
    base = plant_of(config)
    _, border = _trace(config, base, 22.0, 1.0)
    candidate = pi_candidate(config, base, config.drive.kind, 8.0, True)

    def ice_at(config, candidate, settings, ambient_c, contents_c, seed, most_days=14):
        closed_pct = 20.0 if contents_c < freezes_at_c else 0.0
        return Ice(0.0, 1.0, closed_pct, None, contents_c, contents_c, 0.5, 3, 5.0)

    monkeypatch.setattr(setpoint_map, "ice_at", ice_at)
    monkeypatch.setattr(ice_border, "ice_at", ice_at)
    return setpoint_map._simulated(config, candidate, 0.0, border, point_c, 1)


@pytest.mark.parametrize("point_c", [4.9, 5.1, 8.0])
def test_the_border_never_contradicts_the_run_at_the_point(monkeypatch, point_c):
    found = border_run(monkeypatch, 5.0, point_c)
    assert found.point_ices == (point_c < 5.0)
    assert found.point_ices == (point_c < found.simulated_c)
    assert 5.0 - 0.02 <= found.simulated_c <= 5.0 + RESOLUTION_K + 0.02


def test_the_verb_runs_and_tells(monkeypatch, capsys):
    monkeypatch.setattr(setpoint_map, "ROOMS", 2)
    # 0 °C is out of reach: the answer is no, and the point what is flashed, clear of ice.
    assert main(["map", "summer_fish_box", "--json"]) == 1
    told = json.loads(capsys.readouterr().out)
    point_c = told["advice"]["contents_c"]
    coldest = {room["ambient_c"]: room["coldest_holdable_c"] for room in told["rooms"]}
    assert 0.0 <= point_c < coldest[28.0]
    assert told["aim"]["setpoint_c"] == pytest.approx(point_c + told["setpoint_offset_k"])
    remaining = {room["ambient_c"]: room["remaining_k"] for room in told["aim"]["aim_rooms"]}
    assert remaining == pytest.approx({room_c: coldest[room_c] for room_c in remaining}, abs=0.01)
    assert point_c in [cell["contents_c"] for cell in told["rooms"][0]["cells"]]
    assert not told["advice"]["nothing_to_cool"]
    assert not told["advice"]["needs_defrost"]


def test_a_target_above_the_usual_room_is_not_recommended(monkeypatch, capsys):
    monkeypatch.setattr(setpoint_map, "ROOMS", 2)
    monkeypatch.setattr(setpoint_map, "_simulated", lambda config, c, o, border, p, s: border)
    assert main(["map", "galley_larder", "--target", "24"]) == 1
    text = capsys.readouterr().out
    assert "nothing to cool" in text
    assert "*24" not in text
