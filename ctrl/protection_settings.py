"""Settings of the protections in firmware units, and the order of all their words.

The words of settings and state are rows of whole numbers, the same in Python and in
C99.  Their order is here, once: G_ for settings, P_ for state, R_ for the reasons.
"""

from dataclasses import dataclass, field, fields
from typing import Any

import numpy as np

from ctrl.defrost import (
    DEFROST_SETTING_WORDS,
    DEFROST_STATE_WORDS,
    DefrostSettings,
)
from ctrl.firmware_units import (
    ABSOLUTE_ZERO_C100,
    FULL_PERMILLE,
    check_tick,
    check_word,
    finite,
    nearest,
    to_c100,
    to_period_ticks,
    to_permille,
    to_ticks,
)
from ctrl.fixed_point import (
    INT16_MAX,
    INT32_MAX,
    Words,
)
from ctrl.readings import (
    SENSOR_ABSENT,
    SENSOR_SETTING_WORDS,
    SENSOR_STATE_WORDS,
    SensorSettings,
)
from ctrl.slow_window import (
    WINDOW_OUTPUT,
    WINDOW_SETTING_WORDS,
    WINDOW_STATE_WORDS,
    SlowWindowSettings,
)
from ctrl.tachometer import TACHOMETER_STATE_WORDS

FOLD_BACK_FLOOR_PERMILLE = 300
"""What fold-back leaves at its full point; common practice, no source."""

# Codes of one tick.
CODE_CONTROL = 0
CODE_HOT = 1
CODE_COLD = 2
CODE_SUPPLY_MV = 3
CODE_AMBIENT = 4  # of the room; only a controller with feed-forward listens
CODE_HOT_FAN_PULSES = 5  # of the tachometers since the tick before
CODE_COLD_FAN_PULSES = 6
CODE_WORDS = 7

# Settings.
G_TICK_MS = 0
G_PERIOD_TICKS = 1
G_DUTY_LIMIT = 2
G_SLEW = 3
G_MIN_ON = 4
G_MIN_OFF = 5
G_SWITCH_ONLY = 6
G_FOLD_START = 7
G_FOLD_FULL = 8
G_TRIP = 9
G_HOT_FAN_RUN_ON = 10
G_COLD_FAN_WITH_MODULE = 11
G_CUT_OFF_MV = 12
G_RESUME_MV = 13
G_BATTERY_TICKS = 14
G_HOT_FAN_START = 15
G_COLD_FAN_START = 16
G_FAN_TURN = 17
G_DEFROST = 18
G_CONTROL_SENSOR = G_DEFROST + DEFROST_SETTING_WORDS
G_HOT_SENSOR = G_CONTROL_SENSOR + SENSOR_SETTING_WORDS
G_COLD_SENSOR = G_HOT_SENSOR + SENSOR_SETTING_WORDS
G_WINDOW = G_COLD_SENSOR + SENSOR_SETTING_WORDS
GUARD_SETTING_WORDS = G_WINDOW + WINDOW_SETTING_WORDS

# State.
P_REASON = 0
P_FINAL = 1
P_DEMAND = 2
P_AIR_C100 = 3
P_HOT_C100 = 4
P_COLD_C100 = 5
P_HOT_FAN = 6
P_COLD_FAN = 7
P_ALARM = 8
P_WARNING = 9
P_TRIPPED = 10
P_FORCED = 11
P_FROZEN = 12
P_FOLDED = 13
P_LOW_BATTERY = 14
P_BATTERY_TICKS = 15
P_ON_TICKS = 16
P_OFF_TICKS = 17
P_PERIOD_COUNT = 18
P_SUM_PERMILLE = 19
P_SUM_TICKS = 20
P_DEFROST = 21
P_CONTROL_SENSOR = P_DEFROST + DEFROST_STATE_WORDS
P_HOT_SENSOR = P_CONTROL_SENSOR + SENSOR_STATE_WORDS
P_COLD_SENSOR = P_HOT_SENSOR + SENSOR_STATE_WORDS
P_WINDOW = P_COLD_SENSOR + SENSOR_STATE_WORDS
P_OUTPUT = P_WINDOW + WINDOW_OUTPUT
P_HOT_TACHOMETER = P_WINDOW + WINDOW_STATE_WORDS
P_COLD_TACHOMETER = P_HOT_TACHOMETER + TACHOMETER_STATE_WORDS
GUARD_STATE_WORDS = P_COLD_TACHOMETER + TACHOMETER_STATE_WORDS

# P_REASON: why the output is what it is.
R_AS_ASKED = 0
R_MIN_ON = 1
R_MIN_OFF = 2
R_SLEW = 3
R_DUTY_LIMIT = 4
R_FOLD_BACK = 5
R_DRIP = 6
R_MELT = 7
R_LOW_BATTERY = 8
R_FIRST_READING = 9
R_SENSOR_FAULT = 10
R_TRIP = 11
# 12 is of the C alone: settings damaged in the microcontroller's memory.
R_HOT_FAN = 13
R_STOPPED, R_OWN_ALARM = 20, 21  # only in a run with a controller from outside (`linked`)
REASONS = {
    R_AS_ASKED: "as the controller asks",
    R_MIN_ON: "held on for the minimum on-time",
    R_MIN_OFF: "held off for the minimum off-time",
    R_SLEW: "changing no faster than the slew limit",
    R_DUTY_LIMIT: "at the duty limit",
    R_FOLD_BACK: "folded back: hot sink is hot",
    R_DRIP: "defrost: dripping",
    R_MELT: "defrost: melting",
    R_LOW_BATTERY: "off: battery is low",
    R_FIRST_READING: "off: waiting for the first good reading",
    R_SENSOR_FAULT: "off: sensor fault",
    R_TRIP: "off: hot sink tripped, reset to clear",
    R_HOT_FAN: "off: hot fan stands still",
}
OUTSIDE_REASONS = {
    R_OWN_ALARM: "off: its own alarm",
    R_STOPPED: "off: the controller from outside stopped",
}


@dataclass(frozen=True)
class ProtectionSettings:
    """Every protection of the firmware, in firmware units.

    Attributes
    ----------
    control : SensorSettings
        The control sensor; it must be fitted.
    hot, cold : SensorSettings
        Hot-sink and cold-sink sensor, absent by default.
    defrost : DefrostSettings
        The defrost plan, none by default.
    tick_ms : int
        Base tick, 1 to 1000 [ms].
    period_ticks : int
        Control period, 1 to 60 000 [ticks].
    duty_limit_permille : int
        Largest duty, 1 to 1000 [1/1000].
    slew_permille_per_tick : int
        Largest change of duty, 1 to 1000; 1000 is no limit [1/1000 per tick].
    min_on_ticks, min_off_ticks : int
        Shortest on and off time, 0 or more [ticks].
    switch_only : int
        1 when the drive can only be on or off: fold-back is then off [-].
    fold_start_c100, fold_full_c100, trip_c100 : int
        Hot sink: fold-back begins, fold-back is full, trip [1/100 deg C].
    hot_fan_run_on_ticks : int
        Hot fan after the module went off [ticks].
    cold_fan_with_module : int
        1 when the cold fan runs only with the module (and while melting) [-].
    cut_off_mv, resume_mv : int
        Battery: off below, on again above; cut-off 0 is no such limit [mV].
    battery_ticks : int
        How long the supply must be below cut-off, at least 1 [ticks].
    hot_fan_start_ticks, cold_fan_start_ticks : int
        How long a fan with a tachometer may stand still, 0: none [ticks].
    fan_turn_ticks : int
        How long it must turn to be believed again, at least 1 [ticks].
    window : SlowWindowSettings
        Time-proportioning for an on-off switch, none by default.
    """

    control: SensorSettings
    hot: SensorSettings = field(default_factory=SensorSettings.absent)
    cold: SensorSettings = field(default_factory=SensorSettings.absent)
    defrost: DefrostSettings = field(default_factory=DefrostSettings)
    tick_ms: int = 1000
    period_ticks: int = 1
    duty_limit_permille: int = FULL_PERMILLE
    slew_permille_per_tick: int = FULL_PERMILLE
    min_on_ticks: int = 0
    min_off_ticks: int = 0
    switch_only: int = 0
    fold_start_c100: int = 5500
    fold_full_c100: int = 6500
    trip_c100: int = 7000
    hot_fan_run_on_ticks: int = 180
    cold_fan_with_module: int = 0
    cut_off_mv: int = 0
    resume_mv: int = 0
    battery_ticks: int = 10
    hot_fan_start_ticks: int = 0
    cold_fan_start_ticks: int = 0
    fan_turn_ticks: int = 5
    window: SlowWindowSettings = field(default_factory=SlowWindowSettings)

    def __post_init__(self) -> None:
        who = "ProtectionSettings"
        longest = INT32_MAX - 1
        for name, low, high, unit in (
            ("tick_ms", 1, 1000, "ms"),
            ("period_ticks", 1, 60000, "ticks"),
            ("duty_limit_permille", 1, FULL_PERMILLE, "1/1000"),
            ("slew_permille_per_tick", 1, FULL_PERMILLE, "1/1000 per tick"),
            ("min_on_ticks", 0, longest, "ticks"),
            ("min_off_ticks", 0, longest, "ticks"),
            ("switch_only", 0, 1, "(no or yes)"),
            ("fold_start_c100", ABSOLUTE_ZERO_C100, INT16_MAX, "1/100 deg C"),
            ("fold_full_c100", self.fold_start_c100 + 1, INT16_MAX, "1/100 deg C"),
            ("trip_c100", self.fold_full_c100 + 1, INT16_MAX, "1/100 deg C"),
            ("hot_fan_run_on_ticks", 0, longest, "ticks"),
            ("cold_fan_with_module", 0, 1, "(no or yes)"),
            ("cut_off_mv", 0, 100000, "mV"),
            ("resume_mv", self.cut_off_mv, 100000, "mV"),
            ("battery_ticks", 1, longest, "ticks"),
            ("hot_fan_start_ticks", 0, longest, "ticks"),
            ("cold_fan_start_ticks", 0, longest, "ticks"),
            ("fan_turn_ticks", 1, longest, "ticks"),
        ):
            check_word(who, name, getattr(self, name), low, high, unit)
        if self.control.kind == SENSOR_ABSENT:
            raise ValueError(f"{who}.control: expected a fitted sensor; nothing can be held blind")

    @classmethod
    def from_physical(
        cls,
        *,
        control: SensorSettings,
        tick_s: float,
        period_s: float,
        hot: SensorSettings | None = None,
        cold: SensorSettings | None = None,
        defrost: DefrostSettings | None = None,
        duty_limit: float = 1.0,
        slew_pct_per_s: float | None = None,
        min_on_s: float = 0.0,
        min_off_s: float = 0.0,
        switch_only: bool = False,
        fold_back_start_c: float = 55.0,
        fold_back_full_c: float = 65.0,
        trip_c: float = 70.0,
        hot_fan_run_on_s: float = 180.0,
        cold_fan_with_module: bool = False,
        cut_off_v: float | None = None,
        resume_v: float | None = None,
        battery_s: float = 10.0,
        hot_tachometer: bool = False,
        cold_tachometer: bool = False,
        fan_start_s: float = 5.0,
        window: SlowWindowSettings | None = None,
    ) -> "ProtectionSettings":
        """Return the settings from a maker's units.

        Parameters
        ----------
        control, hot, cold : SensorSettings or None
            The sensors; None is not fitted.
        tick_s, period_s : float
            Base tick, at most 1, and control period, 0.1 to 60 [s].
        defrost : DefrostSettings or None
            The defrost plan; None is no defrost.
        duty_limit : float
            Largest duty, above 0 to 1 [-].
        slew_pct_per_s : float or None
            Largest change of duty [% per s]; None is no limit.
        min_on_s, min_off_s : float
            Shortest on and off time [s].
        switch_only : bool
            True when the drive can only be on or off.
        fold_back_start_c, fold_back_full_c, trip_c : float
            Hot-sink temperatures, rising in this order [deg C].
        hot_fan_run_on_s : float
            Hot fan after the module went off [s].
        cold_fan_with_module : bool
            True when the cold fan runs only with the module.
        cut_off_v, resume_v : float or None
            Battery limits [V]; cut_off_v None is no such limit.
        battery_s : float
            How long the supply must be below cut-off [s].
        hot_tachometer, cold_tachometer : bool
            Whether a fan has one.
        fan_start_s : float
            How long such a fan may stand still [s].
        window : SlowWindowSettings or None
            Time-proportioning; None passes the duty through.

        Returns
        -------
        ProtectionSettings
            The settings in firmware units.

        Raises
        ------
        ValueError
            With one line, for a value out of range or one that cannot be represented.
        """
        if cut_off_v is not None and resume_v is None:
            raise ValueError("resume_v is missing: expected a voltage above cut_off_v, in V")
        return cls(
            control=control,
            hot=hot or SensorSettings.absent(),
            cold=cold or SensorSettings.absent(),
            defrost=defrost or DefrostSettings(),
            tick_ms=round(check_tick(tick_s) * 1000.0),
            period_ticks=to_period_ticks(period_s, tick_s),
            duty_limit_permille=to_permille("duty_limit", duty_limit),
            slew_permille_per_tick=_slew_word(slew_pct_per_s, tick_s),
            min_on_ticks=to_ticks("min_on_s", min_on_s, tick_s),
            min_off_ticks=to_ticks("min_off_s", min_off_s, tick_s),
            switch_only=int(switch_only),
            fold_start_c100=to_c100("fold_back_start_c", fold_back_start_c),
            fold_full_c100=to_c100("fold_back_full_c", fold_back_full_c),
            trip_c100=to_c100("trip_c", trip_c),
            hot_fan_run_on_ticks=to_ticks("hot_fan_run_on_s", hot_fan_run_on_s, tick_s),
            cold_fan_with_module=int(cold_fan_with_module),
            cut_off_mv=_millivolts("cut_off_v", cut_off_v),
            resume_mv=_millivolts("resume_v", resume_v),
            battery_ticks=to_ticks("battery_s", battery_s, tick_s),
            hot_fan_start_ticks=int(hot_tachometer) * to_ticks("fan_start_s", fan_start_s, tick_s),
            cold_fan_start_ticks=int(cold_tachometer)
            * to_ticks("fan_start_s", fan_start_s, tick_s),
            fan_turn_ticks=to_ticks("fan_start_s", fan_start_s, tick_s),
            window=window or SlowWindowSettings(),
        )

    def to_words(self) -> Words:
        """Return the words in the order of the G_ indices.

        Returns
        -------
        ndarray of int64, shape (GUARD_SETTING_WORDS,)
            Own settings, defrost plan, control, hot-sink and cold-sink sensor, slow window.
        """
        own: list[Any] = [
            getattr(self, item.name)
            for item in fields(self)
            if item.name not in ("control", "hot", "cold", "defrost", "window")
        ]
        return np.concatenate(
            [
                np.array(own, dtype=np.int64),
                self.defrost.to_words(),
                self.control.to_words(),
                self.hot.to_words(),
                self.cold.to_words(),
                self.window.to_words(),
            ]
        )


def _millivolts(name: str, value_v: float | None) -> int:
    """Return a voltage in mV, 0 for none."""
    return 0 if value_v is None else nearest(finite(name, value_v, "V") * 1000.0)


def _slew_word(slew_pct_per_s: float | None, tick_s: float) -> int:
    """Return the slew limit per tick, refusing one too slow for the tick."""
    if slew_pct_per_s is None:
        return FULL_PERMILLE
    exact = finite("slew_pct_per_s", slew_pct_per_s, "% per s") * 10.0 * tick_s
    if exact < 0.995:
        least = 0.1 / tick_s
        raise ValueError(
            f"slew_pct_per_s = {slew_pct_per_s}: expected at least {least:g} % per s "
            f"at a {tick_s} s tick (1/1000 a tick)"
        )
    return min(nearest(exact), FULL_PERMILLE)
