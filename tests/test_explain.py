"""Where a number comes from: chains give the recommendation's value and the config's keys."""

import json
import re
from dataclasses import replace
from io import StringIO

import pytest
from larder import recommended_larder, with_stages
from rich.console import Console

from ctrl import cli
from ctrl.build import heat_leak_parts_w_per_k
from ctrl.check import keys_of
from ctrl.config import config_fields, load_config
from ctrl.explain import CHAINS, explain
from ctrl.explain_keys import FAMILIES, bare, family_of, numbers_of, unit_of
from ctrl.honesty import SIMPLICITY, _pair, pairs_of, simplicity
from ctrl.json_out import text_of
from ctrl.json_out_robust import of_chain, of_sweep, of_tolerance
from ctrl.screen_recommend import show, show_first
from ctrl.screen_robust import show_chain, show_pairs, show_sweep, show_tolerance
from ctrl.shipped import shipped_names
from ctrl.tolerance_draws import Draw
from ctrl.tolerances import Tolerance, Variant, tolerance_of

WANTED = ("setpoint", "kp", "ti", "hysteresis", "duty_limit", "coldest_holdable", "energy",
          "defrost_interval", "pull_down", "fuse", "heat_leak")  # fmt: skip


@pytest.fixture(scope="module")
def larder():
    return recommended_larder()


def test_the_names_asked_for_are_there():
    assert set(WANTED) <= set(CHAINS)


@pytest.mark.parametrize("name", WANTED)
def test_chain(larder, name):
    chain, keys = explain(larder, name), {row.key: row.unit for row in config_fields()}
    settings = larder.chosen.candidate.settings
    expected = {
        "setpoint": larder.setpoint_c, "kp": settings.kp_pct_per_k, "ti": settings.ti_s,
        "hysteresis": None, "duty_limit": larder.duty_limit.duty,
        "coldest_holdable": larder.coldest_holdable_c, "defrost_interval": None,
        "energy": larder.chosen.findings.energy_kwh_per_day, "pull_down": larder.pull_down_h,
        "fuse": 10.0, "heat_leak": sum(heat_leak_parts_w_per_k(larder.config).values()),
    }  # fmt: skip
    assert chain.value == expected[name]
    assert chain.method and chain.decided_by and chain.changes
    for item in chain.inputs:
        assert keys[item.key] == item.unit
        section, key = item.key.split(".")
        assert getattr(getattr(larder.config, section), key) == item.value
        assert item.origin
    if name not in ("hysteresis",):
        assert chain.inputs and chain.steps
    data = json.loads(text_of(of_chain(larder, chain, "0")))
    assert data["name"] == name and len(data["inputs"]) == len(chain.inputs)


def test_steps_lead_to_the_value(larder):
    steps = {item.name: item.value for item in explain(larder, "fuse").steps}
    whole = steps["module's current at start-up"] + steps["fans"]
    assert steps["1.25 times the whole"] == pytest.approx(1.25 * whole)
    assert steps["1.25 times the whole"] < 10.0 < steps["what the wire carries"]
    leak = explain(larder, "heat_leak")
    assert sum(item.value for item in leak.steps) == pytest.approx(leak.value)
    limit = explain(larder, "duty_limit")
    assert limit.value == pytest.approx(min(item.value for item in limit.steps), abs=1e-3)
    point = {item.name: item.value for item in explain(larder, "setpoint").steps}
    assert larder.setpoint_c - point["contents, mean, with this setpoint"] == pytest.approx(
        point["sensor's place above the contents"]
    )


def test_an_unknown_name_lists_the_names(capsys):
    assert cli.main(["recommend", "film_box", "--explain", "colour"]) == 2
    error = capsys.readouterr().err.splitlines()
    assert len(error) == 1 or "compiling" in error[0]
    assert "colour" in error[-1] and all(name in error[-1] for name in WANTED)


def test_a_place_that_is_not_there_is_refused(larder, capsys, monkeypatch):
    """Without its index, beyond its list, or misspelt after a known beginning."""
    for name in ("cases.usual.findings.contents_c.mean", "limits[99].margin", "limits.0.margin"):
        with pytest.raises(KeyError):
            explain(larder, name)
    # A null has its chain: the JSON has the place.
    empty = "controllers[0].relay_life_years"
    assert larder.chosen.relay_life_years is None and explain(larder, empty).value is None
    assert explain(larder, "relay_life").value is None
    monkeypatch.setattr("ctrl.recommend.recommend", lambda *_, **__: larder)
    assert cli.main(["recommend", "galley_larder", "--explain", "limits[99].margin"]) == 2
    assert "limits[99].margin" in capsys.readouterr().err.splitlines()[-1]


def test_every_number_of_the_json_has_a_chain(larder, widened):
    """Whatever `recommend --json` prints: a chain with its own value, a method and a cause."""
    for found in (larder, widened):
        known = numbers_of(found)
        assert len(known) > 300
        assert [place for place in known if family_of(place) is None] == []
    seen = set()
    for place, value in known.items():
        if bare(place) in seen:
            continue
        seen.add(bare(place))
        chain = explain(widened, place)
        assert chain.name == place and chain.value == pytest.approx(value, rel=1e-5, abs=1e-9)
        assert chain.method and chain.decided_by and chain.changes
    assert {"limits.margin", "cases.findings.duty_mean", "tolerance.parts.share"} <= seen


# What the screen prints that is no figure of this cabinet: a norm, a rule of safety.
FIXED_WORDS = ("IEC 62552-3", "fuse, 1.25 x current", "(70 to 85 °C")


def untraced(found):
    """Return (number, line) of what `recommend` prints and neither JSON nor config holds.

    As printed, to its own digits; shares also in per cent, kWh in Wh, seconds in minutes.
    """
    out = Console(width=250, no_color=True, record=True, file=StringIO())
    show_first(out, found.config, found.provisional)
    show(out, found)
    known = [*numbers_of(found).values()]
    known += [
        float(row.value) for row in keys_of(found.config)
        if isinstance(row.value, int | float) and not isinstance(row.value, bool)
    ]  # fmt: skip
    # Operating points that JSON names in words, with their duty, room and voltage.
    named = [
        item.pi and (item.tuned_at[item.pi.highest], item.tuned_at[item.pi.lowest])
        for item in (found.chosen.candidate,)
    ]
    known += [float(x) for words in named for x in re.findall(r"\d+\.?\d*", " ".join(words or ()))]
    missing = []
    for line in out.export_text().splitlines():
        for words in FIXED_WORDS:
            line = line.replace(words, "")
        for told in re.finditer(r"(?<![\w.])\d+(?:\.(\d+))?(?=( min)?)", line):
            half = 0.5 * 10.0 ** -len(told.group(1) or "")
            scales = (1.0, 100.0, 1e3, 1e-3, *((1.0 / 60.0,) if told.group(2) else ()))
            near = (abs(abs(value) * scale - float(told.group())) for value in known
                    for scale in scales)  # fmt: skip
            if min(near) > half * (1.0 + 1e-6):
                missing.append((told.group(), line.strip()))
    return missing


@pytest.mark.parametrize("name", shipped_names())
def test_every_number_on_the_screen_is_in_the_json_or_the_config(name):
    """Many numbers meet another by chance, those with decimals seldom: so it was seen to fail."""
    assert untraced(with_stages(name)[0]) == []


def test_a_number_that_nothing_holds_is_seen(larder):
    item = replace(larder, cautions=(*larder.cautions, "It takes 123.45 s."))
    assert untraced(item) == [("123.45", "- It takes 123.45 s.")]


def test_families_name_chains_and_keys_that_exist():
    keys = {row.key for row in config_fields()}
    for place, family in FAMILIES.items():
        if isinstance(family, str):
            assert family in CHAINS, place
            continue
        for key in family.keys:
            assert key in keys or any(each.startswith(key) for each in keys if key[-1] == ".")
    assert family_of("colour") is None and family_of("limits[3].margin") is FAMILIES["limits"]
    assert unit_of("cases[0].findings.air_c.mean") == "°C"


# What cannot be told apart -----------------------------------------------------------------


def day(energy, holds=True):
    return Draw(0, () if holds else ("x, usual",), {}, 0.0, energy)


def test_same_where_the_spread_covers_the_difference(larder):
    first, other = (item.candidate for item in larder.controllers[:2])
    mine = [day(1.0 + 0.1 * n) for n in range(16)]
    # 0.02 +/- 1.645 x 0.05 (by hand: the alternating part's standard deviation is 0.05).
    near = [day(x.energy_kwh_per_day - 0.02 + 0.05 * (-1) ** n) for n, x in enumerate(mine)]
    found = _pair(first, other, mine, near)
    assert found.saves_kwh_per_day == pytest.approx(0.02)
    assert found.spread_kwh_per_day == pytest.approx(1.645 * 0.05)
    assert found.same and (found.simpler_controller, found.simpler_drive) == ("on_off", "relay")
    # The same difference without a spread is told; so is one that breaks limits.
    assert not _pair(first, other, mine, [day(x.energy_kwh_per_day - 0.02) for x in mine]).same
    broken = [replace(x, failed=("x, usual",)) for x in near]
    assert not _pair(first, other, mine, broken).same


def test_pairs_are_told_apart_by_a_sign_test_of_common_draws(larder):
    first, other = (item.candidate for item in larder.controllers[:2])
    found = _pair(first, other, [day(1.0, n < 8) for n in range(16)],
                  [day(1.0, n >= 8) for n in range(16)])  # fmt: skip
    # Eight only the one way and eight only the other: no chance is needed, and not one choice.
    assert (found.only_held, found.only_other_held, found.sign_test_p) == (8, 8, 1.0)
    assert not found.same
    # Five all one way: 2 x 2^-5 by hand; four: 2 x 2^-4, which chance does.
    for count, p, same in ((5, 2.0**-4, False), (4, 2.0**-3, True)):
        found = _pair(first, other, [day(1.0)] * 16, [day(1.0, n >= count) for n in range(16)])
        assert found.sign_test_p == pytest.approx(p) and found.same is same


def test_a_draw_without_a_steady_state_is_left_out_and_counted(larder):
    first, other = (item.candidate for item in larder.controllers[:2])
    found = _pair(first, other, [day(1.0)] * 15 + [day(float("nan"))], [day(0.9)] * 16)
    assert found.saves_kwh_per_day == pytest.approx(0.1)
    assert found.draws_without_energy == 1 and not found.same
    none = _pair(first, other, [day(float("nan"))] * 2, [day(0.9)] * 2)
    assert none.draws_without_energy == 2 and not none.same


def test_changed_settings_are_traced_to_the_tolerances(larder):
    item = larder.chosen.candidate
    settings = item.settings
    less = replace(settings, duty_limit=0.9 * settings.duty_limit)
    part = Tolerance(
        less, "duty limit 10 % lower",
        (Variant("as tuned", settings, 8, 5), Variant("", less, 8, 0)),
        True, 8, 8, 0.7, 0.95, (), "hot sink, worst", (), "", (1.0, 2.0), 11.0, 4.0, "no", 1, (),
    )  # fmt: skip
    chosen = replace(larder.chosen, candidate=replace(item, settings=less))
    found = replace(larder, tolerance=part, chosen=chosen)
    chain = explain(found, "duty_limit")
    assert chain.value == less.duty_limit and "10 % lower" in chain.decided_by
    assert found.tolerance_verdict == "not_kept" and "NOT SHOWN for 95 %" in found.tolerance_reason
    assert (larder.tolerance_verdict, larder.tolerance_reason) == ("left_out", "")
    assert explain(found, "share_holds").value == 1.0
    out = Console(width=80, no_color=True, record=True, file=StringIO())
    show(out, found)
    top = " ".join(out.export_text().split()).partition("Settings to flash")[0]
    assert "AS DESCRIBED" in top and "NOT SHOWN for 95 %" in top


def test_a_chain_is_not_drawn(capsys):
    args = ["recommend", "film_box", "--explain", "fuse", "--plot", "a.png"]
    assert cli.main(args) == 2
    assert "--plot" in capsys.readouterr().err


def test_every_chain_has_its_words(larder):
    for name in CHAINS:
        chain = explain(larder, name)
        assert chain.name == name and chain.method and chain.decided_by and chain.changes
    rows = {item.ambient_c: item.energy_kwh_per_day for item in larder.energy_day.rows}
    assert explain(larder, "energy_16").value == rows[16.0]
    assert explain(larder, "hold_over").value == larder.hold_over_h
    assert explain(larder, "bottleneck_gain").value == larder.bottlenecks[0].gain_k


def test_order_of_simplicity():
    assert simplicity("on_off", "relay") == 0
    assert simplicity("fixed", "relay") < simplicity("pi", "fast_pwm")
    assert simplicity("pi", "fast_pwm") < simplicity("pi", "smoothed") < len(SIMPLICITY)
    assert simplicity("something", "new") == len(SIMPLICITY)


def test_smoothed_current_is_told_from_pulses(larder):
    # Paired on common draws the saving stands out though each energy varies by a fifth.
    items = [larder.controllers[0].candidate, larder.controllers[-1].candidate]
    assert items[1].drive == "smoothed"
    found = pairs_of(larder.config, items, seed=1, draws=6, workers=2)[0]
    assert not found.same and found.saves_kwh_per_day > 3.0 * found.spread_kwh_per_day
    whole = larder.chosen.findings.energy_kwh_per_day
    whole -= larder.controllers[-1].findings.energy_kwh_per_day
    assert found.saves_kwh_per_day == pytest.approx(whole, rel=0.15)


# Screens and JSON --------------------------------------------------------------------------


@pytest.fixture(scope="module")
def widened(larder):
    """The larder's recommendation with a few draws out of tolerance."""
    item = larder.chosen.candidate
    found = tolerance_of(larder.config, item.plant, item.settings, seed=1, draws=10, compared=8,
                         workers=2)  # fmt: skip
    return replace(larder, tolerance=found)


@pytest.mark.parametrize("width", [60, 80])
def test_screens_fit_and_say_the_numbers(widened, width, tmp_path):
    from ctrl.design_sweep import sweep
    from ctrl.plots_robust import plot_sweep, plot_tolerance

    out = Console(width=width, no_color=True, record=True, file=open(tmp_path / "o", "w"))
    found = widened.tolerance
    show_tolerance(out, found, every=True)
    show_pairs(out, widened.pairs)
    for name in WANTED:
        show_chain(out, "larder", explain(widened, name))
    text = out.export_text()
    assert max(len(line) for line in text.splitlines()) <= width
    assert "…" not in text
    assert f"{found.holds} of {found.draws} fresh draws" in " ".join(text.split())
    assert "Measure first: control sensor" in " ".join(text.split())
    data = json.loads(text_of(of_tolerance(widened, found, "0")))
    assert data["share_holds"] == pytest.approx(found.holds / found.draws)
    assert {item["name"] for item in data["parts"]} == {item.name for item in found.parts}
    if width == 80:
        small = sweep(load_config("film_box"), seed=1, draws=4)
        show_sweep(out, small, every=True)
        assert "Advice: " in out.export_text()
        assert json.loads(text_of(of_sweep(small, "0")))["designs"]
        for draw in (lambda p: plot_sweep(small, p),
                     lambda p: plot_tolerance(widened.config, found, p)):  # fmt: skip
            draw(tmp_path / "a.png")
            assert (tmp_path / "a.png").read_bytes().startswith(b"\x89PNG")
