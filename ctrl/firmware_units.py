"""From a maker's units to the microcontroller's whole numbers, refusing what does not fit.

This is the only place where a float meets a firmware word.  Temperatures become
1/100 deg C, differences 1/100 K, duty 1/1000, time whole ticks, voltage millivolts.
Each function raises `ValueError` with one clear line.
"""

import math

from ctrl.fixed_point import INT16_MAX, INT32_MAX

ABSOLUTE_ZERO_C100 = -27315
FULL_PERMILLE = 1000
MAX_GAIN_ROUNDING = 0.01
"""Largest share by which a gain may change when it is rounded to a word [-]."""


def check_word(owner: str, name: str, value: object, low: int, high: int, unit: str) -> None:
    """Raise unless `value` is a whole number within `low` and `high`.

    Parameters
    ----------
    owner, name : str
        Settings class and field, for the message.
    value : object
        What was given; a bool is not a number.
    low, high : int
        Ends of the range, in `unit`.
    unit : str
        Unit shown in the message.

    Raises
    ------
    ValueError
        With one line: name, value, what was expected, unit.
    """
    if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
        raise ValueError(
            f"{owner}.{name} = {value!r}: expected a whole number from {low} to {high} {unit}"
        )


def finite(name: str, value: float, unit: str) -> float:
    """Return `value` as a float, or raise if it is no finite number.

    Parameters
    ----------
    name : str
        Name for the message.
    value : float
        The number, in `unit`.
    unit : str
        Unit shown in the message.

    Returns
    -------
    float
        The number unchanged, in `unit`.

    Raises
    ------
    ValueError
        For NaN, infinity, a bool or no number at all.
    """
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise ValueError(f"{name} = {value!r}: expected a finite number in {unit}")
    return float(value)


def nearest(value: float) -> int:
    """Return the nearest whole number, halves away from zero (as the firmware rounds).

    Parameters
    ----------
    value : float
        Any finite number [-].

    Returns
    -------
    int
        The rounded number [-].
    """
    return int(math.copysign(math.floor(abs(value) + 0.5), value))


def to_c100(name: str, value_c: float) -> int:
    """Return a temperature in 1/100 deg C.

    Parameters
    ----------
    name : str
        Name for the message.
    value_c : float
        Temperature [deg C], -273.15 to 327.67 (int16).

    Returns
    -------
    int
        Temperature [1/100 deg C].

    Raises
    ------
    ValueError
        Outside the range.
    """
    word = nearest(finite(name, value_c, "deg C") * 100.0)
    if not ABSOLUTE_ZERO_C100 <= word <= INT16_MAX:
        raise ValueError(f"{name} = {value_c}: expected -273.15 to 327.67 deg C")
    return word


def to_k100(name: str, value_k: float) -> int:
    """Return a temperature difference in 1/100 K.

    Parameters
    ----------
    name : str
        Name for the message.
    value_k : float
        Difference [K], -327.67 to 327.67 (int16).

    Returns
    -------
    int
        Difference [1/100 K].

    Raises
    ------
    ValueError
        Outside the range.
    """
    word = nearest(finite(name, value_k, "K") * 100.0)
    if abs(word) > INT16_MAX:
        raise ValueError(f"{name} = {value_k}: expected -327.67 to 327.67 K")
    return word


def to_permille(name: str, duty: float) -> int:
    """Return a duty in 1/1000.

    Parameters
    ----------
    name : str
        Name for the message.
    duty : float
        Duty, 0 to 1 [-].

    Returns
    -------
    int
        Duty [1/1000].

    Raises
    ------
    ValueError
        Outside 0 to 1.
    """
    if not 0.0 <= finite(name, duty, "0 to 1") <= 1.0:
        raise ValueError(f"{name} = {duty}: expected a duty from 0 to 1")
    return nearest(duty * FULL_PERMILLE)


def check_tick(tick_s: float) -> float:
    """Return the base tick, or raise if protection would run too seldom.

    Parameters
    ----------
    tick_s : float
        Base tick [s]: whole milliseconds, 0.001 to 1.

    Returns
    -------
    float
        The tick [s].

    Raises
    ------
    ValueError
        Outside the range, or no whole number of milliseconds.
    """
    tick_ms = finite("tick_s", tick_s, "s") * 1000.0
    if not 1.0 <= tick_ms <= 1000.0 or abs(tick_ms - round(tick_ms)) > 1e-6:
        raise ValueError(f"tick_s = {tick_s}: expected whole milliseconds from 0.001 to 1 s")
    return float(tick_s)


def to_ticks(name: str, value_s: float, tick_s: float) -> int:
    """Return a time in whole ticks; a time that is not zero is at least one tick.

    Parameters
    ----------
    name : str
        Name for the message.
    value_s : float
        Time [s], not negative.
    tick_s : float
        Base tick [s].

    Returns
    -------
    int
        Time [ticks].

    Raises
    ------
    ValueError
        For a negative time, or one that does not fit int32.
    """
    seconds = finite(name, value_s, "s")
    ticks = nearest(seconds / check_tick(tick_s))
    if seconds < 0.0 or ticks >= INT32_MAX:
        most = INT32_MAX * tick_s
        raise ValueError(f"{name} = {value_s}: expected 0 to {most:.6g} s at a {tick_s} s tick")
    return max(ticks, 1) if seconds > 0.0 else 0


def to_period_ticks(period_s: float, tick_s: float) -> int:
    """Return the control period in ticks; it must be a whole number of them.

    Parameters
    ----------
    period_s : float
        Control period [s], 0.1 to 60.
    tick_s : float
        Base tick [s].

    Returns
    -------
    int
        Control period [ticks].

    Raises
    ------
    ValueError
        Outside the range, or not a multiple of the tick.
    """
    if not 0.1 <= finite("period_s", period_s, "s") <= 60.0:
        raise ValueError(f"period_s = {period_s}: expected 0.1 to 60 s")
    ratio = period_s / check_tick(tick_s)
    if round(ratio) < 1 or abs(ratio - round(ratio)) > 1e-6 * ratio:
        raise ValueError(f"period_s = {period_s}: expected a whole multiple of the {tick_s} s tick")
    return round(ratio)


def to_gain(name: str, exact: float, fraction_bits: int, remedy: str) -> int:
    """Return a positive gain as a word, refusing one that rounding would change by over 1 %.

    Parameters
    ----------
    name : str
        Name for the message.
    exact : float
        The gain before scaling, in its own unit.
    fraction_bits : int
        Fraction bits of the word (20 for Q20) [-].
    remedy : str
        What the reader can do when the gain is too small.

    Returns
    -------
    int
        round(exact 2**fraction_bits), 0 for a gain of 0.

    Raises
    ------
    ValueError
        For a negative gain, one above int32, or one changed by more than 1 %.
    """
    scaled = finite(name, exact, "its unit") * 2.0**fraction_bits
    if scaled == 0.0:
        return 0
    if scaled < 0.0 or scaled > INT32_MAX:
        most = INT32_MAX / 2.0**fraction_bits
        raise ValueError(f"{name} = {exact:.6g}: expected 0 to {most:.6g}")
    word = nearest(scaled)
    if abs(word - scaled) > MAX_GAIN_ROUNDING * scaled:
        raise ValueError(
            f"{name} = {exact:.3g}: rounding to 1/2^{fraction_bits} changes it by more than 1 %; "
            f"{remedy}"
        )
    return word
