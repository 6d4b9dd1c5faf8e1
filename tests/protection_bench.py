"""Protections on the bench: what the tests of the firmware share."""

import numpy as np

from ctrl.protection import (
    P_COLD_FAN,
    P_HOT_FAN,
    ProtectionSettings,
    guard,
    limit,
    new_guard_state,
)
from ctrl.readings import (
    SensorSettings,
)

DIGITAL = SensorSettings.digital(tick_s=1.0)
NTC = SensorSettings.thermistor(
    r25_ohm=10e3, beta_k=3950.0, divider_ohm=10e3, adc_bits=12, tick_s=1.0
)


def sixteenth(temp_c: float) -> int:
    """Return the code of a digital sensor at a temperature."""
    return round(16 * temp_c)


class Bench:
    """Protections on the bench: digital sensors, a demand by hand, a tick at a time."""

    def __init__(self, **change):
        change = {"hot": DIGITAL, "cold": DIGITAL, "control": DIGITAL, **change}
        self.words = ProtectionSettings(**change).to_words()
        self.state = new_guard_state(self.words)

    def tick(self, demand=500, air=8.0, hot=30.0, cold=2.0, mv=12000, times=1, code=None):
        """Run `times` ticks and return the last output [1/1000]."""
        first = sixteenth(air) if code is None else code
        codes = np.array([first, sixteenth(hot), sixteenth(cold), mv], dtype=np.int64)
        for _ in range(times):
            guard(self.words, self.state, codes)
            out = int(limit(self.words, self.state, demand))
        return out

    def ramp_hot(self, start: float, end: float, demand=1000) -> int:
        """Warm or cool the hot sink by 1 K a tick, slower than the jump limit."""
        step = 1 if end > start else -1
        for hot in range(int(start), int(end) + step, step):
            out = self.tick(demand, hot=float(hot))
        return out

    def __getitem__(self, index):
        return int(self.state[index])

    @property
    def fans(self):
        """Hot and cold fan."""
        return self[P_HOT_FAN], self[P_COLD_FAN]
