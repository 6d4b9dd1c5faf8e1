"""Whole-number arithmetic, exactly as the microcontroller does it.

A signed `//`, `/` or `>>` does not mean the same in Python and in C, and C leaves
an overflowing sum undefined.  So every signed division, shift and sum that could
leave its width goes through the few helpers of this file, and the exported C99 has
the same helpers.  They round half away from zero and saturate; they never wrap.

Values are held in int64 words but always stay within int32.  Only the product
inside `mul_shift` is wider: int32 times int32 fits int64 exactly.
"""

import numpy as np
import numpy.typing as npt

from plant.compiled import kernel

Words = npt.NDArray[np.int64]
"""A row of firmware words: settings or state, one whole number each."""

INT16_MIN = -32768
INT16_MAX = 32767
INT32_MIN = -2147483648
INT32_MAX = 2147483647

NO_SENSOR = INT16_MIN
"""Reading of a sensor that is not fitted, not yet read or faulty [1/100 deg C].

It lies below absolute zero (-27315), so no true temperature can be taken for it.
"""


@kernel
def clamp(x: int, low: int, high: int) -> int:
    """Return `x` held between `low` and `high`.

    Parameters
    ----------
    x, low, high : int
        Any whole numbers of one unit, `low` not above `high`.

    Returns
    -------
    int
        `low` when x is below it, `high` when x is above it, else x.
    """
    if x < low:
        return low
    if x > high:
        return high
    return x


@kernel
def sat32(x: int) -> int:
    """Return `x` held within int32.

    Parameters
    ----------
    x : int
        A whole number within int64 [-].

    Returns
    -------
    int
        The nearest int32 [-].
    """
    if x < INT32_MIN:
        return INT32_MIN
    if x > INT32_MAX:
        return INT32_MAX
    return x


@kernel
def add_sat(a: int, b: int) -> int:
    """Return a + b, saturated to int32.

    Parameters
    ----------
    a, b : int
        Terms within int32, of one unit.

    Returns
    -------
    int
        The sum within int32.
    """
    return sat32(a + b)


@kernel
def sub_sat(a: int, b: int) -> int:
    """Return a - b, saturated to int32.

    Parameters
    ----------
    a, b : int
        Terms within int32, of one unit.

    Returns
    -------
    int
        The difference within int32.
    """
    return sat32(a - b)


@kernel
def mul_shift(a: int, b: int, shift: int) -> int:
    """Return a b / 2**shift, rounded half away from zero, saturated to int32.

    The shift is done on the magnitude: C99 leaves the right shift of a negative
    number to the compiler (C99 6.5.7).

    Parameters
    ----------
    a, b : int
        Factors within int32.
    shift : int
        Fraction bits to drop, 0 to 31 [-].

    Returns
    -------
    int
        The rounded product within int32.
    """
    product = a * b
    magnitude = product
    if product < 0:
        magnitude = -product
    if shift > 0:
        magnitude = (magnitude + (1 << (shift - 1))) >> shift
    if product < 0:
        return sat32(-magnitude)
    return sat32(magnitude)


@kernel
def div_round(a: int, b: int) -> int:
    """Return a / b, rounded half away from zero, saturated to int32.

    Division by zero gives the end of int32 on the side of `a`, and 0 for 0 / 0: a
    controller must go on, and the ends are clamped by whoever asked.

    Parameters
    ----------
    a, b : int
        Dividend and divisor within int32.

    Returns
    -------
    int
        The rounded quotient within int32.
    """
    if a == 0 or b == 1:
        return sat32(a)  # the common cases; a division costs more than all else in here
    if b == 0:
        if a > 0:
            return INT32_MAX
        return INT32_MIN
    top = a
    if a < 0:
        top = -a
    bottom = b
    if b < 0:
        bottom = -b
    quotient = top // bottom
    rest = top - quotient * bottom
    if rest >= bottom - rest:
        quotient = quotient + 1
    if (a < 0) != (b < 0):
        quotient = -quotient
    return sat32(quotient)


@kernel
def interpolate(table: Words, at: int, code: int, bits: int) -> int:
    """Return the value of a 33-point table over the span of an ADC.

    Point k stands at code k 2**(bits-5); between points the line is straight and
    rounded half away from zero.

    Parameters
    ----------
    table : ndarray of int64, shape (n,)
        Words that hold the 33 points from index `at` on.
    at : int
        Index of the first point [-].
    code : int
        ADC code; held within 0 to 2**bits - 1 first [-].
    bits : int
        Bits of the ADC, 8 to 16 [-].

    Returns
    -------
    int
        The interpolated value, in the unit of the table.
    """
    shift = bits - 5
    inside = clamp(code, 0, (1 << bits) - 1)
    segment = inside >> shift
    part = inside - (segment << shift)
    low = table[at + segment]
    high = table[at + segment + 1]
    return add_sat(low, mul_shift(high - low, part, shift))
