"""The border of ice: made-up cabinets that scatter, and a thermostat that does.

Found by a reviewer's runs of a seed store's relay: at setpoints 0.1 to 0.3 K apart the gaps
closed went up and down across the limit, and halving in landed on a point that ices.
"""

from dataclasses import replace

import pytest

from ctrl.build import plant_of
from ctrl.candidates import on_off_candidate
from ctrl.config import load_config
from ctrl.ice import Ice
from ctrl.ice_border import STEP_K, Look, border_of, ice_border, is_clear, offset_of, scatter_of
from ctrl.recommend_ice import ice_at

LIMIT_PCT = 5.0
# Gaps closed [%] over the setpoint [°C] of the seed store on its relay, damp air at 20 °C, band
# 4.4 K: runs of its own, before this rule.
SEEN = {1.2: 6.40, 1.5: 6.05, 1.7: 5.61, 1.8: 3.87, 2.0: 5.27, 2.2: 4.71, 2.5: 5.03, 3.0: 3.42,
        3.6: 4.19, 4.5: 3.82}  # fmt: skip


def ice_like(blockage_pct, contents_c=4.0):
    return Ice(0.0, 6.0, blockage_pct, None, contents_c + 1.0, contents_c, 0.5, 3, LIMIT_PCT)


def border_with(closed_pct, low_c=-5.0, high_c=19.0, guess_c=3.0, **more):
    """Return (border, temperatures looked at) of gaps closed by a rule of the temperature."""
    asked = []

    def look_at(contents_c):
        asked.append(contents_c)
        return Look(contents_c, ice_like(closed_pct(contents_c), contents_c))

    return border_of(look_at, low_c, high_c, guess_c, **more), asked


@pytest.mark.parametrize("threshold_c", [-3.3, 0.0, 2.71, 9.9])
def test_where_colder_ices_more_it_is_the_threshold(threshold_c):
    found, asked = border_with(lambda c: 20.0 if c < threshold_c else 0.0)
    assert threshold_c <= found.contents_c <= threshold_c + STEP_K
    assert found.icy.contents_c == pytest.approx(found.contents_c - STEP_K)
    assert (found.scatter_pct, found.lone) == (0.0, ())
    assert len(asked) == len(set(asked)) <= 20


def seen(contents_c):
    """Return the measured gaps closed of the nearest setpoint; far colder more, far warmer none."""
    if contents_c < 1.0:
        return 12.0
    if contents_c > 5.5:
        return 0.5
    return SEEN[min(SEEN, key=lambda at: abs(at - contents_c))]


@pytest.mark.parametrize("guess_c", [-4.0, 1.8, 2.25, 3.0, 8.0])
def test_a_clear_point_among_ice_is_not_the_border(guess_c):
    """Halving may land on 1.8 °C (3.87 %), with ice at 2.0 and 2.5 °C; no guess leads there."""
    found, _ = border_with(seen, low_c=-5.2, guess_c=guess_c)
    assert found.contents_c >= 2.75
    warmer = [look for look in found.looks if look.contents_c >= found.contents_c]
    assert len(warmer) >= 4
    assert all(look.ice.blockage_pct + found.scatter_pct < LIMIT_PCT for look in warmer)
    assert found.icy.ice.ices and found.icy.contents_c < found.contents_c
    assert found.scatter_pct == pytest.approx(0.5 * (5.27 - 3.87), abs=0.15)
    assert [round(look.contents_c, 2) for look in found.lone][-2:] == [1.8, 2.3]
    text = found.words("usual")
    assert "not to be relied on: 1.8 °C" in text and "scatter by ±0.7 %" in text


def test_the_edges():
    none, _ = border_with(lambda c: 0.0)
    assert none.contents_c == -5.0 and none.icy is None
    assert none.words("usual") == (
        "It does not ice down to the coldest the usual room lets it hold"
    )
    every, _ = border_with(lambda c: 20.0)
    assert every.clear is None and every.contents_c is None and every.setpoint_c is None
    assert every.words("worst") == "It ices at every temperature tried in the worst room"
    point, asked = border_with(lambda c: 0.0, low_c=7.0, high_c=7.0)
    assert (point.contents_c, asked) == (7.0, [7.0])


def test_threads_move_nothing():
    one, _ = border_with(seen, workers=1)
    many, _ = border_with(seen, workers=4)
    assert one == many


def test_what_rises_towards_warmer_is_scatter():
    def looks(*closed_pct):
        return {n: Look(float(n), ice_like(pct)) for n, pct in enumerate(closed_pct)}

    assert scatter_of(looks(8.0, 5.0, 2.0, 0.0)) == 0.0
    assert scatter_of(looks(8.0, 4.0, 5.4, 3.0)) == pytest.approx(0.7)
    assert scatter_of(looks(12.0, 60.0, 2.0)) == 0.0  # far beyond the limit nothing is told
    assert is_clear(Look(3.0, ice_like(4.2)), 0.7)
    assert not is_clear(Look(3.0, ice_like(4.4)), 0.7)
    assert is_clear(Look(3.0, ice_like(0.0)), 6.0)  # no frost at all


@pytest.fixture(scope="module")
def store():
    """The seed store's thermostat with a band of 4.4 K, as it was flashed when this was found."""
    config = load_config("seed_store")
    item = on_off_candidate(config, plant_of(config), "relay", 4.3, True)
    settings = replace(item.settings, setpoint_c=4.3, hysteresis_k=4.4, min_on_s=180.0,
                       min_off_s=180.0)  # fmt: skip
    return config, replace(item, settings=settings)


def test_no_setpoint_above_the_border_ices_on_a_relay(store, note):
    """Halving gave 1.7 °C, which ices itself (5.6 %), with more ice at 2.0 °C above it."""
    config, item = store
    room_c = config.climate.usual_c
    found = ice_border(config, item, room_c, 1)
    note(found.words("usual"))
    assert found.scatter_pct > 0.1
    assert found.icy.setpoint_c < found.setpoint_c
    # Setpoints between the looks, of another seed: none ices.
    for above_k in (0.1, 0.35, 0.6, 0.85, 1.3):
        setpoint_c = round(found.setpoint_c + above_k, 2)
        settings = replace(item.settings, setpoint_c=setpoint_c, defrost=None)
        aimed_c = setpoint_c - offset_of(config, item)
        ice = ice_at(config, item, settings, room_c, aimed_c, 2, most_days=5)
        note(f"setpoint {setpoint_c:.2f} °C: {ice.blockage_pct:.2f} % closed")
        assert not ice.ices


def test_out_of_reach_the_sensors_place_gives_the_offset():
    """0 °C out of reach, 16 °C flashed: aimed at contents, not 16 K above them."""
    config = load_config("summer_fish_box")
    item = on_off_candidate(config, plant_of(config), "relay", 16.1, True)
    assert abs(offset_of(config, item)) < 3.0
