"""What a config states far wrong is found by a log that tells it, and marked where it does not.

Each config is 25 to 60 % off the truth in a lump, so that the config by itself fails what is
asked of its twin: within 10 % of the truth, or an interval that holds it.
"""

import io
import re
from dataclasses import replace

import numpy as np
import pytest
from rich.console import Console

from ctrl import screen_calibrate
from ctrl.calibrate import NINETY, calibrate
from ctrl.calibrate_file import twin_text
from ctrl.calibrate_tests import next_tests
from ctrl.config import load_config, parse_config
from ctrl.log_file import read_log
from ctrl.shipped import find_config, find_log
from ctrl.twin import LUMPED
from tests import other_plant
from tests.synthetic_logs import drawn_truth, make_log, true_parts

NAMES = (
    "time_s", "air_c", "cold_sink_c", "hot_sink_c", "ambient_c", "ambient_rh_pct", "supply_v",
    "module_a", "duty", "hot_fan", "cold_fan",
)  # fmt: skip
HOURS = 2.2
LEAST_OFF = 0.25
LUMPS = {"hot": "hot_resistance_k_per_w", "cold": "cold_resistance_k_per_w", "foam": "ua_w_per_k"}
KEYS = {"hot": ("hot_sink", "fan_k_per_w"), "cold": ("cold_sink", "fan_k_per_w"),
        "foam": ("cabinet", "foam_thickness_mm")}  # fmt: skip
OVERNIGHT = (
    (10, 0.0, 1, 1), (80, 0.7, 1, 1), (60, 0.4, 1, 1), (420, 0.0, 1, 1), (30, 0.5, 1, 1),
)  # fmt: skip


def stated(shipped="film_box", **times):
    """Return a shipped config with values so many times what its file says."""
    text = find_config(shipped).read_text(encoding="utf-8")
    for name, factor in times.items():
        table, key = KEYS[name]
        begin = text.index(f"\n[{table}]")
        line = re.compile(rf"^{key} = ([\d.]+)", re.MULTILINE).search(text, begin)
        value = float(line[1]) * factor
        text = text[: line.start()] + f"{key} = {value:.4g}" + text[line.end() :]
    return parse_config(text, "wrong.toml")


@pytest.fixture(scope="module")
def short(tmp_path_factory):
    """(truth, path) of two hours of a film box."""
    truth, columns = make_log(load_config("film_box"), "box", 3)
    rows = columns["time_s"] <= 3600.0 * HOURS
    path = tmp_path_factory.mktemp("short") / "box.csv"
    other_plant.write(path, {name: columns[name][rows] for name in NAMES}, NAMES)
    return truth, path


@pytest.fixture(scope="module")
def overnight(tmp_path_factory):
    """(truth, path) of a film box that is cooled, then left to warm overnight."""
    config, stream = load_config("film_box"), np.random.default_rng(11)
    truth = drawn_truth(config, stream)
    columns = other_plant.run(truth, OVERNIGHT, 120.0, stream, 21.0, follow_s=3600.0, rtol=1e-4)
    path = tmp_path_factory.mktemp("overnight") / "box.csv"
    other_plant.write(path, columns, NAMES)
    return truth, path


def found_of(log, times):
    """Return (truth, calibration) of a config so far off."""
    truth, path = log
    return truth, calibrate(stated(**times), read_log(path), starts=1)


@pytest.fixture(scope="module")
def both_sinks(short):
    return found_of(short, {"hot": 1.5, "cold": 0.65})


@pytest.fixture(scope="module")
def cold_sink(short):
    return found_of(short, {"cold": 1.6})


@pytest.fixture(scope="module")
def thin_foam(overnight):
    return found_of(overnight, {"foam": 0.5})


@pytest.fixture(scope="module")
def less_thin_foam(overnight):
    return found_of(overnight, {"foam": 0.62})


def is_recovered(value, low, high, true):
    return abs(value / true - 1.0) < 0.1 or low <= true <= high


@pytest.mark.parametrize(
    ("case", "names"),
    [("both_sinks", ("hot", "cold")), ("cold_sink", ("cold",)), ("thin_foam", ("foam",))],
)
def test_what_the_config_states_far_wrong_is_recovered(case, names, request, note):
    truth, found = request.getfixturevalue(case)
    assert found.distrust == ()
    lumps = {item.name: item for item in found.lumps}
    for name in (LUMPS[name] for name in names):
        item, true = lumps[name], truth.lumps[name]
        low, high = item.interval
        note(f"{name}: true {true:.3f}, config {item.before:.3f}, twin {item.value:.3f} "
             f"[{low:.3f}, {high:.3f}]")  # fmt: skip
        assert abs(item.before / true - 1.0) > LEAST_OFF  # the config by itself fails
        assert not low <= item.before <= high
        assert is_recovered(item.value, low, high, true)
        assert item.told
    assert all(
        is_recovered(item.value, *item.interval, truth.lumps[item.name])
        for item in found.lumps
        if item.name in LUMPS.values()
    )


@pytest.mark.parametrize("case", ["both_sinks", "cold_sink", "thin_foam"])
def test_lumps_of_one_node_have_errors_that_hold_the_parts_own(case, request, note):
    # Base and fins, shell and core: two nodes each, where the model has one.
    truth, found = request.getfixturevalue(case)
    true = true_parts(found.config, truth)
    items = [item for item in found.estimates if item.name in LUMPED and item.name in true]
    assert {item.name for item in items} == {
        "contents_film", "contents_capacity", "hot_capacity", "cold_capacity",
        "air_lag", "cold_lag", "hot_lag",
    }  # fmt: skip
    # Factors: their errors are of the logarithm.  At its bound neither value nor error is known.
    apart = {item.name: np.log(item.value / true[item.name]) * item.value / item.error
             for item in items if not item.at_bound}  # fmt: skip
    assert all(item.name.endswith("_lag") for item in items if item.at_bound)
    assert "hot_lag" in apart
    note(f"{case}: " + ", ".join(f"{name} {z:+.2f}" for name, z in apart.items()))
    assert all(item.is_lump for item in items)
    assert max(map(abs, apart.values())) < NINETY


def test_a_hot_sink_stated_twice_too_high_spreads_to_no_other_part(note):
    # The larder's log tells less: its cold sink went 31 % off when many parts were freed together.
    config = stated("galley_larder", hot=1.9)
    stream = np.random.default_rng(np.random.SeedSequence([400, len("larder")]))
    truth = drawn_truth(load_config("galley_larder"), stream)  # of the log that is shipped
    found = calibrate(config, read_log(find_log("galley_larder_log.csv")), starts=1)
    assert found.distrust == ()
    assert found.widened == ("hot_sink",)
    for item in found.lumps:
        true = truth.lumps[item.name]
        note(f"{item.name}: true {true:.4g}, config {item.before:.4g}, twin {item.value:.4g} "
             f"{item.interval}")  # fmt: skip
        assert is_recovered(item.value, *item.interval, true)


def test_a_prior_that_holds_the_log_back_is_told(less_thin_foam, thin_foam, note):
    # Not so far off that the foam reaches its bound: the tolerances win, and that is said.
    truth, found = less_thin_foam
    item = next(item for item in found.lumps if item.name == "ua_w_per_k")
    note(f"true {truth.lumps[item.name]:.3f}, {item.before:.3f}, twin {item.value:.3f} "
         f"{item.interval}; pulled {found.pulled}")  # fmt: skip
    assert "foam" in found.pulled
    said = [text for text in found.doubts if "more than its tolerance and chance allow" in text]
    assert len(said) == len(found.pulled)
    assert all("[cabinet]" in text for text in said)
    assert not thin_foam[1].pulled  # freed, it is pulled no more


def test_a_lump_beyond_its_prior_is_no_fault_of_the_config(cold_sink):
    _, found = cold_sink
    assert any("config and log disagree" in text for text in found.doubts)
    (text,) = replace(found, widened=("hot_capacity",)).doubts
    assert "as the model's one node needs it: heat capacity of the hot sink" in text


@pytest.mark.parametrize(
    ("tail", "before", "said"), [(0.15, 0.07, True), (0.10, 0.07, False), (0.07, 0.15, False)]
)
def test_a_twin_that_predicts_worse_than_its_config_says_so(cold_sink, tail, before, said):
    _, found = cold_sink
    tails, befores = found.tail_rms | {"air_c": tail}, found.before_rms | {"air_c": before}
    texts = replace(found, tail_rms=tails, before_rms=befores).doubts
    assert any("the config by itself is better there" in text for text in texts) is said


def test_draws_take_a_lump_with_what_its_one_node_lacks(cold_sink):
    found = replace(cold_sink[1], config=load_config("film_box"))  # a config with a file
    twin = parse_config(twin_text(found), "twin.toml").twin
    lumped = twin.errors["hot_capacity"] / twin.values["hot_capacity"]
    assert lumped > 0.19  # base and fins alone take 0.16 to 0.2 off it in the other plant
    item = next(item for item in found.estimates if item.name == "hot_capacity")
    assert item.ratio == pytest.approx(lumped / np.hypot(0.1, 0.2), rel=0.02)  # of one error, twice


def test_a_log_too_short_for_the_heat_leak_says_so_and_what_would_tell_it(cold_sink, note):
    _, found = cold_sink
    item = next(item for item in found.lumps if item.name == "ua_w_per_k")
    assert not item.told
    assert item.value == pytest.approx(item.before, rel=1e-9)  # foam and seal: the config's
    tests = next_tests(found)
    left = {test.name: {g.name: g.left for g in test.gains}["ua_w_per_k"] for test in tests}
    note(f"heat leak's error left: {left}")
    assert min(left, key=left.get) == "overnight"
    assert left["overnight"] < 0.5
    out = io.StringIO()
    screen_calibrate.show(Console(file=out, width=200), found, tests)
    row = next(line for line in out.getvalue().splitlines() if line.strip().startswith("heat leak"))
    assert row.split()[-1] == "no"
    assert re.search(r"log for 12 h.*heat leak UA to \d+ %", out.getvalue())
    said = " ".join(out.getvalue().split())
    assert "a mistyped config is not found out there" in said
    assert "The value is the config's, or follows from parts that are told" in said
