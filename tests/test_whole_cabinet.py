"""The whole right-hand side beside balances by hand, and able to fail term by term."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from mutated_slopes import MUTATIONS
from whole_balance import whole_balance

from ctrl import evidence, evidence_cabinet

ROOT = Path(__file__).resolve().parents[1]
BALANCES = [c for c in evidence.published() if c.value.startswith("balance_")]


def test_the_balances_expected_are_those_of_the_equations_by_hand():
    air, contents, hot_sink, plug = whole_balance(**BALANCES[0].arguments)
    by_hand = {
        "balance_air_c": air, "balance_contents_c": contents, "balance_hot_sink_c": hot_sink,
        "balance_plug_w": plug,
    }  # fmt: skip
    assert {c.value for c in BALANCES} == set(by_hand)
    for check in BALANCES:
        assert check.expected == pytest.approx(by_hand[check.value], abs=5.1e-4)


@pytest.mark.parametrize(
    "other",
    [{}, {"amps": 2.0, "room_c": 30.0}, {"hot": 2.0, "contact": 8.0}, {"k": 0.03, "inside": 5.0},
     {"changes_per_h": 6.0, "direct": 0.2}, {"load_share": 1.0, "contents": 1.0}],
)  # fmt: skip
def test_every_balance_to_a_tenth_of_a_millikelvin(other):
    numbers = BALANCES[0].arguments | other
    found = evidence_cabinet.balance(**numbers)
    assert found == pytest.approx(whole_balance(**numbers), abs=1e-4)


@pytest.fixture(scope="module")
def missed(tmp_path_factory):
    path = tmp_path_factory.mktemp("slopes") / "mutated.json"
    subprocess.run(
        [sys.executable, str(ROOT / "tests" / "mutated_slopes.py"), str(path)], cwd=ROOT,
        capture_output=True, check=True,
        env={**os.environ, "PYTHONPATH": str(ROOT), "COLDLOOP_PLAIN": "1"},
    )  # fmt: skip
    return json.loads(path.read_text(encoding="utf-8"))


@pytest.mark.parametrize("name", MUTATIONS)
def test_a_fifth_more_of_any_term_is_noticed(name, missed, note):
    note(f"{name}: {len(missed[name])} checks not kept")
    if name == "nothing":
        assert missed[name] == []
    else:
        assert missed[name]
