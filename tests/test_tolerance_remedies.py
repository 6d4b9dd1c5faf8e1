"""What would bring the share to the wanted one: counts by hand on draws made up."""

from dataclasses import replace

import numpy as np
import pytest

from ctrl.build import plant_of
from ctrl.config import build_config, load_config, plain_data
from ctrl.firmware import settings_of
from ctrl.tolerance_draws import Draw, spreads_of, start_of
from ctrl.tolerance_remedies import (
    Remedy,
    fitted_bound,
    measured,
    more_room,
    room_everywhere,
    words_of,
)
from ctrl.tolerances import Bench, cold_only, looked_at_cold, without

WARM, ICE = "contents warmest, worst", "ice in the fin gaps, worst"


@pytest.fixture(scope="module")
def larder():
    config = load_config("galley_larder")
    return config, plant_of(config), settings_of(config)


@pytest.fixture(scope="module")
def spreads(larder):
    return spreads_of(larder[0], larder[1])


def draw(margin, ice=1.0):
    margins = {WARM: margin, ICE: ice}
    broke = tuple(name for name, value in margins.items() if value < 0.0)
    return Draw(0, broke, margins, min(margin, ice), 1.0)


def test_a_part_measured_is_the_draws_near_its_middle(spreads):
    # The first tolerance alone decides: beyond 0.75 of its range all 25 of 100 fail; known to
    # half of it (0.25 to 0.75) none of 50 does, and 50 of 50 are at least 0.05^(1/50) = 94.2 %.
    points = np.full((100, len(spreads)), 0.5)
    points[:, 0] = (np.arange(100) + 0.5) / 100.0
    draws = [draw(0.5 if point[0] < 0.75 else -0.5) for point in points]
    names = [spreads[0].name, spreads[1].name]
    first, both = measured(names, spreads, points, draws, 0.94)
    assert (first.holds, first.draws, first.reaches) == (50, 50, True)
    assert first.share_at_least == pytest.approx(0.05 ** (1 / 50))
    assert both.draws == 50 and names[1] in both.change
    assert not measured(names, spreads, points, draws, 0.95)[0].reaches


def test_more_room_is_what_the_draws_lack():
    # Ample 2 K: margins of -0.10 and -0.31 lack 0.2 and 0.62 K. Of 400 draws 370 hold, 20 lack
    # 0.2 K (390 of 400: at least 95.8 %), 10 lack 0.62 K.
    scales = {WARM: (2.0, "K"), ICE: (1.0, "%")}
    draws = [draw(0.1)] * 370 + [draw(-0.1)] * 20 + [draw(-0.31)] * 10
    found = more_room(WARM, scales, draws, 0.95)
    assert found.change == "0.2 K more room at contents warmest"
    assert (found.holds, found.reaches) == (390, True)
    most = more_room(WARM, scales, draws, 0.99)
    assert most.change.startswith("0.7 K") and (most.holds, most.reaches) == (400, True)


def test_more_room_at_one_limit_does_not_mend_another():
    scales = {WARM: (2.0, "K"), ICE: (1.0, "%")}
    draws = [draw(0.1)] * 300 + [draw(-0.1, ice=-1.0)] * 60 + [draw(-0.1)] * 40
    found = more_room(WARM, scales, draws, 0.95)
    assert (found.holds, found.reaches) == (340, False)
    assert more_room("another, usual", scales, draws, 0.95) is None


def test_limits_fitted_to_the_draws_use_draws_up():
    """By hand: with all draws inside, two limits read off them leave P(share >= 0.95) as
    1 - n 0.95^(n-1) + (n-1) 0.95^n, 0.836 at n = 64; n = 93 is the least for 0.95 (Wilks 1942).
    """
    scales = {WARM: (2.0, "K"), ICE: (1.0, "%")}
    draws = [draw(0.1)] * 40 + [draw(-0.1, ice=-1.0)] * 24
    found = room_everywhere(scales, draws, 0.95)
    assert (found.holds, found.draws) == (64, 64)
    assert not found.reaches and found.share_at_least == pytest.approx(0.928, abs=0.001)
    assert "too few draws to show it" in words_of(found, 0.95)
    for count, enough in ((92, False), (93, True)):
        sure = 1.0 - count * 0.95 ** (count - 1) + (count - 1) * 0.95**count
        assert (sure >= 0.95) is enough
        assert (fitted_bound(count, count, 2) >= 0.95) is enough
    assert fitted_bound(123, 123, 3) < 0.95 <= fitted_bound(124, 124, 3)
    assert fitted_bound(59, 59, 1) >= 0.95 > fitted_bound(58, 58, 1)
    assert fitted_bound(1, 64, 3) == 0.0


def test_draws_that_chose_the_settings_give_no_bound():
    scales = {WARM: (2.0, "K"), ICE: (1.0, "%")}
    found = more_room(WARM, scales, [draw(0.1)] * 60 + [draw(-0.1)] * 4, 0.95)
    assert "at least 95.4 %" in words_of(found, 0.95)
    guide = words_of(replace(found, fresh=False), 0.95)
    assert "%" not in guide and "no bound" in guide


def test_room_at_every_limit_where_one_is_not_enough():
    # 60 draws lack 0.2 K and 1.0 %, 40 lack 0.2 K, 5 lack 3.0 %: both limits must give way for
    # 395 of 400 (at least 97.4 %), and the 5 worst may stay broken.
    scales = {WARM: (2.0, "K"), ICE: (1.0, "%")}
    draws = [draw(0.1)] * 295 + [draw(-0.1, ice=-1.0)] * 60 + [draw(-0.1)] * 40
    draws += [draw(0.1, ice=-3.0)] * 5
    found = room_everywhere(scales, draws, 0.95)
    assert found.change.endswith("0.2 K at contents warmest, 1.0 % at ice in the fin gaps")
    assert (found.holds, found.draws, found.reaches) == (395, 400, True)
    # What has no scale cannot be moved.
    assert not room_everywhere({WARM: (2.0, "K")}, draws, 0.95).reaches
    assert room_everywhere(scales, [draw(0.1)] * 9, 0.95) is None


def test_few_draws_are_told_apart_from_a_change_that_is_not_enough():
    # 32 of 32: at least 0.05^(1/32) = 91.1 %; no count of 32 draws can show 95 %.
    few = Remedy("a", 32, 32, 0.05 ** (1 / 32), False)
    assert words_of(few, 0.95).endswith("at least 91.1 %, too few draws to show it")
    assert words_of(replace(few, holds=20), 0.95).endswith("not enough")
    # 400 draws are enough to show it: 380 of 400 do not.
    assert words_of(Remedy("a", 400, 380, 0.928, False), 0.95).endswith("not enough")


def test_a_limit_left_out_breaks_nothing():
    found = without(draw(-0.5), frozenset({WARM}))
    assert found.holds and found.tightest == 1.0
    assert without(draw(-0.5), frozenset({"other"})).failed == (WARM,)
    assert cold_only(draw(-0.5)).margins == {}


def test_the_coldest_room_is_drawn_where_a_limit_is_at_risk_there(larder, note):
    """The same cabinet as shipped, and with its contents' least 0.1 K under what they come to."""
    config, plant, settings = larder
    bench = Bench(config, plant, spreads_of(config, plant), 7, 2)
    look, after = looked_at_cold(bench, settings)
    note(f"coldest room: {look}")
    start = start_of(config, plant, settings, "coldest", config.climate.coldest_c, 7)
    data = plain_data(config)
    data["use"]["contents_min_c"] = start.findings.contents_c.min - 0.1
    near = build_config(data, "near")
    tight, tight_after = looked_at_cold(replace(bench, config=near), settings)
    note(f"with little room for the contents: {tight}")
    assert tight.drawn and tight_after.with_coldest
    assert [start.name for start in tight_after.starts(settings)][-1] == "coldest"
    assert tight.deviations < look.deviations
    assert after.with_coldest == look.drawn
