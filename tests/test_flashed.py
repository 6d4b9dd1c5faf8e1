"""One firmware: what `coldloop firmware` writes is what `coldloop drill` drills."""

import json
from dataclasses import replace

import pytest
from larder import recommended_larder

import ctrl.drills
import ctrl.export
from ctrl import cli
from ctrl import flashed as flashing
from ctrl.config import load_config, override
from ctrl.firmware import defrost_of, settings_of
from ctrl.flashed import MAY_DIFFER, WITHOUT_DRAWS, flashed, flashed_of, origin_lines


@pytest.fixture
def worked_out(monkeypatch):
    """Let the larder's recommendation be the one that the session has worked out."""
    monkeypatch.setattr(flashing, "recommend", lambda *args, **keys: recommended_larder())
    return recommended_larder().chosen.candidate.settings


def test_the_drills_get_the_settings_that_are_exported(worked_out, monkeypatch, capsys, tmp_path):
    seen = {}
    export_of, drill_all = ctrl.export.export_of, ctrl.drills.drill_all

    def export(config, settings, **keys):
        seen["firmware"] = (config, settings)
        return export_of(config, settings, **keys)

    def drill(config, settings, **keys):
        seen["drill"] = (config, settings)
        return drill_all(config, settings, **keys)

    monkeypatch.setattr(ctrl.export, "export_of", export)
    monkeypatch.setattr(ctrl.drills, "drill_all", drill)
    assert cli.main(["firmware", "galley_larder", "--out", str(tmp_path / "fw"), "--json"]) == 0
    written = json.loads(capsys.readouterr().out)
    # Without a defrost there is nothing to run: quick.
    words = ["drill", "galley_larder", "--only", "brown_out_in_defrost", "--json"]
    assert cli.main(words) == 0
    drilled = json.loads(capsys.readouterr().out)
    assert seen["firmware"] == seen["drill"]
    assert seen["drill"][1] == worked_out and worked_out.defrost is None
    for key in ("controller", "setpoint_c", "settings_origin", "defrost_origin"):
        assert written[key] == drilled[key]
    assert drilled["drills"][0]["skipped"] == "no defrost to be caught in"
    # The file has a timed defrost: that it is not flashed is said, with the reason.
    assert "(timed, 12 h) not taken: the cold sink does not ice" in written["defrost_origin"]


def test_the_screens_say_which_defrost_is_not_taken(worked_out, capsys, tmp_path):
    assert cli.main(["firmware", "galley_larder", "--out", str(tmp_path / "fw")]) == 0
    wanted = "[defrost] of the config (timed, 12 h) not taken: the cold sink does not ice"
    text = " ".join(capsys.readouterr().out.split())
    assert wanted in text and "settings worked out" in text
    assert cli.main(["drill", "galley_larder", "--only", "brown_out_in_defrost"]) == 0
    assert wanted in " ".join(capsys.readouterr().out.split())


def test_a_defrost_that_was_worked_out_is_told_beside_the_config_s():
    found = recommended_larder()
    config, settings = found.config, found.chosen.candidate.settings
    own = defrost_of(config, min(settings.period_s, 1.0))

    def words(plan):
        item = replace(found.chosen.candidate, settings=replace(settings, defrost=plan))
        chosen = replace(found.chosen, candidate=item)
        return flashed_of(replace(found, chosen=chosen)).defrost_origin

    assert words(own) == "defrost as written in the config, which was worked out too"
    other = replace(own, interval_ticks=own.interval_ticks // 2)
    assert words(other).endswith("not taken: worked out instead: timed, 6 h")


@pytest.mark.parametrize(
    ("name", "law", "origin"),
    [
        ("benchmark", None, "as written in the config"),
        ("galley_larder", "pi", "defaults, not tuned (kp_pct_per_k, ti_s)"),
        ("galley_larder", "on_off", "defaults, not tuned (hysteresis_k, min_on_s, min_off_s)"),
        ("benchmark", "cascade", "as written in the config, but defaults, not tuned: sink_"),
    ],
)
def test_defaults_are_not_called_written_in_the_config(name, law, origin):
    config = load_config(name) if law is None else override(load_config(name), controller=law)
    found = flashed(config)
    assert found.origin.startswith(origin)
    assert found.settings == settings_of(config) and not found.recommended and found.holds
    assert found.defrost_origin == "defrost as written in the config"


def test_the_export_says_where_each_setting_comes_from_and_with_which_seed(
    worked_out, capsys, tmp_path
):
    seed = recommended_larder().seed
    assert cli.main(["firmware", "galley_larder", "--out", str(tmp_path / "fw"), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["seed"] == seed
    text = " ".join((tmp_path / "fw" / "README.txt").read_text().split())
    assert "as the config states them" not in text
    assert f"{WITHOUT_DRAWS}, seed {seed}" in text
    assert "`coldloop recommend CONFIG` may choose other settings" in text
    assert "not taken: the cold sink does not ice" in text
    # The larder states its trip itself; a key that nobody wrote is not called the config's.
    given = recommended_larder().config.protection.model_fields_set
    (line,) = [x for x in origin_lines(recommended_larder().config,
               flashed_of(recommended_larder())) if x.startswith("[protection]")]  # fmt: skip
    said = line.split(": ")[1].split(" as written")[0]
    assert given and set(said.split(", ")) == given
    assert cli.main(["firmware", "benchmark", "--out", str(tmp_path / "own"), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["seed"] is None and found["seed_reason"]
    text = (tmp_path / "own" / "README.txt").read_text()
    assert "worked out" not in text and "Setpoint and controller: as written in" in text


def test_the_screen_tells_that_draws_may_choose_otherwise(worked_out, capsys, tmp_path):
    """The settings are those of recommend without draws, and one line says so."""
    assert cli.main(["firmware", "galley_larder", "--out", str(tmp_path / "fw")]) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert MAY_DIFFER in text and "as recommend --quick does" in text
