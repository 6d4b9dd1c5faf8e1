"""From a sensor's raw code to 1/100 deg C, and whether to believe it.

A thermistor's code goes through a table of 33 straight pieces made from its data
sheet; a digital code is 1/16 deg C.  A code is not believed when

- it lies in the first or last 2 % of the ADC's span (short or open wire), or outside
  -55 to 125 deg C of a digital sensor;
- it is the digital sensor's power-up value, 85.00 deg C, and the last believed reading
  was not near it;
- the reading moved faster than 2 K/s since the last believed one.

A bad code acts only after it has lasted `fault_ticks`; until then the last good
reading holds.  A fault clears after `recover_ticks` of good readings in a row.  Faults
that keep coming back latch: each fault within `latch_ticks` of the one before counts
on, and the `latch_count`-th stays until a reset.

Limits: engineering practice after IEC 60730-1 Annex H (plausibility of an input);
2 %, 2 K/s and the times are common practice, no source.  What this cannot see: a
sensor that is stuck, drifts, or has slowly fallen off.
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from ctrl.firmware_units import check_tick, check_word, finite, nearest, to_k100
from ctrl.fixed_point import (
    INT16_MAX,
    INT32_MAX,
    NO_SENSOR,
    Words,
    add_sat,
    clamp,
    interpolate,
    mul_shift,
    sub_sat,
)
from plant.compiled import kernel

TABLE_POINTS = 33
BAD_SHARE = 0.02
DIGITAL_LOW_CODE = -880  # -55 deg C in 1/16 deg C
DIGITAL_HIGH_CODE = 2000  # 125 deg C
POWER_UP_CODE = 1360  # 85.00 deg C: not a measurement, see module docstring
POWER_UP_C100 = 8500
NEAR_POWER_UP_K100 = 500

SENSOR_ABSENT = 0
SENSOR_THERMISTOR = 1
SENSOR_DIGITAL = 2
SENSOR_KINDS = {SENSOR_ABSENT: "absent", SENSOR_THERMISTOR: "thermistor", SENSOR_DIGITAL: "digital"}

# Settings of one sensor: index within its block.
S_KIND = 0
S_BITS = 1
S_CODE_LOW = 2
S_CODE_HIGH = 3
S_OFFSET = 4
S_JUMP = 5
S_JUMP_PER_TICK = 6
S_FAULT_TICKS = 7
S_RECOVER_TICKS = 8
S_LATCH_TICKS = 9
S_LATCH_COUNT = 10
S_TABLE = 11
SENSOR_SETTING_WORDS = S_TABLE + TABLE_POINTS

# State of one sensor: index within its block.
R_STATUS = 0
R_GOOD_C100 = 1
R_AGE = 2
R_BAD_TICKS = 3
R_GOOD_TICKS = 4
R_FAULTS = 5
R_SINCE_FAULT = 6
R_CAUSE = 7
SENSOR_STATE_WORDS = 8

# R_STATUS
STATUS_ABSENT = 0
STATUS_WAITING = 1
STATUS_OK = 2
STATUS_FAULT = 3
STATUS_LATCHED = 4

# R_CAUSE: what was wrong with the last bad code.
CAUSE_NONE = 0
CAUSE_OPEN = 1
CAUSE_SHORT = 2
CAUSE_OUT_OF_RANGE = 3
CAUSE_POWER_UP = 4
CAUSE_JUMP = 5


def thermistor_temp_c(
    ratio: float, r25_ohm: float, beta_k: float, divider_ohm: float, thermistor_on_top: bool = False
) -> float:
    """Return the temperature of a thermistor from its divider's ratio.

    R(T) = R25 exp(B (1/T - 1/298.15 K)), the beta equation of the data sheets.

    Parameters
    ----------
    ratio : float
        ADC voltage over reference voltage, above 0 and below 1 [-].
    r25_ohm, beta_k : float
        Resistance at 25 deg C [ohm] and beta [K].
    divider_ohm : float
        The fixed resistor [ohm].
    thermistor_on_top : bool
        True when the thermistor goes to the reference and the resistor to ground.

    Returns
    -------
    float
        Temperature [deg C].
    """
    share = 1.0 - ratio if thermistor_on_top else ratio
    resistance = divider_ohm * share / (1.0 - share)
    return 1.0 / (1.0 / 298.15 + math.log(resistance / r25_ohm) / beta_k) - 273.15


def thermistor_table(
    r25_ohm: float,
    beta_k: float,
    divider_ohm: float,
    adc_bits: int,
    thermistor_on_top: bool = False,
) -> tuple[int, ...]:
    """Return 33 temperatures, evenly spaced over the ADC's span.

    Point k stands at code k 2**(bits-5).  The resistance at the two ends would be zero
    and infinite; there the last piece is drawn through its inner point and the 2 %
    limit, beyond which a code is a fault anyway.

    Parameters
    ----------
    r25_ohm, beta_k, divider_ohm : float
        Thermistor at 25 deg C [ohm], beta [K], fixed resistor [ohm].
    adc_bits : int
        Bits of the ADC, 8 to 16 [-].
    thermistor_on_top : bool
        True when the thermistor goes to the reference.

    Returns
    -------
    tuple of int, length 33
        Temperatures [1/100 deg C].

    Raises
    ------
    ValueError
        For a value that is no plausible thermistor or divider.
    """
    for name, value, low, high, unit in (
        ("r25_ohm", r25_ohm, 100.0, 1e7, "ohm"),
        ("beta_k", beta_k, 1000.0, 10000.0, "K"),
        ("divider_ohm", divider_ohm, 10.0, 1e8, "ohm"),
    ):
        if not low <= finite(name, value, unit) <= high:
            raise ValueError(f"{name} = {value}: expected {low:g} to {high:g} {unit}")
    check_word("thermistor", "adc_bits", adc_bits, 8, 16, "bits")

    def at(ratio: float) -> float:
        return thermistor_temp_c(ratio, r25_ohm, beta_k, divider_ohm, thermistor_on_top)

    step = 1.0 / (TABLE_POINTS - 1)
    points = [at(k * step) for k in range(1, TABLE_POINTS - 1)]
    reach = step / (step - BAD_SHARE)
    first = points[0] + (at(BAD_SHARE) - points[0]) * reach
    last = points[-1] + (at(1.0 - BAD_SHARE) - points[-1]) * reach
    words = (nearest(100.0 * value) for value in (first, *points, last))
    return tuple(max(NO_SENSOR + 1, min(word, INT16_MAX)) for word in words)


@dataclass(frozen=True)
class SensorSettings:
    """One sensor as the firmware reads it.

    Attributes
    ----------
    kind : int
        SENSOR_ABSENT, SENSOR_THERMISTOR or SENSOR_DIGITAL.
    adc_bits : int
        Bits of the ADC, 8 to 16 (12 and unused for a digital sensor) [-].
    code_low, code_high : int
        Lowest and highest believed code [-].
    offset_k100 : int
        Added to every reading, -1000 to 1000 [1/100 K].
    jump_k100 : int
        Largest believed change from one tick to the next [1/100 K].
    jump_k100_per_tick : int
        What is allowed on top for each further tick [1/100 K per tick].
    fault_ticks, recover_ticks, latch_ticks : int
        How long a bad code must last; how long good ones; memory for faults [ticks].
    latch_count : int
        Faults, each within latch_ticks of the one before, that latch [-].
    table : tuple of int, length 33
        Temperatures over the span (zeros for other kinds) [1/100 deg C].
    """

    kind: int
    adc_bits: int = 12
    code_low: int = DIGITAL_LOW_CODE
    code_high: int = DIGITAL_HIGH_CODE
    offset_k100: int = 0
    jump_k100: int = 200
    jump_k100_per_tick: int = 200
    fault_ticks: int = 3
    recover_ticks: int = 60
    latch_ticks: int = 3600
    latch_count: int = 3
    table: tuple[int, ...] = (0,) * TABLE_POINTS

    def __post_init__(self) -> None:
        who = "SensorSettings"
        check_word(who, "kind", self.kind, SENSOR_ABSENT, SENSOR_DIGITAL, "(kind of sensor)")
        check_word(who, "adc_bits", self.adc_bits, 8, 16, "bits")
        check_word(who, "code_low", self.code_low, -32768, 65535, "codes")
        check_word(who, "code_high", self.code_high, self.code_low, 65535, "codes")
        check_word(who, "offset_k100", self.offset_k100, -1000, 1000, "1/100 K")
        check_word(who, "jump_k100", self.jump_k100, 1, INT16_MAX, "1/100 K")
        check_word(who, "jump_k100_per_tick", self.jump_k100_per_tick, 1, INT16_MAX, "1/100 K")
        for name in ("fault_ticks", "recover_ticks", "latch_ticks"):
            check_word(who, name, getattr(self, name), 1, INT32_MAX - 1, "ticks")
        check_word(who, "latch_count", self.latch_count, 1, 1000, "faults")
        if len(self.table) != TABLE_POINTS:
            raise ValueError(f"{who}.table: expected {TABLE_POINTS} points, got {len(self.table)}")
        for point in self.table:
            check_word(who, "table", point, NO_SENSOR + 1, INT16_MAX, "1/100 deg C")

    @classmethod
    def absent(cls) -> "SensorSettings":
        """Return the settings of a sensor that is not fitted.

        Returns
        -------
        SensorSettings
            Kind SENSOR_ABSENT; its reading is always NO_SENSOR.
        """
        return cls(kind=SENSOR_ABSENT)

    @classmethod
    def thermistor(
        cls,
        *,
        r25_ohm: float,
        beta_k: float,
        divider_ohm: float,
        adc_bits: int,
        tick_s: float,
        thermistor_on_top: bool = False,
        offset_k: float = 0.0,
        jump_k_per_s: float = 2.0,
    ) -> "SensorSettings":
        """Return the settings of a thermistor with a divider and an ADC.

        Parameters
        ----------
        r25_ohm, beta_k, divider_ohm : float
            Thermistor at 25 deg C [ohm], beta [K], fixed resistor [ohm].
        adc_bits : int
            Bits of the ADC, 8 to 16 [-].
        tick_s : float
            Base tick [s].
        thermistor_on_top : bool
            True when the thermistor goes to the reference.
        offset_k : float
            Correction added to the reading, from a calibration [K].
        jump_k_per_s : float
            Fastest believed change [K/s]; 2 is common practice, no source.

        Returns
        -------
        SensorSettings
            The settings in firmware units.

        Raises
        ------
        ValueError
            For a value out of range.
        """
        check_word("thermistor", "adc_bits", adc_bits, 8, 16, "bits")
        full = 1 << adc_bits
        return _with_plausibility(
            cls(
                kind=SENSOR_THERMISTOR,
                adc_bits=adc_bits,
                code_low=math.ceil(BAD_SHARE * full),
                code_high=math.floor((1.0 - BAD_SHARE) * full),
                offset_k100=to_k100("offset_k", offset_k),
                table=thermistor_table(r25_ohm, beta_k, divider_ohm, adc_bits, thermistor_on_top),
            ),
            tick_s,
            jump_k_per_s,
        )

    @classmethod
    def digital(
        cls, *, tick_s: float, offset_k: float = 0.0, jump_k_per_s: float = 2.0
    ) -> "SensorSettings":
        """Return the settings of a digital 1/16 deg C sensor.

        Parameters
        ----------
        tick_s : float
            Base tick [s].
        offset_k : float
            Correction added to the reading, from a calibration [K].
        jump_k_per_s : float
            Fastest believed change [K/s].

        Returns
        -------
        SensorSettings
            The settings in firmware units.

        Raises
        ------
        ValueError
            For a value out of range.
        """
        return _with_plausibility(
            cls(kind=SENSOR_DIGITAL, offset_k100=to_k100("offset_k", offset_k)),
            tick_s,
            jump_k_per_s,
        )

    def to_words(self) -> Words:
        """Return the words in the order of the S_ indices.

        Returns
        -------
        ndarray of int64, shape (44,)
            Kind, bits, code limits, offset, jump limits, times, count, table.
        """
        head = [
            self.kind,
            self.adc_bits,
            self.code_low,
            self.code_high,
            self.offset_k100,
            self.jump_k100,
            self.jump_k100_per_tick,
            self.fault_ticks,
            self.recover_ticks,
            self.latch_ticks,
            self.latch_count,
        ]
        return np.array([*head, *self.table], dtype=np.int64)


def _with_plausibility(
    settings: SensorSettings, tick_s: float, jump_k_per_s: float
) -> SensorSettings:
    """Return the settings with the jump limits and times for this tick."""
    tick = check_tick(tick_s)
    if not 0.0 < finite("jump_k_per_s", jump_k_per_s, "K/s") <= 300.0:
        raise ValueError(f"jump_k_per_s = {jump_k_per_s}: expected above 0 to 300 K/s")
    return replace(
        settings,
        # One tick may show what a whole second may: a slow digital sensor gives the
        # change of its conversion time at once, and noise does not shrink with the tick.
        jump_k100=max(1, nearest(jump_k_per_s * 100.0)),
        jump_k100_per_tick=max(1, nearest(jump_k_per_s * 100.0 * tick)),
        fault_ticks=math.ceil(3.0 / tick - 1e-9),
        recover_ticks=math.ceil(60.0 / tick - 1e-9),
        latch_ticks=math.ceil(3600.0 / tick - 1e-9),
    )


@kernel
def linearise(settings: Words, at: int, code: int) -> int:
    """Return the temperature of a raw code, clamped first.

    Parameters
    ----------
    settings : ndarray of int64, shape (n,)
        Words that hold one sensor's block.
    at : int
        Index where the block begins [-].
    code : int
        Raw code of the ADC, or signed 1/16 deg C [-].

    Returns
    -------
    int
        Temperature with the sensor's offset [1/100 deg C].
    """
    if settings[at + S_KIND] == SENSOR_DIGITAL:
        value = mul_shift(clamp(code, -32768, 32767), 100, 4)
    else:
        value = interpolate(settings, at + S_TABLE, code, settings[at + S_BITS])
    return clamp(add_sat(value, settings[at + S_OFFSET]), -27315, INT16_MAX)


@kernel
def wrong_with(settings: Words, at: int, state: Words, sat: int, code: int, value_c100: int) -> int:
    """Return why a code is not believed, or CAUSE_NONE.

    Parameters
    ----------
    settings, state : ndarray of int64, shape (n,)
        Words that hold the sensor's settings and state.
    at, sat : int
        Where the sensor's settings and its state begin [-].
    code : int
        Raw code [-].
    value_c100 : int
        What the code means, by `linearise` [1/100 deg C].

    Returns
    -------
    int
        One of the CAUSE_ codes [-].
    """
    low = code < settings[at + S_CODE_LOW]
    high = code > settings[at + S_CODE_HIGH]
    if settings[at + S_KIND] == SENSOR_DIGITAL:
        if low or high:
            return CAUSE_OUT_OF_RANGE
    elif low or high:
        # To ground, a short reads 0; on top, an open wire does.
        hot_end_low = settings[at + S_TABLE] > settings[at + S_TABLE + TABLE_POINTS - 1]
        if low == hot_end_low:
            return CAUSE_SHORT
        return CAUSE_OPEN
    good = state[sat + R_GOOD_C100]
    if settings[at + S_KIND] == SENSOR_DIGITAL and code == POWER_UP_CODE:
        if good < POWER_UP_C100 - NEAR_POWER_UP_K100 or good > POWER_UP_C100 + NEAR_POWER_UP_K100:
            return CAUSE_POWER_UP
    if good != NO_SENSOR:
        change = sub_sat(value_c100, good)
        further = mul_shift(settings[at + S_JUMP_PER_TICK], state[sat + R_AGE] - 1, 0)
        allowed = add_sat(settings[at + S_JUMP], further)
        if change > allowed or change < -allowed:
            return CAUSE_JUMP
    return CAUSE_NONE


@kernel
def reset_sensor(settings: Words, at: int, state: Words, sat: int) -> None:
    """Put one sensor's state to its start: waiting for the first good code.

    Parameters
    ----------
    settings, state : ndarray of int64, shape (n,)
        Words that hold the sensor's settings and state; the state is changed.
    at, sat : int
        Where the sensor's settings and its state begin [-].
    """
    state[sat + R_STATUS] = STATUS_WAITING
    if settings[at + S_KIND] == SENSOR_ABSENT:
        state[sat + R_STATUS] = STATUS_ABSENT
    state[sat + R_GOOD_C100] = NO_SENSOR
    state[sat + R_AGE] = 0
    state[sat + R_BAD_TICKS] = 0
    state[sat + R_GOOD_TICKS] = 0
    state[sat + R_FAULTS] = 0
    state[sat + R_SINCE_FAULT] = 0
    state[sat + R_CAUSE] = CAUSE_NONE


@kernel
def _note_bad(settings: Words, at: int, state: Words, sat: int) -> None:
    """Count a bad code; begin a fault when it has lasted, latch when faults recur."""
    state[sat + R_BAD_TICKS] = add_sat(state[sat + R_BAD_TICKS], 1)
    state[sat + R_GOOD_TICKS] = 0
    if state[sat + R_STATUS] != STATUS_OK and state[sat + R_STATUS] != STATUS_WAITING:
        return
    if state[sat + R_BAD_TICKS] < settings[at + S_FAULT_TICKS]:
        return
    if state[sat + R_SINCE_FAULT] > settings[at + S_LATCH_TICKS]:
        state[sat + R_FAULTS] = 0
    state[sat + R_FAULTS] = add_sat(state[sat + R_FAULTS], 1)
    state[sat + R_SINCE_FAULT] = 0
    state[sat + R_STATUS] = STATUS_FAULT
    if state[sat + R_FAULTS] >= settings[at + S_LATCH_COUNT]:
        state[sat + R_STATUS] = STATUS_LATCHED


@kernel
def _note_good(settings: Words, at: int, state: Words, sat: int, value_c100: int) -> None:
    """Take a believed reading; end a fault when enough of them came in a row."""
    state[sat + R_GOOD_C100] = value_c100
    state[sat + R_AGE] = 0
    state[sat + R_BAD_TICKS] = 0
    state[sat + R_GOOD_TICKS] = add_sat(state[sat + R_GOOD_TICKS], 1)
    if state[sat + R_STATUS] == STATUS_WAITING:
        state[sat + R_STATUS] = STATUS_OK
    elif (
        state[sat + R_STATUS] == STATUS_FAULT
        and state[sat + R_GOOD_TICKS] >= settings[at + S_RECOVER_TICKS]
    ):
        state[sat + R_STATUS] = STATUS_OK


@kernel
def read_sensor(settings: Words, at: int, state: Words, sat: int, code: int) -> int:
    """Take one tick's code and return the reading the protections may use.

    Parameters
    ----------
    settings, state : ndarray of int64, shape (n,)
        Words that hold the sensor's settings and state; the state is changed.
    at, sat : int
        Where the sensor's settings and its state begin [-].
    code : int
        Raw code of this tick [-].

    Returns
    -------
    int
        Last good reading [1/100 deg C]; NO_SENSOR when absent, waiting or in fault.
    """
    if settings[at + S_KIND] == SENSOR_ABSENT:
        return NO_SENSOR
    state[sat + R_AGE] = add_sat(state[sat + R_AGE], 1)
    state[sat + R_SINCE_FAULT] = add_sat(state[sat + R_SINCE_FAULT], 1)
    value = linearise(settings, at, code)
    cause = wrong_with(settings, at, state, sat, code, value)
    if cause == CAUSE_NONE:
        _note_good(settings, at, state, sat, value)
    else:
        state[sat + R_CAUSE] = cause
        _note_bad(settings, at, state, sat)
    if state[sat + R_STATUS] == STATUS_OK:
        return state[sat + R_GOOD_C100]
    return NO_SENSOR
