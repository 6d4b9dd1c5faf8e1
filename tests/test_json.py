"""JSON output: exact keys, one glossary, null with a reason, numbers as they are."""

import ast
import inspect
import json
from dataclasses import fields, replace
from math import inf, nan
from typing import Any

import pytest
from bench_module import small_bench_check
from larder import recommended_larder

from ctrl import (
    cli_firmware,
    cli_guide,
    drill_results,
    json_out,
    json_out_aim,
    json_out_calibrate,
    json_out_check,
    json_out_compare,
    json_out_drill,
    json_out_identify,
    json_out_maker,
    part_sizes,
    screen_board,
)
from ctrl.check import check
from ctrl.config import load_config
from ctrl.evidence import evidence
from ctrl.findings import Findings
from ctrl.glossary import GLOSSARY
from ctrl.identify import identify
from ctrl.json_out_base import REASON
from ctrl.json_out_pi import forward_object
from ctrl.pi_bench import Daily
from ctrl.pi_search import FeedForward
from ctrl.recommend import Recommendation
from ctrl.simulation import Simulation, simulate
from plant.fins import Through

HEAD = {"command", "version", "config", "cabinet", "target_c"}
FINDINGS = {
    "air_c", "contents_c", "cold_sink_c", "hot_sink_c", "hot_face_c", "foam_c", "reading_c",
    "ambient_c", "duty_mean", "current_max_a", "frost_g_max", "frost_g_end",
    "frost_growth_g_per_day", "blockage_pct_max", "frozen_share_max", "cycles_per_hour",
    "supply_off_share", "given_off_g_per_day",
    "swing_k", "contents_swing_k", "energy_kwh_per_day", "energy_boundary", "settled",
    "air_rh_pct", "wall_margin_k", "wall_water_g_max", "water_out_g_per_day",
    "energy_residual_rel", "water_residual_rel", "states_seen", "cost_per_day",
    "battery_lasts_h", "outside_margin_k", "deposit_g_per_day", "ice_share",
}  # fmt: skip
SIMULATE = HEAD | FINDINGS | {
    "controller", "drive", "settings", "days", "seed", "pull_down_h", "state_shares",
    "reason_shares",
}  # fmt: skip
RECOMMEND = HEAD | {
    "tolerance_verdict", "tolerance_words",
    "verdict", "reason", "setpoint_c", "setpoint_offset_k", "coldest_holdable_c",
    "coldest_spread_k", "coldest_decided_by", "duty_limit", "duty_limit_decided_by",
    "duty_limit_risk", "duty_limits",
    "chosen_controller", "chosen_drive", "controllers", "defrost", "coldest_ice_free_c",
    "ice_border", "ice_free_setpoint_c", "fuse_advised_a", "reading_step_k", "cases",
    "limits", "pull_down_h", "hold_over_h", "hold_over_limit_c", "bottlenecks", "sensitivities",
    "absent_protections", "cautions", "energy_boundary", "provisional", "seed",
    "fan_failure", "heat_soak", "tolerance", "pairs", "energy_day", "pi_search",
    "aim", "too_cold",
}  # fmt: skip
CHECK = HEAD | {
    "heat_leak_w_per_k", "heat_leak_parts", "module", "capabilities", "duty_limit",
    "duty_limit_decided_by", "duty_limit_risk", "duty_limits",
    "time_constants", "time_constants_duty", "currents",
    "sensors", "energy_boundary", "keys", "hot_side", "contents", "outside",
    "cold_side",
}  # fmt: skip
LIMIT = {
    "name", "value", "limit", "margin", "known_to", "barely_kept", "unit", "decided", "case",
}  # fmt: skip
CASE = {
    "name", "ambient_c", "relative_humidity_pct", "verdict", "reason", "coldest_holdable_c",
    "coldest_decided_by", "findings", "ice", "limits", "pull_down_h", "hold_over_h",
}  # fmt: skip
CONTROLLER = {"saves_kwh_per_day", "saves_pct",
    "controller", "drive", "fits", "chosen", "setpoint_c", "duty_limit", "energy_kwh_per_day",
    "swing_k", "contents_swing_k", "contents_c_mean", "cycles_per_hour", "relay_life_years",
    "margins", "note", "settings_decided_by", "regulation",
}  # fmt: skip
OWN_SETTINGS = {
    "pi": {"kp_pct_per_k", "ti_s", "period_s", "slew_pct_per_s"},
    "on_off": {"hysteresis_k", "min_on_s", "min_off_s"},
}
MARGINS = {"gain_margin", "phase_margin_deg", "ms", "delay_margin_s"}


def without_reasons(value: dict[str, Any]) -> set[str]:
    """Return the keys, without those that only explain a null."""
    nulls = {key + REASON for key, item in value.items() if item is None}
    return set(value) - nulls


def walk(value: Any) -> list[tuple[str, Any, dict[str, Any]]]:
    """Return (key, value, object it is in) of every key at any depth."""
    found = []
    if isinstance(value, dict):
        for key, item in value.items():
            found.append((key, item, value))
            found += walk(item)
    if isinstance(value, list):
        for item in value:
            found += walk(item)
    return found


def read(value: dict[str, Any]) -> dict[str, Any]:
    """Return an object after its way through text, refusing NaN and the infinities."""

    def refuse(name: str) -> None:
        raise AssertionError(f"{name} in JSON")

    return json.loads(json_out.text_of(value), parse_constant=refuse)


@pytest.fixture(scope="module")
def larder() -> Recommendation:
    return recommended_larder()


@pytest.fixture(scope="module")
def run() -> Simulation:
    """A quarter of a day of a shipped cabinet."""
    return simulate(load_config("galley_larder"), days=0.25, seed=1)


@pytest.fixture(scope="module")
def simulated(run) -> dict[str, Any]:
    return read(json_out.of_simulation(run, "0"))


@pytest.fixture(scope="module")
def recommended(larder) -> dict[str, Any]:
    return read(json_out.of_recommendation(larder, "0"))


@pytest.fixture(scope="module")
def checked() -> dict[str, Any]:
    return read(json_out_check.of_check(check(load_config("galley_larder")), "0"))


def test_keys_of_simulate(simulated):
    assert without_reasons(simulated) == SIMULATE
    for key in ("air_c", "contents_c", "cold_sink_c", "hot_sink_c"):
        assert set(simulated[key]) == {"min", "mean", "max"}


def test_every_finding_is_told():
    own = {field.name for field in fields(Findings)}
    assert own - {"pull_down_reason", "pull_down_h"} <= FINDINGS


def test_keys_of_recommend(recommended):
    assert without_reasons(recommended) == RECOMMEND
    assert [case["name"] for case in recommended["cases"]] == ["usual", "worst", "coldest"]
    for case in recommended["cases"]:
        assert without_reasons(case) == CASE
        assert without_reasons(case["findings"]) == FINDINGS
    assert recommended["limits"]
    for limit in recommended["limits"]:
        assert set(limit) == LIMIT


def test_keys_of_controllers(recommended):
    kinds = set()
    for item in recommended["controllers"]:
        kinds.add(item["controller"])
        assert without_reasons(item) == CONTROLLER | OWN_SETTINGS[item["controller"]]
        if item["margins"] is not None:
            assert without_reasons(item["margins"]) == MARGINS
    assert kinds == {"pi", "on_off"}
    chosen = [item for item in recommended["controllers"] if item["chosen"]]
    assert len(chosen) == 1
    assert chosen[0]["controller"] == recommended["chosen_controller"]
    assert chosen[0]["drive"] == recommended["chosen_drive"]
    assert chosen[0]["setpoint_c"] == recommended["setpoint_c"]


def test_keys_of_check(checked):
    assert without_reasons(checked) == CHECK
    parts = sum(item["ua_w_per_k"] for item in checked["heat_leak_parts"])
    assert parts == pytest.approx(checked["heat_leak_w_per_k"], rel=1e-5)
    rows = {item["key"]: item for item in checked["keys"]}
    config = load_config("galley_larder")
    assert rows["hot_sink.fan_k_per_w"]["value"] == config.hot_sink.fan_k_per_w
    assert rows["hot_sink.fan_k_per_w"]["given"] is True
    assert rows["limits.foam_max_c"]["given"] is False
    assert rows["limits.foam_max_c"]["origin"].startswith("default: ")
    # The relay has no frequency; a key without meaning is not listed.
    assert "drive.set_current_a" not in rows


@pytest.fixture
def written(tmp_path, capsys):
    """What `new --json` prints."""
    from ctrl.cli import main

    path = tmp_path / "box.toml"
    assert main(["new", str(path), "--yes", "--json", "--bottles", "6"]) == 0
    value = json.loads(capsys.readouterr().out)
    assert load_config(path).contents.count == 6
    return value


def test_new_prints_one_object_and_asks_nothing(written, tmp_path, capsys):
    from ctrl.cli import main

    assert set(written) == {"command", "file", "assumed", "coldest_holdable_c", "assumptions"}
    assert "bottles" not in written["assumed"]
    assert "target" in written["assumed"]
    assert main(["new", str(tmp_path / "other.toml"), "--json"]) == 2
    assert "--yes beside it" in capsys.readouterr().err
    assert not (tmp_path / "other.toml").exists()


OR_WHY = ("or_why",)


def keys_written_in(*modules):
    """Return the names that modules write as keys: of dicts, of fields, and beside a reason."""
    found = set()
    for module in modules:
        for node in ast.walk(ast.parse(inspect.getsource(module))):
            if isinstance(node, ast.Dict):
                found |= {item.value for item in node.keys if isinstance(item, ast.Constant)}
            elif isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
                found.add(node.target.id)
            elif isinstance(node, ast.Call) and getattr(node.func, "id", "") in OR_WHY:
                found.add(node.args[0].value)
            elif isinstance(node, ast.Subscript) and isinstance(node.slice, ast.Constant):
                found.add(node.slice.value)
    return found


def test_glossary_and_output_hold_together(simulated, recommended, checked, larder, written):
    from small_map import small_map

    from ctrl.defrost import DefrostSettings
    from ctrl.defrost_kinds import TriedDefrost
    from ctrl.ice import DefrostPlan
    from ctrl.json_energy import of_map
    from ctrl.json_out_measured import of_bench

    ice = larder.cases[0].ice
    plan = DefrostPlan(8.0, 3.0, 30.0, 4.0, "time only", DefrostSettings(), ice, True,
                       ((24.0, ice), (8.0, ice)), "timed",
                       (TriedDefrost("none", None, ice, False),), "the simplest")  # fmt: skip
    fixed = simulate(load_config("galley_larder").model_copy(), days=0.01, seed=1)
    windowed = replace(_fixed(fixed), window_s=60.0, window_min_on_s=5.0)
    fins = Through(0.005, 20.0, 900.0, 50.0, 0.9, 0.2)
    others = [
        json_out.fins_object(fins),
        read(json_out.defrost_object(plan)),
        json_out.settings_object(windowed),
        forward_object(FeedForward(3.0, Daily(0.2, 0.1, 0.1), Daily(0.1, 0.0, 0.1), True)),
        read(json_out_check.of_evidence(evidence(live=False), "0")),
        *_out_of_tolerance(larder),
        read(of_map(small_map(), "0")),
        *(
            json_out.settings_object(replace(fixed.settings, controller=name))
            for name in ("two_level", "cascade", "best_cop")
        ),
        *_compared(),
        read(of_bench(small_bench_check(), "0")),
        read(json_out_identify.of_identification(identify(load_config("galley_larder")), "0")),
    ]
    keys = set()
    for value in (simulated, recommended, checked, written, *others):
        for key, _, inside in walk(value):
            if key.endswith(REASON) and key.removesuffix(REASON) in inside:
                continue
            keys.add(key)
    assert keys - set(GLOSSARY) == set()
    # Drills, a maker's own code, boards and builds are run in their own tests; their keys by text.
    keys |= keys_written_in(
        json_out_aim,
        json_out_drill,
        json_out_compare,
        json_out_maker,
        drill_results,
        cli_firmware,
        part_sizes,
        screen_board,
        json_out_calibrate,
        cli_guide,
    )
    assert sorted(set(GLOSSARY) - keys) == []
    assert list(GLOSSARY) == sorted(GLOSSARY)


def _out_of_tolerance(larder: Recommendation) -> list[dict[str, Any]]:
    """Return what tolerance, sweep and explain print, from a few draws and one design."""
    from ctrl.design_sweep import Sweep, design_of, own_choice
    from ctrl.explain import explain
    from ctrl.honesty import Pair
    from ctrl.json_out_robust import of_chain, of_sweep, of_tolerance
    from ctrl.tolerance_remedies import Remedy
    from ctrl.tolerances import tolerance_of

    item, config = larder.chosen.candidate, larder.config
    drawn = tolerance_of(config, item.plant, item.settings, seed=1, draws=8, compared=8)
    remedy = Remedy("control sensor measured to half the tolerance", 8, 8, 0.69, False)
    drawn = replace(drawn, failures=(("hot sink, worst", 1),), remedies=(remedy,))
    pair = Pair("pi", "fast_pwm", "on_off", "relay", 4, 0.1, 0.2, 4, 4, 0, 0, 1.0, 0, True,
                "on_off", "relay")  # fmt: skip
    whole = replace(larder, tolerance=drawn, pairs=(pair,))
    design = design_of(config, own_choice(config))
    assert design is not None
    swept = Sweep(config, (design,), design, None, design, "keep it", "mains plug", 1, 4)
    return [
        read(of_tolerance(whole, drawn, "0")),
        read(of_sweep(swept, "0")),
        read(of_chain(larder, explain(larder, "hysteresis"), "0")),
        read(of_chain(larder, explain(larder, "fuse"), "0")),
        read(json_out.of_recommendation(whole, "0")),
    ]


def _compared() -> list[Any]:
    """Return what `compare` and `thermostat` print: one real law, one made-up band."""
    from ctrl import json_out_compare
    from ctrl.aim import aim_of
    from ctrl.bands import BandPoint, Seen
    from ctrl.build import plant_of
    from ctrl.comparison import compare
    from ctrl.switching_cycle import Cycle
    from ctrl.trade_off import PlacePoint, TradeOff

    config = load_config("galley_larder")
    seen = Seen(1000.0, 0.5, 2.0, 0.1, 3.0, 8.0, 3.6, 20.0, 40.0, 0.9, 4.0, 45.0, 0.0)
    cycle = Cycle(282.0, 280.0, 2.1, 0.1, 9.0, 281.0, 281.0, 310.0, 500.0, 500.0, 1000.0, 0.5)
    band = BandPoint(2.0, cycle, seen, seen, 3.2)
    place = PlacePoint("air", 2.0, 8.0, seen, 3.2, "")
    bought = TradeOff(config, 8.0, (band,), band, "life of the relay", (place,), 1, False,
                      aim_of(config, plant_of(config), "fast_pwm"))  # fmt: skip
    laws = compare(config, ("pi",), days=2.0)
    return [
        read(json_out_compare.of_comparison(laws, "0")),
        read(json_out_compare.of_trade_off(bought, "0")),
    ]


def _fixed(run: Simulation) -> Any:
    return replace(run.settings, controller="fixed")


def test_every_null_has_its_reason(simulated, recommended, checked):
    nulls = 0
    for value in (simulated, recommended, checked):
        for key, item, inside in walk(value):
            if item is None:
                nulls += 1
                assert inside.get(key + REASON), key
    assert nulls > 0


def test_numbers_are_those_of_the_result(run, simulated, larder: Recommendation, recommended):
    assert simulated["air_c"]["mean"] == pytest.approx(run.findings.air_c.mean, rel=1e-5)
    assert simulated["energy_kwh_per_day"] == pytest.approx(
        run.findings.energy_kwh_per_day, rel=1e-5
    )
    shares = {item["name"]: item["share"] for item in simulated["state_shares"]}
    assert sum(shares.values()) == pytest.approx(1.0, abs=1e-5)
    assert recommended["coldest_holdable_c"] == pytest.approx(larder.coldest_holdable_c, rel=1e-5)
    assert recommended["pull_down_h"] == pytest.approx(larder.pull_down_h, rel=1e-5)
    assert recommended["seed"] == larder.seed


def test_costs_follow_from_energy(simulated, run):
    config = run.config
    kwh = run.findings.energy_kwh_per_day
    hours = config.supply.battery_ah * config.supply.voltage_v / 1000.0 / kwh * 24.0
    assert simulated["battery_lasts_h"] == pytest.approx(hours, rel=1e-5)
    if config.tariff.per_kwh is None:
        assert simulated["cost_per_day"] is None
        assert "tariff.per_kwh" in simulated["cost_per_day_reason"]


def test_rounding_and_what_is_no_number():
    value = {"a": 1.23456789, "b": nan, "c": inf, "d": [1e-9 / 3.0, 7], "e": True, "f": None}
    assert json_out.plain(value) == {
        "a": 1.23457, "b": None, "b_reason": "not a number", "c": None,
        "c_reason": "no limit was found", "d": [3.33333e-10, 7], "e": True, "f": None,
    }  # fmt: skip
    text = json_out.text_of(value)
    assert text.endswith("}\n") and "NaN" not in text and "Infinity" not in text
