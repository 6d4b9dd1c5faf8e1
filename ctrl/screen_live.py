"""The live look: a run as it goes, at a chosen speed, in any terminal."""

import os
import select
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from types import TracebackType
from typing import Any

from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from ctrl.config import Config
from ctrl.findings import DAY_S
from ctrl.loop import STATE_WORDS
from ctrl.protection import OUTSIDE_REASONS, REASONS
from ctrl.record import COLUMNS, Record
from ctrl.screen import fixed

FRAME_S = 0.1  # between two pictures
LINE_S = 1.0  # between two lines where there can be no picture
BAR = 10
FRAMED = 50  # columns below which a frame costs too much
ROWS_S = (1.0, 2.0, 5.0, 10.0, 20.0)


def row_s_at(speed: float) -> float:
    """Return the spacing of a live run's rows [s]: one frame holds at least one."""
    return max(row for row in ROWS_S if row <= max(speed * FRAME_S, ROWS_S[0]))


def piece_s_at(speed: float, step_s: float) -> float:
    """Return what is simulated between two looks `step_s` apart [s], in whole rows."""
    row_s = row_s_at(speed)
    return max(round(speed * step_s / row_s), 1) * row_s


@dataclass(frozen=True)
class Look:
    """What is shown: the last row of a run, and where it stands."""

    config: Config
    row: dict[str, float]
    whole_s: float
    speed: float

    @classmethod
    def of(cls, config: Config, record: Record, whole_s: float, speed: float) -> "Look":
        """Return the look at the end of a piece."""
        row = dict(zip(COLUMNS, record.table[-1].tolist(), strict=True))
        return cls(config, row, whole_s, speed)

    @property
    def clock(self) -> str:
        """Day and hour of the run."""
        day, rest = divmod(self.row["time_s"], DAY_S)
        hours, seconds = divmod(rest, 3600.0)
        minutes = seconds // 60.0
        return f"day {day + 1:.0f} {hours:02.0f}:{minutes:02.0f}"

    @property
    def state(self) -> str:
        """State of the firmware in words."""
        return STATE_WORDS[int(self.row["state"])]

    @property
    def reason(self) -> str:
        """Why the output is what it is, in words."""
        return (REASONS | OUTSIDE_REASONS)[int(self.row["reason"])]


def _bar(duty: float) -> str:
    filled = round(min(abs(duty), 1.0) * BAR)
    return "#" * filled + "-" * (BAR - filled)


def _fans(row: dict[str, float]) -> str:
    names = [name for name, key in (("hot", "hot_fan"), ("inside", "cold_fan")) if row[key] > 0.0]
    return " and ".join(names) or "off"


def picture(look: Look, width: int, hint: str) -> RenderableType:
    """Return the panel for a terminal of `width` columns.

    Parameters
    ----------
    look : Look
    width : int
        Columns of the terminal [-].
    hint : str
        Which keys do what.
    """
    row, grid = look.row, Table.grid(padding=(0, 1, 0, 0))
    grid.add_column(no_wrap=True)
    grid.add_column()

    def celsius(key: str) -> str:
        return f"{fixed(row[key]):>6} °C"

    door = ", door open" if row["door"] > 0.0 else ""
    for name, words in (
        ("room", celsius("ambient_c")),
        ("air", celsius("air_c") + door),
        ("contents", f"{celsius('contents_c')}, target {look.config.use.target_c:g}"),
        ("reading", celsius("reading_c")),
        ("cold sink", celsius("cold_sink_c")),
        ("hot sink", celsius("hot_sink_c")),
        ("duty", f"{fixed(100.0 * row['duty'], 0):>6} %  {_bar(row['duty'])}"),
        ("plug", f"{fixed(row['plug_w']):>6} W"),
        ("ice", f"{fixed(row['frost_g']):>6} g, {fixed(row['blockage_pct'], 0)} % of the gaps"),
        ("fans", _fans(row)),
        ("state", look.state),
        ("reason", look.reason),
    ):
        grid.add_row(name, words)
    days = look.whole_s / DAY_S
    title = f"{look.config.cabinet.name}, {look.clock} of {days:.3g} days, x{look.speed:g}"
    body = Group(grid, Text(hint, style="dim")) if hint else Group(grid)
    if width < FRAMED:
        return Group(Text(title, style="bold"), body)
    return Panel(body, title=Text(title), title_align="left", width=min(width, 72))


def line_of(look: Look) -> str:
    """Return one line for a terminal that cannot be written over, or a file."""
    row = look.row
    return (
        f"{look.clock}  air {fixed(row['air_c'])}  contents {fixed(row['contents_c'])}  "
        f"hot sink {fixed(row['hot_sink_c'])} °C  duty {fixed(100.0 * row['duty'], 0)} %  "
        f"ice {fixed(row['frost_g'])} g  {look.state}: {look.reason}"
    )


class Keys:
    """Keys as they are pressed, without a return; use it as a context.

    The terminal gets its former mode back whatever happens.
    """

    def __init__(self) -> None:
        self._fd: int | None = None
        self._mode: list[Any] | None = None

    def __enter__(self) -> "Keys":
        try:
            import termios
            import tty

            fd = sys.stdin.fileno()
            if os.isatty(fd) and os.getpgrp() == os.tcgetpgrp(fd):
                self._mode = termios.tcgetattr(fd)
                tty.setcbreak(fd)
                self._fd = fd
        except (ImportError, OSError, ValueError):  # no such terminal, or none at all
            self._fd = None
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._fd is not None and self._mode is not None:
            import termios

            termios.tcsetattr(self._fd, termios.TCSADRAIN, self._mode)

    @property
    def heard(self) -> bool:
        """Whether keys can be heard at all."""
        return self._fd is not None

    def wait(self, seconds: float) -> str:
        """Return the key pressed within `seconds` [s], or nothing."""
        if self._fd is None:
            time.sleep(max(seconds, 0.0))
            return ""
        ready, _, _ = select.select([self._fd], [], [], max(seconds, 0.0))
        if not ready:
            return ""
        key = os.read(self._fd, 1).decode("ascii", "replace")
        return key or "q"  # the terminal has gone


class LiveLook:
    """Shows a run while it goes; use it as a context, call it with each piece.

    Parameters
    ----------
    out : Console
    config : Config
    whole_s : float
        Length of the whole run [s].
    speed : float
        Simulated seconds in one second of the clock [-].
    clock : callable
        The time [s].
    """

    def __init__(
        self,
        out: Console,
        config: Config,
        whole_s: float,
        speed: float,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._out, self._config, self._whole_s, self._speed = out, config, whole_s, speed
        self._clock = clock
        self._pictures = out.is_terminal and not out.is_dumb_terminal
        self._step_s = FRAME_S if self._pictures else LINE_S
        self._keys = Keys()
        self._live: Live | None = None
        self._began = 0.0
        self.quit = False

    @property
    def piece_s(self) -> float:
        """What to simulate between two calls [s]."""
        return piece_s_at(self._speed, self._step_s)

    def __enter__(self) -> "LiveLook":
        self._keys.__enter__()
        if self._pictures:
            self._live = Live(
                console=self._out, auto_refresh=False, vertical_overflow="crop",
                redirect_stdout=False, redirect_stderr=False,
            )  # fmt: skip
            self._live.start()
        self._began = self._clock()
        return self

    def __exit__(self, *exc: Any) -> None:
        try:
            if self._live is not None:
                self._live.stop()
        finally:
            self._keys.__exit__(*exc)

    def __call__(self, record: Record) -> bool:
        """Show the end of a piece, wait until it is due; False when the run should end."""
        look = Look.of(self._config, record, self._whole_s, self._speed)
        if self._live is None:
            self._out.print(line_of(look), soft_wrap=True)
            self._out.file.flush()
        else:
            hint = "q quits, space pauses" if self._keys.heard else "Ctrl-C quits"
            self._live.update(picture(look, self._out.width, hint), refresh=True)
        if look.row["time_s"] >= self._whole_s - 1.0:
            return True
        self._wait(look.row["time_s"])
        return not self.quit

    def _wait(self, time_s: float) -> None:
        """Wait until this time of the run is due on the clock, and hear keys meanwhile."""
        while True:
            left_s = self._began + time_s / self._speed - self._clock()
            key = self._keys.wait(left_s)
            if key in ("q", "Q", "\x03"):
                self.quit = True
                return
            if key == " ":
                self._pause()
                if self.quit:
                    return
            elif not key:
                return

    def _pause(self) -> None:
        stood = self._clock()
        while (key := self._keys.wait(FRAME_S)) != " ":
            if key in ("q", "Q", "\x03"):
                self.quit = True
                return
        self._began += self._clock() - stood
