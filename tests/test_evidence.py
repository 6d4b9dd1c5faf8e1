"""The outside checks: enough of them, spread out, kept, able to fail, shown as they are."""

import importlib
import json
import os
import subprocess
import sys
from collections import Counter
from dataclasses import replace
from pathlib import Path

import pytest

from ctrl import cli, evidence, evidence_live, evidence_values, json_out, json_out_check
from ctrl.glossary import GLOSSARY

ROOT = Path(__file__).resolve().parent.parent
PUBLISHED = evidence.published()
# What the table is meant to hold at least, and from one function at most.
FEWEST, FEWEST_A_CHAPTER, MOST_A_FUNCTION = 40, 5, 3


@pytest.mark.parametrize("check", PUBLISHED, ids=lambda c: f"{c.chapter}: {c.quantity}")
def test_ours_lies_within_the_tolerance(check):
    row = evidence.row_of(check)
    assert row.kept, f"{row.ours} for {row.expected} {row.unit}, allowed {row.tolerance}"


# Enough, and independent ---------------------------------------------------------------


def test_there_are_enough_and_they_are_spread():
    assert len(PUBLISHED) >= FEWEST
    chapters = Counter(check.chapter for check in PUBLISHED)
    assert tuple(chapters) == evidence.CHAPTERS
    assert min(chapters.values()) >= FEWEST_A_CHAPTER
    functions = Counter(check.function for check in PUBLISHED)
    assert max(functions.values()) <= MOST_A_FUNCTION, functions.most_common(3)


def test_every_chapter_holds_without_the_remembered_ones():
    # A value from memory is worth less: take them all away, and enough are left everywhere.
    sure = Counter(check.chapter for check in PUBLISHED if check.origin != "from memory")
    assert sure.total() >= FEWEST
    assert tuple(sure) == evidence.CHAPTERS
    assert min(sure.values()) >= FEWEST_A_CHAPTER
    assert sum(check.origin == "printed" for check in PUBLISHED) >= 10


def test_no_check_stands_twice():
    seen = Counter((check.quantity, check.source) for check in PUBLISHED)
    assert max(seen.values()) == 1


@pytest.mark.parametrize("check", PUBLISHED, ids=lambda c: f"{c.chapter}: {c.quantity}")
def test_every_row_says_all_it_should(check):
    assert check.origin in evidence.ORIGINS and check.origin != "live"
    assert check.source and check.why and check.quantity
    # Wider than a third of its value, three tolerances down would be nothing at all.
    assert 0.0 < check.tolerance < abs(check.expected) / 3.0
    module, name = check.function.rsplit(".", 1)
    assert callable(getattr(importlib.import_module(module), name))


def test_every_way_to_a_value_is_used():
    live = Path(evidence_live.__file__).read_text(encoding="utf-8")
    shown_live = {name for name in evidence_values.VALUES if f'"{name}"' in live}
    assert set(evidence_values.VALUES) == {check.value for check in PUBLISHED} | shown_live


def test_no_check_moves_its_own_question():
    """The constant is one of the model's, and no argument of the check."""
    for check in PUBLISHED:
        head, _, tail = check.constant.partition(" ")
        assert head == "preset" or head.startswith(("plant.", "ctrl.")), check.constant
        assert not head.startswith("ctrl.evidence")
        assert tail


def test_a_number_of_a_sheet_is_held_out():
    held = [check for check in PUBLISHED if check.value == "sheet_number"]
    assert len(held) == 3
    for check in held:
        assert check.arguments["held_out"] not in set(check.arguments) - {"held_out"}


# Able to fail --------------------------------------------------------------------------


@pytest.fixture(scope="module")
def moved(tmp_path_factory):
    """What every check says after its constant moved, up and down."""
    path = tmp_path_factory.mktemp("evidence") / "moved.json"
    subprocess.run(
        [sys.executable, str(ROOT / "tests" / "moved_constants.py"), str(path)], cwd=ROOT,
        capture_output=True, check=True,
        env={**os.environ, "PYTHONPATH": str(ROOT), "COLDLOOP_PLAIN": "1"},
    )  # fmt: skip
    return json.loads(path.read_text(encoding="utf-8"))


def test_each_shows_an_error_of_the_function_it_names(moved):
    # Its numbers half as large again, and the check is not kept: so the model goes through it.
    assert [row["quantity"] for row in moved if row["kept_when_falsified"]] == []


def test_each_fails_when_its_constant_moves_by_three_tolerances(moved, note):
    assert len(moved) == 2 * len(PUBLISHED)
    assert all(row["kept_unmoved"] for row in moved)
    for row in moved:
        assert not row["kept"], row
        assert row["tolerances"] >= 2.99, row
    furthest = sorted(moved, key=lambda row: -abs(row["moved_rel"]))
    for row in furthest[:5]:
        note(f"{row['quantity']}: {row['constant']} by {100 * row['moved_rel']:+.0f} %")
    middle = abs(furthest[len(furthest) // 2]["moved_rel"])
    note(f"half of the checks notice their constant at {100 * middle:.1f} % or less")
    # None needs its constant to vanish or to change its sign.
    assert abs(furthest[0]["moved_rel"]) < 1.0
    assert middle < 0.05


def test_a_row_that_is_no_number_is_not_kept():
    row = evidence.row_of(PUBLISHED[0])
    assert row.kept
    assert not replace(row, ours=float("nan")).kept
    assert replace(row, ours=row.expected + 0.999 * row.tolerance).kept
    assert not replace(row, ours=row.expected - 1.001 * row.tolerance).kept


# Live ----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def found():
    return evidence.evidence()


def test_live_rows_are_kept_and_come_from_every_library(found):
    live = [row for row in found.rows if row.origin == "live"]
    assert found.absent == ()
    assert {row.source.split()[0] for row in live} == set(evidence_live.LIBRARIES)
    assert [row for row in live if not row.kept] == []
    assert len(live) >= 12


def test_an_absent_library_is_named_and_left_out(monkeypatch):
    monkeypatch.setitem(evidence_live.LIBRARIES, "CoolProp", ("no_such_module", None))
    rows, absent = evidence_live.live_rows()
    assert absent == ("CoolProp",)
    assert not any("CoolProp" in row.source for row in rows)


# Shown ---------------------------------------------------------------------------------


def test_the_command_prints_every_row(capsys, found):
    assert cli.main(["check", "--evidence"]) == cli.DONE
    out = " ".join(capsys.readouterr().out.split())
    assert f"{len(PUBLISHED)} published checks, " in out and "; 0 not kept" in out
    assert "NOT KEPT" not in out
    assert out.count(" yes ") == len(found.rows)


def test_a_missed_check_is_named_and_the_answer_is_no(capsys, monkeypatch):
    wrong = replace(PUBLISHED[3], expected=1.3 * PUBLISHED[3].expected)
    monkeypatch.setattr(evidence, "published", lambda: (*PUBLISHED[:3], wrong, *PUBLISHED[4:]))
    assert cli.main(["check", "--evidence"]) == cli.ANSWER_IS_NO
    out = " ".join(capsys.readouterr().out.split())
    assert "1 not kept" in out
    assert f"NOT KEPT: {wrong.chapter}: {wrong.quantity}" in out
    assert cli.main(["check", "--evidence", "--json"]) == cli.ANSWER_IS_NO
    assert json.loads(capsys.readouterr().out)["kept"] is False


@pytest.mark.parametrize(
    "words", [["check"], ["check", "benchmark", "--evidence"], ["check", "--evidence", "--all"],
              ["check", "--evidence", "--target", "4"]],
)  # fmt: skip
def test_config_or_evidence_not_both_not_neither(capsys, words):
    assert cli.main(words) == cli.BAD_INPUT
    captured = capsys.readouterr()
    assert captured.out == ""
    assert captured.err.count("\n") == 1


def test_json_has_every_row_with_keys_of_the_glossary(found):
    read = json.loads(json_out.text_of(json_out_check.of_evidence(found, "0")))
    assert set(read) == {"command", "version", "kept", "checks", "absent_libraries"}
    assert len(read["checks"]) == len(found.rows)
    keys = {"chapter", "quantity", "unit", "source", "origin", "expected", "ours", "tolerance",
            "why", "deviation", "kept"}  # fmt: skip
    assert all(set(row) == keys and row["kept"] is True for row in read["checks"])
    assert keys | set(read) <= set(GLOSSARY)


def test_the_readme_holds_the_short_form():
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    _, _, rest = text.partition("<!-- evidence -->\n")
    shown, end, _ = rest.partition("<!-- /evidence -->")
    assert end, "README.md: expected <!-- evidence --> ... <!-- /evidence -->"
    assert shown == evidence.short_form(), "put ctrl.evidence.short_form() between the marks"
