"""A controller from outside in the loop: a maker's own C, a board, an emulator.

It is the whole firmware: its command goes to the drive as it is.  Only with `protected` do
our protections stand behind it, as behind a law of our own.  Whatever it does wrong becomes
a `Stop` in one line; from then on the module and the fans are off.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from ctrl.controllers import firmware_tick_python
from ctrl.defrost import M_REVERSE
from ctrl.fixed_point import NO_SENSOR, Words
from ctrl.link import (
    ALARM,
    COLD_FAN,
    FULL_PERMILLE,
    HOT_FAN,
    MOST_PULSES,
    NO_TACH,
    WARNING,
    Command,
    Host,
    LinkError,
)
from ctrl.protection import (
    CODE_COLD,
    CODE_COLD_FAN_PULSES,
    CODE_CONTROL,
    CODE_HOT,
    CODE_HOT_FAN_PULSES,
    CODE_SUPPLY_MV,
    G_COLD_SENSOR,
    G_CONTROL_SENSOR,
    G_HOT_SENSOR,
    G_TICK_MS,
    P_AIR_C100,
    P_ALARM,
    P_COLD_C100,
    P_COLD_FAN,
    P_DEFROST,
    P_DEMAND,
    P_FINAL,
    P_FORCED,
    P_FROZEN,
    P_HOT_C100,
    P_HOT_FAN,
    P_OUTPUT,
    P_REASON,
    P_WARNING,
    R_AS_ASKED,
)
from ctrl.protection_settings import (
    CODE_AMBIENT,
    G_COLD_FAN_START,
    G_HOT_FAN_START,
    R_OWN_ALARM,
    R_STOPPED,
)
from ctrl.readings import S_KIND, SENSOR_ABSENT, linearise

NO_AMBIENT = np.zeros(1, dtype=np.int64)  # settings of a sensor that is not fitted
STOPPED = Command(0, 0)


@dataclass(frozen=True)
class Stop:
    """Why a controller from outside is no longer asked.

    Parameters
    ----------
    tick : int
        Ticks since the start of the run [-].
    at_s : float
        The same as a time [s].
    words : str
        What it did, to follow "your firmware stopped at ...: ".
    """

    tick: int
    at_s: float
    words: str

    @property
    def told(self) -> str:
        """When and why, in words: "stopped at 3 s: ..."."""
        return f"stopped at {time_words(self.at_s)}: {self.words}"


def time_words(seconds: float) -> str:
    """Return a time in s, min or h, whatever reads best."""
    if seconds < 120.0:
        return f"{seconds:g} s"
    return f"{seconds / 60.0:.1f} min" if seconds < 7200.0 else f"{seconds / 3600.0:.1f} h"


class LinkedController:
    """Asks a controller over the link once a tick, and never lets its faults through.

    Parameters
    ----------
    start : callable
        Returns the link to a controller that has just been powered up, after its HELLO.
        Called again after each power loss.  May raise LinkError, OSError, EOFError.
    switch_only : bool
        True where the drive knows only 0 and 1000.
    reversible : bool
        False where the drive has no bridge: a command the other way is then a fault.
    ambient : ndarray of int64, optional
        Words of the room's sensor.
    protected : bool
        True puts our protections behind it; its fans are then ours.
    clean_line : bool
        True where no byte can be lost on the way: anything but frames is then a fault.
    why : callable
        Told an end of the line, returns what happened in words.
    """

    def __init__(
        self,
        start: Callable[[int], Host],
        *,
        switch_only: bool,
        reversible: bool = True,
        ambient: Words | None = None,
        protected: bool = False,
        clean_line: bool = True,
        why: Callable[[], str] = lambda: "the line was closed",
    ) -> None:
        self._start = start
        self._switch_only, self._reversible = switch_only, reversible
        self._ambient = NO_AMBIENT if ambient is None else ambient
        self._protected = protected
        self._clean_line = clean_line
        self._why = why
        self._host: Host | None = None
        self._ticks = 0
        self._last_tick: int | None = None
        self.command = STOPPED
        self.stop: Stop | None = None

    def power_lost(self) -> None:
        """Forget the controller's state: it is powered up anew at the next tick."""
        self._host = None

    def tick(self, settings: Words, state: Words, tick: int, codes: Words) -> None:
        """Run one tick, and write the command into `state` as the firmware would.

        Parameters
        ----------
        settings, state : ndarray of int64
            Words and state of the protections; the state is changed.
        tick : int
            Number of the tick [-].
        codes : ndarray of int64, shape (CODE_WORDS,)
            Raw codes of the tick.
        """
        temps = (
            _c100(settings, G_CONTROL_SENSOR, codes[CODE_CONTROL]),
            _c100(settings, G_HOT_SENSOR, codes[CODE_HOT]),
            _c100(settings, G_COLD_SENSOR, codes[CODE_COLD]),
            _c100(self._ambient, 0, codes[CODE_AMBIENT]),
        )
        # A late tick knows how late it is; one that comes first counts as on time.
        passed = 1 if self._last_tick is None else max(tick - self._last_tick, 1)
        self._last_tick = tick
        if self.stop is None:
            tach = (
                _pulses(settings, G_HOT_FAN_START, codes[CODE_HOT_FAN_PULSES]),
                _pulses(settings, G_COLD_FAN_START, codes[CODE_COLD_FAN_PULSES]),
            )
            self._ask(int(settings[G_TICK_MS]), passed, temps, codes, tach)
        self._ticks += 1
        if self._protected and self.stop is None:
            firmware_tick_python(self, settings, state, tick, codes)
            return
        self._write(state, temps)

    def step(self, reading_c100: int, tick: int) -> int:
        """Return the duty asked for this tick, where our protections call for it [1/1000]."""
        return self.command.duty_permille

    def _ask(
        self, tick_ms: int, passed: int, temps: tuple[int, int, int, int], codes: Words,
        tach: tuple[int, int],
    ) -> None:  # fmt: skip
        try:
            if self._host is None:
                self._host, passed = self._start(tick_ms), 1
            host = self._host
            raw = codes.tolist()
            self.command = host.tick(
                min(passed * tick_ms, 65535),
                (raw[CODE_CONTROL], raw[CODE_HOT], raw[CODE_COLD], raw[CODE_AMBIENT]),
                temps,
                max(raw[CODE_SUPPLY_MV], 0),
                tach,
            )
            fault = self.command.fault() or self._switch_fault()
            if fault is not None:
                fault = f"command out of range: {fault}"
            elif self._clean_line and host.dropped:
                fault = f"{host.dropped} bytes on the link that are no frame of it"
        except LinkError as error:
            fault = str(error)
        except (OSError, EOFError):
            fault = self._why()
        if fault is not None:
            self.command = STOPPED
            self.stop = Stop(self._ticks, self._ticks * tick_ms / 1000.0, fault)

    def _switch_fault(self) -> str | None:
        if self.command.reverse_permille and not self._reversible:
            return (
                f"reverse {self.command.reverse_permille} on a drive without a bridge "
                "(drive.reversible is not set)"
            )
        if not self._switch_only or self._protected:
            return None
        for value in (self.command.duty_permille, self.command.reverse_permille):
            if value not in (0, FULL_PERMILLE):
                return f"duty {value} on a switch, which knows only 0 and {FULL_PERMILLE}"
        return None

    def _write(self, state: Words, temps: tuple[int, int, int, int]) -> None:
        command = self.command
        going = self.stop is None
        state[P_AIR_C100], state[P_HOT_C100], state[P_COLD_C100] = temps[:3]
        off = command.duty_permille == 0 and command.reverse_permille == 0
        reason = R_OWN_ALARM if off and command.bits & ALARM else R_AS_ASKED
        state[P_REASON] = state[P_FORCED] = reason if going else R_STOPPED
        state[P_DEMAND] = state[P_FINAL] = state[P_OUTPUT] = command.duty_permille
        state[P_DEFROST + M_REVERSE] = command.reverse_permille
        state[P_HOT_FAN] = 1 if command.bits & HOT_FAN else 0
        state[P_COLD_FAN] = 1 if command.bits & COLD_FAN else 0
        state[P_ALARM] = 1 if command.bits & ALARM else 0
        state[P_WARNING] = 1 if command.bits & WARNING else 0
        state[P_FROZEN] = 0 if going else 1


def _c100(settings: Words, at: int, code: int) -> int:
    """Return a code as a temperature [1/100 °C], NO_SENSOR where there is no sensor."""
    if settings[at + S_KIND] == SENSOR_ABSENT or code == NO_SENSOR:
        return NO_SENSOR
    return int(linearise(settings, at, code))


def _pulses(settings: Words, start_at: int, pulses: int) -> int:
    """Return a tachometer's pulses for the link, NO_TACH where none is wired."""
    return NO_TACH if settings[start_at] == 0 else min(max(int(pulses), 0), MOST_PULSES)
