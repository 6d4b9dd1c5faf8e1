"""A twin that must not be believed is said to be so: on screen, in JSON, by exit status and file.

The log is one of the other plant's (`tests/other_plant.py`), its truth known.
"""

import io
import json
from dataclasses import replace

import pytest
from rich.console import Console

from ctrl import calibrate as calibrate_module
from ctrl import calibrate_trust, cli, screen_calibrate
from ctrl.calibrate import calibrate
from ctrl.calibrate_file import twin_text
from ctrl.config import ConfigError, load_config, parse_config
from ctrl.log_file import read_log
from ctrl.report_config import told_parts
from ctrl.shipped import find_config
from ctrl.twin import BY_NAME, PARTS
from ctrl.twin_spreads import measured_words
from tests import other_plant
from tests.synthetic_logs import make_log

NAMES = (
    "time_s", "air_c", "cold_sink_c", "hot_sink_c", "ambient_c", "ambient_rh_pct", "supply_v",
    "module_a", "duty", "hot_fan", "cold_fan",
)  # fmt: skip
HOURS = 2.2
STATED = 1.5  # times the hot sink's K/W that the log was made about; its tolerance is a tenth


@pytest.fixture(scope="module")
def wrong(tmp_path_factory):
    """(truth, log's path, calibration) of a config whose hot sink is stated half too high."""
    folder = tmp_path_factory.mktemp("trust")
    truth, columns = make_log(load_config("film_box"), "box", 3)
    rows = columns["time_s"] <= 3600.0 * HOURS
    path = folder / "box.csv"
    other_plant.write(path, {name: columns[name][rows] for name in NAMES}, NAMES)
    text = find_config("film_box").read_text(encoding="utf-8")
    assert text.count("fan_k_per_w = 0.30") == 1
    (folder / "wide.toml").write_text(
        text.replace("fan_k_per_w = 0.30", f"fan_k_per_w = {0.30 * STATED:.3f}"), encoding="utf-8"
    )
    config = load_config(str(folder / "wide.toml"))
    return truth, path, calibrate(config, read_log(path), starts=1)


@pytest.fixture(scope="module")
def stuck(wrong):
    """Return the same with the hot sink at the end of what the wider search may reach."""
    _, _, found = wrong
    x = found.x.copy()
    x[[part.name for part in found.setup.parts].index("hot_sink")] = -calibrate_trust.WIDEST
    items = tuple(
        replace(item, told=False, at_bound=True) if item.name == "hot_sink" else item
        for item in found.estimates
    )
    return replace(found, x=x, estimates=items)


def shown(found):
    out = io.StringIO()
    screen_calibrate.show(Console(file=out, width=200), found, ())
    return out.getvalue()


def test_a_part_beyond_its_tolerance_is_found_with_a_wider_one(wrong, note):
    truth, _, found = wrong
    assert "hot_sink" in found.widened
    assert found.distrust == ()
    item = next(item for item in found.lumps if item.name == "hot_resistance_k_per_w")
    low, high = item.interval
    note(f"hot {item.value:.3f} [{low:.3f}, {high:.3f}], true {truth.lumps[item.name]:.3f}")
    # The bound of the first search, 0.817 times the sink's K/W, is far above the truth.
    assert item.value == pytest.approx(truth.lumps[item.name], rel=0.05)
    text = shown(found)
    assert text.index("config and log disagree: the tolerances do not reach") < text.index(
        "What it comes to"
    )
    assert "Beyond its tolerance: hot sink's K/W" in " ".join(text.split())
    assert "tolerances.sinks_pct" in text
    assert "not to be trusted" not in text


def test_a_part_still_at_its_bound_has_no_interval(stuck):
    (reason,) = stuck.distrust
    assert "hot sink's K/W at the end of what the search may reach" in reason
    text = shown(stuck)
    assert text.index("This twin is not to be trusted") < text.index("What it comes to")
    assert "90 % interval" not in text
    assert "hot_sink" not in {item.name for item in stuck.untold}  # its value is not the config's
    row = next(line for line in text.splitlines() if line.strip().startswith("hot sink's K/W  "))
    assert row.split()[-1] == "bound"


def test_another_module_is_no_twin(wrong):
    """A module's number beyond its tolerance takes its others with it: conductance with 1/R."""
    _, _, found = wrong
    names = [part.name for part in found.setup.parts]
    x = found.x.copy()
    x[names.index("resistance")] = 3.0  # as if it had been freed and come out that far
    told = calibrate_trust.reasons(
        found.setup, x, found.whiteness, found.tail_rms, found.before_rms, ("resistance",)
    )
    assert any("another module than the config's" in text for text in told)
    assert not any("another module" in text for text in found.distrust)


def test_a_lag_at_its_bound_is_marked_but_no_reason(wrong):
    _, _, found = wrong
    x = found.x.copy()
    index = [part.name for part in found.setup.parts].index("air_lag")
    x[index] = calibrate_trust.WIDEST
    assert calibrate_trust.at_bound(found.setup, x)[index]
    assert replace(found, x=x).distrust == ()


def test_a_twin_does_not_call_a_lag_at_its_bound_measured(wrong):
    _, _, found = wrong
    found = replace(
        found, estimates=tuple(replace(item, at_bound=False) for item in found.estimates)
    )
    items = tuple(
        replace(item, told=False, at_bound=True) if item.name == "air_lag" else item
        for item in found.estimates
    )
    config = parse_config(twin_text(replace(found, estimates=items)), "twin.toml")
    measured, *rest = measured_words(config)
    words = BY_NAME["air_lag"].words
    assert words not in measured
    assert any(text.startswith("At the end of the search") and words in text for text in rest)
    assert "air_lag" not in told_parts(config)
    with pytest.raises(ConfigError, match=r"twin\.at_bound"):
        parse_config(twin_text(found).replace("[twin]", '[twin]\nat_bound = ["dune"]'), "twin.toml")


def test_a_column_in_fahrenheit_is_not_absorbed(wrong):
    _, _, found = wrong
    white = found.whiteness | {"air_c": replace(found.whiteness["air_c"], rms=45.6)}
    (reason,) = replace(found, whiteness=white).distrust
    assert reason.startswith("air_c: 45.6 K off (rms) even where fitted")
    assert "unit" in reason


@pytest.mark.parametrize(
    ("tail", "before", "good"),
    [(0.4, 0.1, True), (0.6, 0.1, False), (0.6, 2.0, True), (1.2, 2.0, False)],
)
def test_what_is_held_back_must_be_predicted(wrong, tail, before, good):
    _, _, found = wrong
    tails, befores = found.tail_rms | {"air_c": tail}, found.before_rms | {"air_c": before}
    assert (replace(found, tail_rms=tails, before_rms=befores).distrust == ()) is good


@pytest.mark.parametrize(("melts", "words"), [(1, "melted once;"), (3, "melted 3 times;")])
def test_melts_are_counted_in_words(melts, words):
    assert words in calibrate_trust.frost_words(calibrate_trust.Frost(0.0, 0.1, 2.0, 4.0, melts))


def test_every_part_says_what_to_check(wrong):
    for part in PARTS:
        if not part.name.endswith("_lag"):
            assert calibrate_trust.remedy([part.name]).startswith("check the config ([")


def test_the_verb_refuses_a_twin_not_to_be_trusted(wrong, stuck, tmp_path, capsys, monkeypatch):
    _, path, _ = wrong
    monkeypatch.setattr(calibrate_module, "calibrate", lambda *args, **options: stuck)
    twin = tmp_path / "twin.toml"
    words = ["calibrate", stuck.config.source, str(path), "--out", str(twin), "--json"]
    assert cli.main(words) == 1
    told = capsys.readouterr()
    answer = json.loads(told.out)
    assert answer["trusted"] is False
    assert answer["distrust"] == list(stuck.distrust)
    assert {item["interval_low"] for item in answer["lumps"]} == {None}
    assert {item["interval_high"] for item in answer["lumps"]} == {None}
    ends = [item["key"] for item in answer["estimates"] if item["at_bound"]]
    assert "twin.hot_sink_times" in ends
    assert "not written" in told.err
    assert not twin.exists()
    # To replace a file is one thing, to write what must not be believed another.
    assert cli.main([*words, "--force"]) == 1
    assert not twin.exists()
    assert "--untrusted" in capsys.readouterr().err
    assert cli.main([*words, "--untrusted"]) == 1
    before = twin.read_bytes()
    assert cli.main([*words, "--untrusted"]) == 2
    assert cli.main([*words, "--force"]) == 1
    assert twin.read_bytes() == before
    config = parse_config(twin.read_text(encoding="utf-8"), "twin.toml")
    assert config.twin.distrust == stuck.distrust
    assert measured_words(config)[0].startswith("This twin is not to be trusted: config and log")


@pytest.mark.parametrize(("p", "said"), [(0.01, True), (0.2, False)])
def test_residuals_that_are_not_white_are_named(wrong, p, said):
    _, _, found = wrong
    white = {name: replace(item, ljung_box_p=p if name == "air_c" else 0.5)
             for name, item in found.whiteness.items()}  # fmt: skip
    assert ("Not white: air." in shown(replace(found, whiteness=white))) is said
