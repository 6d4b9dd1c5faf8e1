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

Gain schedule, setpoint weight and feed-forward are in `ctrl.pi_options`; where none is in use
there are only four setting words, and nothing of them is run.
"""

from dataclasses import dataclass, field

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
from ctrl.pi_options import (
    ALL_STATE_WORDS,
    PI_KI_NOW,
    PI_KP_NOW,
    PIOptions,
    change_forward,
    gains_at,
    hear_ambient,
    reset_options,
    take_over,
    weighted_setpoint,
)
from ctrl.readings import SensorSettings
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
STATE_WORDS = ALL_STATE_WORDS


def check_integral_step(who: str, ki_lsb: float, reading_lsb_k: float) -> None:
    """Refuse an integral gain so small that a step of the reading is lost in its rounding.

    Parameters
    ----------
    who : str
        The settings at fault, for the message.
    ki_lsb : float
        Integral gain, in the integral's own steps for each 1/100 K.
    reading_lsb_k : float
        Smallest step of the reading [K].

    Raises
    ------
    ValueError
        Where one step of the reading moves the integral by less than 8 of its own.
    """
    if ki_lsb * reading_lsb_k * 100.0 < 8.0:
        raise ValueError(
            f"{who}: one reading step moves the integral by under 8 of its own; lengthen the period"
        )


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
    options : PIOptions
        Gain schedule, setpoint weight and feed-forward, none by default.
    """

    setpoint_c100: int
    kp_q20: int
    ki_q20: int
    reset_q24: int
    options: PIOptions = field(default_factory=PIOptions)

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
        setpoint_weight: float = 1.0,
        gain_schedule: tuple[tuple[float, float], ...] = (),
        feed_forward_pct_per_k: float = 0.0,
        ambient: SensorSettings | None = None,
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
        setpoint_weight, gain_schedule, feed_forward_pct_per_k, ambient
            As in `PIOptions.from_physical`; by default none.

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
        who = f"ti_s = {ti_s} with kp_pct_per_k = {kp_pct_per_k} and period_s = {period_s}"
        check_integral_step(who, ki * 2.0**GAIN_BITS, reading_lsb_k)
        return cls(
            setpoint_c100=setpoint,
            kp_q20=to_gain("kp [permille per 0.01 K]", kp, GAIN_BITS, "raise kp_pct_per_k"),
            ki_q20=to_gain("ki [permille per 0.01 K]", ki, GAIN_BITS, "lengthen the period"),
            reset_q24=to_gain("period / Ti", period_s / ti_s, RESET_BITS, "lengthen the period"),
            options=PIOptions.from_physical(
                period_s=period_s,
                ti_s=ti_s,
                setpoint_weight=setpoint_weight,
                gain_schedule=gain_schedule,
                feed_forward_pct_per_k=feed_forward_pct_per_k,
                ambient=ambient,
                least_ki_q20=8.0 / (100.0 * reading_lsb_k),
            ),
        )

    def to_words(self) -> Words:
        """Return the words in the order of the PI_ setting indices.

        Returns
        -------
        ndarray of int64, shape (4,) or, with options, (ALL_SETTING_WORDS,)
            [setpoint 1/100 deg C, kp Q20, ki Q20, h / Ti Q24, options].
        """
        own = [self.setpoint_c100, self.kp_q20, self.ki_q20, self.reset_q24]
        return np.concatenate([np.array(own, dtype=np.int64), self.options.to_words()])


@kernel
def reset(settings: Words, state: Words) -> None:
    """Put the state to its start: nothing learned, nothing asked.

    Parameters
    ----------
    settings : ndarray of int64, shape (n,)
        Words of `PISettings`.
    state : ndarray of int64, shape (STATE_WORDS,)
        Changed in place; order of the PI_ state indices.
    """
    state[PI_INTEGRAL] = 0
    state[PI_PROPORTIONAL] = 0
    state[PI_ERROR] = 0
    state[PI_DEMAND] = 0
    state[PI_SATURATED] = 0
    state[PI_FROZEN] = 0
    if settings.size > SETTING_WORDS:
        reset_options(settings, state)


@kernel
def hear(settings: Words, state: Words, codes: Words) -> None:
    """Take the tick's other codes, where an option needs one.

    Parameters
    ----------
    settings, state : ndarray of int64
        Words of `PISettings`; the state is changed.
    codes : ndarray of int64, shape (CODE_WORDS,)
        Raw codes of the tick.
    """
    if settings.size > SETTING_WORDS:
        hear_ambient(settings, state, codes)


@kernel
def step(settings: Words, state: Words, reading_c100: int) -> int:
    """Return the duty asked for at this reading; the integral waits for `track`.

    P saturates at the end of int32, 2048 permille: further than any output, so no
    duty is changed by it.

    Parameters
    ----------
    settings : ndarray of int64, shape (n,)
        Words of `PISettings`.
    state : ndarray of int64, shape (STATE_WORDS,)
        Changed in place; order of the PI_ state indices.
    reading_c100 : int
        Control reading [1/100 deg C].

    Returns
    -------
    int
        Demanded duty, 0 to 1000 [1/1000].
    """
    kp, setpoint = settings[PI_KP], settings[PI_SETPOINT]
    if settings.size > SETTING_WORDS:
        moved = add_sat(state[PI_INTEGRAL], change_forward(settings, state))
        state[PI_INTEGRAL] = clamp(moved, 0, FULL_Q20)
        gains_at(settings, state, mul_shift(state[PI_INTEGRAL], 1, GAIN_BITS))
        kp, setpoint = state[PI_KP_NOW], weighted_setpoint(settings, state)
    error = sub_sat(reading_c100, setpoint)
    proportional = mul_shift(kp, error, 0)
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
def moved_integral(
    integral_q20: int, final_permille: int, limited: bool, reset_q24: int, ki_q20: int, error: int
) -> int:
    """Return the integral a period later: by the error, or where limited towards what was given.

    Parameters
    ----------
    integral_q20 : int
        The integral so far [2**-20 permille].
    final_permille : int
        Mean duty given since the last step, after every limiter [1/1000].
    limited : bool
        Whether that is not what the law asked for, or what it asked for was clamped.
    reset_q24 : int
        Period over integral time [2**-24].
    ki_q20 : int
        Integral gain [2**-20 permille per 1/100 K and period].
    error : int
        Reading less what is sought [1/100 K].
    """
    if limited:
        given = clamp(final_permille, 0, 1000) * (1 << GAIN_BITS)
        change = mul_shift(sub_sat(given, integral_q20), reset_q24, RESET_BITS)
    else:
        change = mul_shift(ki_q20, error, 0)
    return clamp(add_sat(integral_q20, change), 0, FULL_Q20)


@kernel
def track(settings: Words, state: Words, final_permille: int, frozen: int) -> None:
    """Move the integral by one period, knowing the duty that was given.

    Parameters
    ----------
    settings : ndarray of int64, shape (n,)
        Words of `PISettings`.
    state : ndarray of int64, shape (STATE_WORDS,)
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
    ki = settings[PI_KI]
    if settings.size > SETTING_WORDS:
        ki = state[PI_KI_NOW]
    limited = state[PI_SATURATED] == 1 or final_permille != state[PI_DEMAND]
    state[PI_INTEGRAL] = moved_integral(
        state[PI_INTEGRAL], final_permille, limited, settings[PI_RESET], ki, state[PI_ERROR]
    )


@kernel
def preload(settings: Words, state: Words, reading_c100: int, duty_permille: int) -> None:
    """Take over from a duty set by hand without a bump: I = duty - P.

    Parameters
    ----------
    settings : ndarray of int64, shape (n,)
        Words of `PISettings`.
    state : ndarray of int64, shape (STATE_WORDS,)
        Changed in place; order of the PI_ state indices.
    reading_c100 : int
        Control reading at the hand-over [1/100 deg C].
    duty_permille : int
        Duty before the hand-over [1/1000].
    """
    kp = settings[PI_KP]
    if settings.size > SETTING_WORDS:
        take_over(settings, state, duty_permille)
        kp = state[PI_KP_NOW]
    error = sub_sat(reading_c100, settings[PI_SETPOINT])
    given = clamp(duty_permille, 0, 1000) * (1 << GAIN_BITS)
    integral = sub_sat(given, mul_shift(kp, error, 0))
    state[PI_INTEGRAL] = clamp(integral, 0, FULL_Q20)
