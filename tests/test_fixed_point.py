"""The whole-number helpers against exact fractions.

Reference for every number here: Python's `Fraction`, rounded half away from zero and
saturated in plain Python below.  Nothing is taken from the helpers themselves.
"""

import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ctrl import fixed_point as fp

LOW, HIGH = -(2**31), 2**31 - 1
# The ends of every width in use, their neighbours, and small numbers of both signs.
EDGES = sorted(
    {
        sign * value + near
        for value in (0, 1, 2, 3, 5, 100, 2**15, 2**16, 2**20, 2**30, 2**31)
        for sign in (-1, 1)
        for near in (-1, 0, 1)
        if LOW <= sign * value + near <= HIGH
    }
)
int32 = st.integers(LOW, HIGH)


def away(exact: Fraction) -> int:
    """Round half away from zero, then hold within int32."""
    whole = math.floor(abs(exact) + Fraction(1, 2))
    return max(LOW, min(whole if exact >= 0 else -whole, HIGH))


def both(function, *arguments):
    """Return the compiled answer after checking that plain Python gives the same."""
    compiled = int(function(*arguments))
    assert compiled == int(function.py_func(*arguments)), arguments
    return compiled


def test_edges_cover_both_ends_of_int32():
    assert EDGES[0] == LOW
    assert EDGES[-1] == HIGH
    assert len(EDGES) > 40


def test_constants_are_those_of_c99_stdint():
    # C99 7.18.2.1: INT32_MIN is -(2**31), INT16_MAX is 2**15 - 1.
    assert (fp.INT32_MIN, fp.INT32_MAX) == (LOW, HIGH)
    assert (fp.INT16_MIN, fp.INT16_MAX) == (-(2**15), 2**15 - 1)
    # No temperature lies below absolute zero, -27315 in 1/100 deg C.
    assert fp.NO_SENSOR < -27315


@pytest.mark.parametrize("shift", range(32))
def test_mul_shift_at_every_pair_of_edges(shift):
    for a in EDGES:
        for b in EDGES:
            got = int(fp.mul_shift(a, b, shift))
            assert got == away(Fraction(a * b, 2**shift)), (a, b, shift)


def test_div_round_add_and_sub_at_every_pair_of_edges():
    for a in EDGES:
        for b in EDGES:
            assert int(fp.add_sat(a, b)) == max(LOW, min(a + b, HIGH)), (a, b)
            assert int(fp.sub_sat(a, b)) == max(LOW, min(a - b, HIGH)), (a, b)
            if b != 0:
                assert int(fp.div_round(a, b)) == away(Fraction(a, b)), (a, b)


def test_division_by_zero_takes_the_side_of_the_dividend():
    # Stated in the docstring: a controller goes on, the ends are clamped by the caller.
    assert both(fp.div_round, 1, 0) == HIGH
    assert both(fp.div_round, -1, 0) == LOW
    assert both(fp.div_round, 0, 0) == 0


def test_the_one_quotient_that_does_not_fit_saturates():
    # -2**31 / -1 = 2**31 overflows int32: undefined in C99 6.5.5, saturated here.
    assert both(fp.div_round, LOW, -1) == HIGH


@pytest.mark.parametrize(
    ("a", "b", "expected"),
    [(5, 2, 3), (-5, 2, -3), (5, -2, -3), (-5, -2, 3), (7, 3, 2), (-7, 3, -2), (1, 3, 0)],
)
def test_halves_go_away_from_zero(a, b, expected):
    # By hand: 2.5 -> 3, -2.5 -> -3, 2.33 -> 2.  Floor division would give -3 for -7 / 3.
    assert both(fp.div_round, a, b) == expected


@given(int32, int32, st.integers(0, 31))
def test_mul_shift_anywhere(a, b, shift):
    assert both(fp.mul_shift, a, b, shift) == away(Fraction(a * b, 2**shift))


@given(int32, int32)
def test_sums_and_quotients_anywhere(a, b):
    assert both(fp.add_sat, a, b) == max(LOW, min(a + b, HIGH))
    assert both(fp.sub_sat, a, b) == max(LOW, min(a - b, HIGH))
    if b != 0:
        assert both(fp.div_round, a, b) == away(Fraction(a, b))


@given(st.integers(-(2**62), 2**62))
def test_sat32_anywhere(x):
    assert both(fp.sat32, x) == max(LOW, min(x, HIGH))


@given(int32, int32, int32)
def test_clamp_is_the_middle_of_three(x, one, other):
    low, high = min(one, other), max(one, other)
    assert both(fp.clamp, x, low, high) == sorted((low, x, high))[1]


@given(
    st.integers(8, 16), st.lists(st.integers(-32767, 32767), min_size=33, max_size=33), st.data()
)
def test_interpolation_is_the_exact_line_rounded(bits, table, data):
    code = data.draw(st.integers(0, 2**bits - 1))
    words = np.array([9, 9, *table, 9], dtype=np.int64)
    width = 2 ** (bits - 5)
    k, part = divmod(code, width)
    step = away(Fraction((table[k + 1] - table[k]) * part, width))
    assert both(fp.interpolate, words, 2, code, bits) == table[k] + step


def test_interpolation_holds_a_code_outside_the_span():
    # A line 0, 100, 200 ... 3200 over 10 bits: 32 codes a piece, so code 1023 is
    # 3100 + 100 * 31/32 = 3196.875 -> 3197, and 2000 must read the same.
    words = np.arange(33, dtype=np.int64) * 100
    assert both(fp.interpolate, words, 0, 1023, 10) == 3197
    assert both(fp.interpolate, words, 0, 2000, 10) == 3197
    assert both(fp.interpolate, words, 0, -5, 10) == 0
