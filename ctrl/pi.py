"""Proportional and integral control of the duty, in whole numbers.

Positional form with tracking anti-windup (textbook back-calculation)::

    v = P + I,   P = Kc e,   u = what was given after every limit
    I[k+1] = I[k] + (Kc h / Ti) e + (h / Tt) (u - v)

with e = reading - setpoint (positive when too warm), h the control period and Tt = Ti.
As Kc h e / Ti equals (h / Ti) P, the sum shortens whenever u differs from v to

    I[k+1] = I[k] + (h / Ti) (u - I[k])

which is what `track` does.  The two are the same, but the short form cannot overflow:
P may be thousands of permille in a pull-down, I and u never leave 0 to 1000.

In defrost, fault or trip the integral is frozen.  It is the duty the load was found to
need, so control restarts from it (preloaded) plus P of the new reading; the slew limit
of `ctrl.protection` takes the output there without a bump.
"""

from dataclasses import dataclass

import numpy as np

from ctrl.firmware_units import (
    ABSOLUTE_ZERO_C100,
    check_word,
    finite,
    to_c100,
    to_gain,
)
from ctrl.fixed_point import (
    INT16_MAX,
    INT32_MAX,
    Words,
    add_sat,
    clamp,
    mul_shift,
    sub_sat,
)
from plant.compiled import kernel

GAIN_BITS = 20
"""Fraction bits of kp, ki, P and I [1/1000 duty, Q20]."""
RESET_BITS = 24
"""Fraction bits of h / Ti [-]."""
FULL_Q20 = 1000 << GAIN_BITS
"""Full duty as an integral: 1000 2**20, within int32."""

PI_SETPOINT = 0
PI_KP = 1
PI_KI = 2
PI_RESET = 3
SETTING_WORDS = 4

PI_INTEGRAL = 0
PI_PROPORTIONAL = 1
PI_ERROR = 2
PI_DEMAND = 3
PI_SATURATED = 4
PI_FROZEN = 5
STATE_WORDS = 6


@dataclass(frozen=True)
class PISettings:
    """Settings of the PI controller, in firmware units.

    Attributes
    ----------
    setpoint_c100 : int
        Reading to hold, -27315 to 32767 [1/100 deg C].
    kp_q20 : int
        Proportional gain, 0 to int32 [2**-20 permille per 1/100 K].
    ki_q20 : int
        Integral gain times period, 0 to int32 [2**-20 permille per 1/100 K and period].
    reset_q24 : int
        Period over integral time h / Ti, 0 to 2**24 [2**-24].
    """

    setpoint_c100: int
    kp_q20: int
    ki_q20: int
    reset_q24: int

    def __post_init__(self) -> None:
        who = "PISettings"
        check_word(
            who, "setpoint_c100", self.setpoint_c100, ABSOLUTE_ZERO_C100, INT16_MAX, "1/100 deg C"
        )
        check_word(who, "kp_q20", self.kp_q20, 0, INT32_MAX, "2^-20 permille per 1/100 K")
        check_word(who, "ki_q20", self.ki_q20, 0, INT32_MAX, "2^-20 permille per 1/100 K")
        check_word(who, "reset_q24", self.reset_q24, 0, 1 << RESET_BITS, "2^-24")

    @classmethod
    def from_physical(
        cls,
        *,
        setpoint_c: float,
        kp_pct_per_k: float,
        ti_s: float,
        period_s: float,
        reading_lsb_k: float = 0.01,
    ) -> "PISettings":
        """Return the settings for a tuning, refusing what whole numbers cannot hold.

        Refused: a gain that rounding changes by more than 1 %, and an integral whose
        LSB is more than 1/8 of what one reading LSB adds in one period (it would stand
        still on small errors).

        Parameters
        ----------
        setpoint_c : float
            Reading to hold [deg C].
        kp_pct_per_k : float
            Proportional gain Kc, above 0 to 20 000 [% duty per K].
        ti_s : float
            Integral time Ti, not below the period [s].
        period_s : float
            Control period h, 0.1 to 60 [s].
        reading_lsb_k : float
            Smallest step of the reading, 0.01 (the word's own) or coarser [K].

        Returns
        -------
        PISettings
            The settings in firmware units.

        Raises
        ------
        ValueError
            With one line that says what to change.
        """
        setpoint = to_c100("setpoint_c", setpoint_c)
        if finite("kp_pct_per_k", kp_pct_per_k, "% per K") <= 0.0:
            raise ValueError(f"kp_pct_per_k = {kp_pct_per_k}: expected more than 0 % per K")
        if not 0.1 <= finite("period_s", period_s, "s") <= 60.0:
            raise ValueError(f"period_s = {period_s}: expected 0.1 to 60 s")
        if finite("ti_s", ti_s, "s") < period_s:
            raise ValueError(f"ti_s = {ti_s}: expected at least the control period, {period_s} s")
        if finite("reading_lsb_k", reading_lsb_k, "K") < 0.01:
            raise ValueError(f"reading_lsb_k = {reading_lsb_k}: expected 0.01 K or more")
        # 1 % per K is 10 permille per 100 steps of 1/100 K.
        kp = kp_pct_per_k * 0.1
        ki = kp * period_s / ti_s
        if ki * 2.0**GAIN_BITS * reading_lsb_k * 100.0 < 8.0:
            raise ValueError(
                f"ti_s = {ti_s} with kp_pct_per_k = {kp_pct_per_k} and period_s = {period_s}: "
                f"one reading step moves the integral by under 8 of its own; lengthen the period"
            )
        return cls(
            setpoint_c100=setpoint,
            kp_q20=to_gain("kp [permille per 0.01 K]", kp, GAIN_BITS, "raise kp_pct_per_k"),
            ki_q20=to_gain("ki [permille per 0.01 K]", ki, GAIN_BITS, "lengthen the period"),
            reset_q24=to_gain("period / Ti", period_s / ti_s, RESET_BITS, "lengthen the period"),
        )

    def to_words(self) -> Words:
        """Return the words in the order of the PI_ setting indices.

        Returns
        -------
        ndarray of int64, shape (4,)
            [setpoint 1/100 deg C, kp Q20, ki Q20, h / Ti Q24].
        """
        return np.array(
            [self.setpoint_c100, self.kp_q20, self.ki_q20, self.reset_q24], dtype=np.int64
        )


@kernel
def reset(settings: Words, state: Words) -> None:
    """Put the state to its start: nothing learned, nothing asked.

    Parameters
    ----------
    settings : ndarray of int64, shape (4,)
        Words of `PISettings`.
    state : ndarray of int64, shape (6,)
        Changed in place; order of the PI_ state indices.
    """
    state[PI_INTEGRAL] = 0
    state[PI_PROPORTIONAL] = 0
    state[PI_ERROR] = 0
    state[PI_DEMAND] = 0
    state[PI_SATURATED] = 0
    state[PI_FROZEN] = 0


@kernel
def step(settings: Words, state: Words, reading_c100: int) -> int:
    """Return the duty asked for at this reading; the integral waits for `track`.

    P saturates at the end of int32, 2048 permille: further than any output, so no
    duty is changed by it.

    Parameters
    ----------
    settings : ndarray of int64, shape (4,)
        Words of `PISettings`.
    state : ndarray of int64, shape (6,)
        Changed in place; order of the PI_ state indices.
    reading_c100 : int
        Control reading [1/100 deg C].

    Returns
    -------
    int
        Demanded duty, 0 to 1000 [1/1000].
    """
    error = sub_sat(reading_c100, settings[PI_SETPOINT])
    proportional = mul_shift(settings[PI_KP], error, 0)
    wanted = add_sat(proportional, state[PI_INTEGRAL])
    state[PI_ERROR] = error
    state[PI_PROPORTIONAL] = proportional
    state[PI_SATURATED] = 0
    if wanted < 0 or wanted > FULL_Q20:
        state[PI_SATURATED] = 1
    state[PI_DEMAND] = clamp(mul_shift(wanted, 1, GAIN_BITS), 0, 1000)
    state[PI_FROZEN] = 0
    return state[PI_DEMAND]


@kernel
def track(settings: Words, state: Words, final_permille: int, frozen: int) -> None:
    """Move the integral by one period, knowing the duty that was given.

    Parameters
    ----------
    settings : ndarray of int64, shape (4,)
        Words of `PISettings`.
    state : ndarray of int64, shape (6,)
        Changed in place; order of the PI_ state indices.
    final_permille : int
        Mean duty given since the last step, after every limiter and before any
        time-proportioning [1/1000].
    frozen : int
        1 in defrost, fault or trip: the integral stands still until the next step [-].
    """
    if frozen == 1:
        state[PI_FROZEN] = 1
    if state[PI_FROZEN] == 1:
        return
    if state[PI_SATURATED] == 1 or final_permille != state[PI_DEMAND]:
        given = clamp(final_permille, 0, 1000) * (1 << GAIN_BITS)
        change = mul_shift(sub_sat(given, state[PI_INTEGRAL]), settings[PI_RESET], RESET_BITS)
    else:
        change = mul_shift(settings[PI_KI], state[PI_ERROR], 0)
    state[PI_INTEGRAL] = clamp(add_sat(state[PI_INTEGRAL], change), 0, FULL_Q20)


@kernel
def preload(settings: Words, state: Words, reading_c100: int, duty_permille: int) -> None:
    """Take over from a duty set by hand without a bump: I = duty - P.

    Parameters
    ----------
    settings : ndarray of int64, shape (4,)
        Words of `PISettings`.
    state : ndarray of int64, shape (6,)
        Changed in place; order of the PI_ state indices.
    reading_c100 : int
        Control reading at the hand-over [1/100 deg C].
    duty_permille : int
        Duty before the hand-over [1/1000].
    """
    error = sub_sat(reading_c100, settings[PI_SETPOINT])
    given = clamp(duty_permille, 0, 1000) * (1 << GAIN_BITS)
    integral = sub_sat(given, mul_shift(settings[PI_KP], error, 0))
    state[PI_INTEGRAL] = clamp(integral, 0, FULL_Q20)
