"""What the PI controller may have beyond its two gains, in whole numbers.

Gain schedule: the gain at two or three duties, straight lines between them, the end ones
beyond.  The duty is the integral's: what the load was found to need, which moves slowly; the
demand itself would move the gain with every noisy reading.  The integral time stays.

Setpoint weight b: the setpoint reaches the error through (1 + b Ti s)/(1 + Ti s), which gives
the textbook's law with P = Kc (b r - y) exactly (Astrom and Hagglund, two degrees of freedom).
Written so, a setpoint that stands still leaves no offset in P for the integral to carry.

Feed-forward: duty for each kelvin of the room above the setpoint.  Only its changes are
added to the integral, so that tracking, preload and freezing need know nothing of it.  The
room's reading is smoothed over minutes, and stands still while its sensor is faulty.

The words follow the four of `ctrl.pi`, and only where one of these is in use.
"""

from dataclasses import dataclass, field

import numpy as np

from ctrl.firmware_units import FULL_PERMILLE, check_word, finite, to_gain, to_permille
from ctrl.fixed_point import (
    INT32_MAX,
    NO_SENSOR,
    Words,
    add_sat,
    clamp,
    div_round,
    mul_shift,
    sub_sat,
)
from ctrl.protection_settings import CODE_AMBIENT
from ctrl.readings import (
    SENSOR_ABSENT,
    SENSOR_SETTING_WORDS,
    SENSOR_STATE_WORDS,
    SensorSettings,
    read_sensor,
    reset_sensor,
)
from plant.compiled import kernel

GAIN_BITS = 20
"""Fraction bits of gains, P, I and feed-forward [1/1000 duty, Q20]."""
SHARE_BITS = 24
"""Fraction bits of shares per period: h / Ti, h / smoothing time [-]."""
FULL_Q20 = 1000 << GAIN_BITS
WEIGHT_ONE = 32768
MOST_POINTS = 3
AMBIENT_SMOOTHING_S = 300.0  # a room moves in hours; common practice, no source

# Settings, after the four of `ctrl.pi`.
PI_WEIGHT_Q15 = 4
PI_POINTS = 5
PI_SCHEDULE = 6
POINT_WORDS = 3  # duty [1/1000], kp Q20, ki Q20
PI_SLOPE_Q20 = PI_SCHEDULE + MOST_POINTS * POINT_WORDS
PI_SMOOTHING_Q24 = PI_SLOPE_Q20 + 1
PI_AMBIENT_SENSOR = PI_SMOOTHING_Q24 + 1
ALL_SETTING_WORDS = PI_AMBIENT_SENSOR + SENSOR_SETTING_WORDS

# State, after the six of `ctrl.pi`.
PI_KP_NOW = 6
PI_KI_NOW = 7
PI_REFERENCE_Q16 = 8
PI_AMBIENT_C100 = 9
PI_AMBIENT_Q16 = 10
PI_FORWARD = 11
PI_FORWARD_PHASE = 12
PI_AMBIENT_STATE = 13
ALL_STATE_WORDS = PI_AMBIENT_STATE + SENSOR_STATE_WORDS

# PI_FORWARD_PHASE
FORWARD_NEW = 0  # nothing learned: the first room reading gives its whole duty
FORWARD_TAKEN_OVER = 1  # the integral holds it already
FORWARD_ON = 2


@dataclass(frozen=True)
class PIOptions:
    """Schedule, setpoint weight and feed-forward in firmware units; by default none.

    Attributes
    ----------
    weight_q15 : int
        Setpoint weight b, 0 to 2**15 [2**-15].
    schedule : tuple of (int, int, int)
        None, two or three points: duty, rising, 0 to 1000 [1/1000]; kp and ki, 0 to int32
        [2**-20 permille per 1/100 K (and period)].
    slope_q20 : int
        Feed-forward, 0 to int32; 0 is none [2**-20 permille per 1/100 K].
    smoothing_q24 : int
        Period over smoothing time of the room's reading, 0 to 2**24 [2**-24].
    ambient : SensorSettings
        Sensor of the room; needed by feed-forward.
    """

    weight_q15: int = WEIGHT_ONE
    schedule: tuple[tuple[int, int, int], ...] = ()
    slope_q20: int = 0
    smoothing_q24: int = 1 << SHARE_BITS
    ambient: SensorSettings = field(default_factory=SensorSettings.absent)

    def __post_init__(self) -> None:
        who = "PIOptions"
        check_word(who, "weight_q15", self.weight_q15, 0, WEIGHT_ONE, "2^-15")
        check_word(who, "slope_q20", self.slope_q20, 0, INT32_MAX, "2^-20 permille per 1/100 K")
        check_word(who, "smoothing_q24", self.smoothing_q24, 0, 1 << SHARE_BITS, "2^-24")
        if self.slope_q20 > 0 and self.ambient.kind == SENSOR_ABSENT:
            raise ValueError(f"{who}.slope_q20 = {self.slope_q20}: expected a sensor of the room")
        if len(self.schedule) not in (0, 2, MOST_POINTS):
            raise ValueError(f"{who}.schedule: expected no, 2 or 3 points, got {self.schedule!r}")
        lowest = 0
        for duty, kp, ki in self.schedule:
            check_word(who, "schedule duty", duty, lowest, FULL_PERMILLE, "1/1000, rising")
            check_word(who, "schedule kp", kp, 0, INT32_MAX, "2^-20 permille per 1/100 K")
            check_word(who, "schedule ki", ki, 0, INT32_MAX, "2^-20 permille per 1/100 K")
            lowest = duty + 1

    @property
    def in_use(self) -> bool:
        """Whether any of them differs from the plain controller."""
        return self.weight_q15 != WEIGHT_ONE or bool(self.schedule) or self.slope_q20 > 0

    @classmethod
    def from_physical(
        cls,
        *,
        period_s: float,
        ti_s: float,
        setpoint_weight: float = 1.0,
        gain_schedule: tuple[tuple[float, float], ...] = (),
        feed_forward_pct_per_k: float = 0.0,
        ambient: SensorSettings | None = None,
        least_ki_q20: float = 8.0,
    ) -> "PIOptions":
        """Return the options from a maker's units.

        Parameters
        ----------
        period_s, ti_s : float
            Control period and integral time [s].
        setpoint_weight : float
            b, 0 to 1 [-].
        gain_schedule : tuple of (duty [-], kp [% duty per K])
            Two or three, duty rising; empty for none.
        feed_forward_pct_per_k : float
            Duty for each kelvin of the room above the setpoint, 0 for none [% per K].
        ambient : SensorSettings or None
            Sensor of the room.
        least_ki_q20 : float
            Least ki that moves the integral well [2**-20 permille per 1/100 K and period].

        Raises
        ------
        ValueError
            With one line that says what to change.
        """
        if not 0.0 <= finite("setpoint_weight", setpoint_weight, "0 to 1") <= 1.0:
            raise ValueError(f"setpoint_weight = {setpoint_weight}: expected 0 to 1")
        points = []
        for duty, kp_pct_per_k in gain_schedule:
            kp = 0.1 * finite("kp_pct_per_k", kp_pct_per_k, "% per K")
            ki = kp * period_s / ti_s
            if kp <= 0.0 or ki * 2.0**GAIN_BITS < least_ki_q20:
                raise ValueError(
                    f"schedule: kp_pct_per_k = {kp_pct_per_k} with ti_s = {ti_s} and period_s = "
                    f"{period_s}: too small for the integral; raise it or lengthen the period"
                )
            points.append((
                to_permille("schedule duty", duty),
                to_gain("schedule kp [permille per 0.01 K]", kp, GAIN_BITS, "raise kp_pct_per_k"),
                to_gain("schedule ki [permille per 0.01 K]", ki, GAIN_BITS, "lengthen the period"),
            ))  # fmt: skip
        slope = 0.1 * finite("feed_forward_pct_per_k", feed_forward_pct_per_k, "% per K")
        return cls(
            weight_q15=round(setpoint_weight * WEIGHT_ONE),
            schedule=tuple(points),
            slope_q20=to_gain("feed_forward_pct_per_k", slope, GAIN_BITS, "raise it"),
            smoothing_q24=to_gain(
                "period / smoothing", min(period_s / AMBIENT_SMOOTHING_S, 1.0), SHARE_BITS,
                "lengthen the period",
            ),
            ambient=ambient if ambient is not None and slope > 0.0 else SensorSettings.absent(),
        )  # fmt: skip

    def to_words(self) -> Words:
        """Return the words that follow the plain controller's; none where nothing is in use.

        Returns
        -------
        ndarray of int64, shape (0,) or (ALL_SETTING_WORDS - 4,)
            In the order of the PI_ setting indices from PI_WEIGHT_Q15 on.
        """
        if not self.in_use:
            return np.zeros(0, dtype=np.int64)
        points = [word for point in self.schedule for word in point]
        points += [0] * (MOST_POINTS * POINT_WORDS - len(points))
        own = [self.weight_q15, len(self.schedule), *points, self.slope_q20, self.smoothing_q24]
        return np.concatenate([np.array(own, dtype=np.int64), self.ambient.to_words()])


@kernel
def reset_options(settings: Words, state: Words) -> None:
    """Put the options' part of the state to its start."""
    state[PI_KP_NOW] = 0
    state[PI_KI_NOW] = 0
    state[PI_REFERENCE_Q16] = settings[0] * 65536
    state[PI_AMBIENT_C100] = NO_SENSOR
    state[PI_AMBIENT_Q16] = 0
    state[PI_FORWARD] = 0
    state[PI_FORWARD_PHASE] = FORWARD_NEW
    reset_sensor(settings, PI_AMBIENT_SENSOR, state, PI_AMBIENT_STATE)


@kernel
def hear_ambient(settings: Words, state: Words, codes: Words) -> None:
    """Take one tick's code of the room's sensor, where it is fitted.

    Parameters
    ----------
    settings, state : ndarray of int64
        Words of the controller with options; the state is changed.
    codes : ndarray of int64, shape (CODE_WORDS,)
        Raw codes of the tick.
    """
    if settings[PI_AMBIENT_SENSOR] == SENSOR_ABSENT or codes.size <= CODE_AMBIENT:
        return
    state[PI_AMBIENT_C100] = read_sensor(
        settings, PI_AMBIENT_SENSOR, state, PI_AMBIENT_STATE, codes[CODE_AMBIENT]
    )


@kernel
def gains_at(settings: Words, state: Words, duty_permille: int) -> None:
    """Write the gains of a duty into PI_KP_NOW and PI_KI_NOW.

    Parameters
    ----------
    settings, state : ndarray of int64
        Words of the controller with options; the state is changed.
    duty_permille : int
        Duty, any whole number; beyond the end points theirs count [1/1000].
    """
    points = settings[PI_POINTS]
    if points == 0:
        state[PI_KP_NOW] = settings[1]
        state[PI_KI_NOW] = settings[2]
        return
    low = PI_SCHEDULE
    last = PI_SCHEDULE + (points - 1) * POINT_WORDS
    while low < last - POINT_WORDS and duty_permille >= settings[low + POINT_WORDS]:
        low = low + POINT_WORDS
    high = low + POINT_WORDS
    inside = clamp(duty_permille, settings[low], settings[high])
    share = div_round((inside - settings[low]) * 32768, settings[high] - settings[low])
    for which in range(1, POINT_WORDS):
        rise = mul_shift(sub_sat(settings[high + which], settings[low + which]), share, 15)
        state[PI_KP_NOW + which - 1] = add_sat(settings[low + which], rise)


@kernel
def weighted_setpoint(settings: Words, state: Words) -> int:
    """Return the setpoint that the error is taken from [1/100 deg C], one period on.

    b r + (1 - b) x, where x follows the setpoint r with the integral time.
    """
    setpoint = settings[0]
    if settings[PI_WEIGHT_Q15] == WEIGHT_ONE:
        return setpoint
    # Word 3 is h / Ti.
    behind = sub_sat(setpoint * 65536, state[PI_REFERENCE_Q16])
    state[PI_REFERENCE_Q16] = add_sat(
        state[PI_REFERENCE_Q16], mul_shift(behind, settings[3], SHARE_BITS)
    )
    slow = mul_shift(state[PI_REFERENCE_Q16], 1, 16)
    return add_sat(slow, mul_shift(sub_sat(setpoint, slow), settings[PI_WEIGHT_Q15], 15))


@kernel
def forward_of(settings: Words, state: Words) -> int:
    """Return the feed-forward of the smoothed room, 0 to full duty [Q20]."""
    above = sub_sat(mul_shift(state[PI_AMBIENT_Q16], 1, 16), settings[0])
    return clamp(mul_shift(settings[PI_SLOPE_Q20], above, 0), 0, FULL_Q20)


@kernel
def change_forward(settings: Words, state: Words) -> int:
    """Return by how much the feed-forward moves in this period [Q20]."""
    ambient = state[PI_AMBIENT_C100]
    if settings[PI_SLOPE_Q20] == 0 or ambient == NO_SENSOR:
        return 0
    before = state[PI_FORWARD]
    target = ambient * 65536
    if state[PI_FORWARD_PHASE] == FORWARD_ON:
        behind = sub_sat(target, state[PI_AMBIENT_Q16])
        state[PI_AMBIENT_Q16] = add_sat(
            state[PI_AMBIENT_Q16], mul_shift(behind, settings[PI_SMOOTHING_Q24], SHARE_BITS)
        )
    else:
        state[PI_AMBIENT_Q16] = target
    state[PI_FORWARD] = forward_of(settings, state)
    taken_over = state[PI_FORWARD_PHASE] == FORWARD_TAKEN_OVER
    state[PI_FORWARD_PHASE] = FORWARD_ON
    if taken_over:
        return 0
    return sub_sat(state[PI_FORWARD], before)


@kernel
def take_over(settings: Words, state: Words, duty_permille: int) -> None:
    """Make ready for a hand-over: gains of its duty, setpoint and feed-forward in place."""
    gains_at(settings, state, duty_permille)
    state[PI_REFERENCE_Q16] = settings[0] * 65536
    state[PI_FORWARD] = 0
    state[PI_FORWARD_PHASE] = FORWARD_TAKEN_OVER
