"""A real board in the loop, over a serial line: coldloop plays the cabinet, the board controls."""

import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from ctrl.build import plant_of
from ctrl.config import Config
from ctrl.config_errors import ConfigError, Problem
from ctrl.firmware import ambient_sensor_of, firmware_of, settings_of
from ctrl.fixed_point import Words
from ctrl.link import Host, Stream
from ctrl.linked import LinkedController, Stop
from ctrl.maker import SWITCHES
from ctrl.outside_loop import OutsideLoop
from ctrl.record import Record
from ctrl.trial import warm_state
from ctrl.weather_log import weather_rows_of

ANSWER_S = 0.5
TRIES = 4
START_TRIES = 20  # a board that resets when its port is opened takes seconds to start
EXTRA = "the extra: pip install 'coldloop[serial]'"


class SerialStream:
    """A serial port as a stream of bytes.

    Parameters
    ----------
    port : str
        Its name, such as /dev/ttyUSB0 or COM3.
    baud : int
        Speed of the line [Bd].

    Raises
    ------
    ConfigError
        When pyserial is not installed or the port cannot be opened.
    """

    def __init__(self, port: str, baud: int) -> None:
        try:
            import serial
        except ImportError:
            problem = Problem("command line", "pyserial is not installed", "--port", port, EXTRA)
            raise ConfigError([problem]) from None
        try:
            self._port: Any = serial.Serial(port, baud, timeout=0.0, write_timeout=2.0)
        except (OSError, ValueError) as error:  # pyserial's own error is an OSError
            what = f"cannot be opened ({_reason(error)})"
            expected = "a serial port that is there and free"
            raise ConfigError([Problem("command line", what, "--port", port, expected)]) from None

    def write(self, data: bytes) -> None:
        """Send all of `data`."""
        self._port.write(data)

    def read(self, timeout_s: float) -> bytes:
        """Return what has come within `timeout_s` [s]."""
        self._port.timeout = timeout_s
        first = self._port.read(1)
        return first + self._port.read(self._port.in_waiting) if first else b""

    def close(self) -> None:
        """Give the port back."""
        self._port.close()


def _reason(error: Exception) -> str:
    import os

    number = getattr(error, "errno", None)
    return os.strerror(number) if number else str(error).splitlines()[0]


class Paced:
    """A controller from outside that is asked at the pace of a clock.

    Parameters
    ----------
    inner : LinkedController
    period_s : float
        Time on the clock from one tick to the next [s].
    clock, sleep : callable
        Time [s], and waiting [s].
    """

    def __init__(
        self,
        inner: LinkedController,
        period_s: float,
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self._inner, self._period_s = inner, period_s
        self._clock, self._sleep = clock, sleep
        self._due: float | None = None
        self.late_s = 0.0  # how far it fell behind, largest

    def tick(self, settings: Words, state: Words, tick: int, codes: Words) -> None:
        """Wait until the tick is due, then run it."""
        now = self._clock()
        if self._due is None:
            self._due = now
        if self._inner.stop is not None:
            pass  # nobody is there to keep pace with
        elif now < self._due:
            self._sleep(self._due - now)
        else:
            self.late_s = max(self.late_s, now - self._due)
        self._inner.tick(settings, state, tick, codes)
        self._due += self._period_s

    def power_lost(self) -> None:
        """Start anew at the next tick."""
        self._inner.power_lost()


@dataclass(frozen=True)
class BoardRun:
    """What a run with a board came to.

    Parameters
    ----------
    hours : float
        Simulated time [h].
    ticks, repeats, dropped : int
        Ticks run, ticks asked for again, bytes that belonged to no frame [-].
    late_s : float
        How far the run fell behind the clock, at most [s].
    stop : Stop or None
        What ended it, if the board did.
    """

    hours: float
    ticks: int
    repeats: int
    dropped: int
    late_s: float
    stop: Stop | None


def run_board(
    config: Config,
    stream: Stream,
    *,
    hours: float | None,
    speed: float,
    every_s: float,
    seed: int,
    on_row: Callable[[Record, LinkedController], None],
    why: Callable[[], str] = lambda: "the port was closed",
) -> BoardRun:
    """Run the cabinet from room temperature with a board as its controller.

    Parameters
    ----------
    config : Config
    stream : Stream
        The line to the board.
    hours : float or None
        Simulated time [h]; None is until it is interrupted.
    speed : float
        Simulated seconds in one second of the clock [-].
    every_s : float
        Spacing of the rows [s].
    seed : int
        Of the sensor noise.
    on_row : callable
        Told each row's record and the controller.
    why : callable
        Told an error of the line, returns it in words.
    """
    hosts: list[Host] = []

    def start(tick_ms: int) -> Host:
        Host(stream, timeout_s=ANSWER_S, tries=START_TRIES).hello(tick_ms)
        hosts.append(Host(stream, timeout_s=ANSWER_S, tries=TRIES))
        return hosts[-1]

    linked = LinkedController(
        start, switch_only=config.drive.kind in SWITCHES,
        reversible=config.drive.reversible, ambient=ambient_sensor_of(config).to_words(),
        clean_line=False, why=why,
    )  # fmt: skip
    plant = plant_of(config)
    firmware = firmware_of(config, settings_of(config))
    paced = Paced(linked, firmware.tick_s / speed)
    loop = OutsideLoop(
        plant, firmware, warm_state(plant, config), seed=seed, outside=paced,
        weather_rows=weather_rows_of(config, plant),
    )  # fmt: skip
    whole_s = float("inf") if hours is None else hours * 3600.0
    while linked.stop is None and loop.time_s < whole_s - 0.5 * firmware.tick_s:
        piece_s = max(min(every_s, whole_s - loop.time_s), firmware.tick_s)
        on_row(loop.run(piece_s, piece_s), linked)
    return BoardRun(
        hours=loop.time_s / 3600.0,
        ticks=round(loop.time_s / firmware.tick_s),
        repeats=sum(host.repeats for host in hosts),
        dropped=sum(host.dropped for host in hosts),
        late_s=paced.late_s,
        stop=linked.stop,
    )
