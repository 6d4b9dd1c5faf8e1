"""The live look in a real, a narrow and a dumb terminal, by a pseudo-terminal."""

import fcntl
import io
import os
import re
import select
import struct
import subprocess
import sys
import termios
import time
from pathlib import Path

import numpy as np
import pytest
from rich.console import Console

from ctrl import screen_live
from ctrl.config import load_config
from ctrl.record import COLUMNS
from ctrl.screen_live import LiveLook, Look, line_of, picture

ROOT = Path(__file__).resolve().parent.parent
HIDE, SHOW = "\x1b[?25l", "\x1b[?25h"
ESCAPES = re.compile(r"\x1b\[[0-9;?]*[a-zA-Z]")


@pytest.fixture(scope="module")
def look():
    row = dict.fromkeys(COLUMNS, 0.0)
    row |= {"time_s": 93000.0, "ambient_c": 25.0, "air_c": 7.2, "contents_c": 8.1, "duty": 0.853,
            "cold_sink_c": -2.26, "hot_sink_c": 34.0, "frost_g": 0.7, "state": 1.0, "reason": 2.0,
            "reading_c": 7.3, "plug_w": 55.2, "door": 1.0, "hot_fan": 1.0}  # fmt: skip
    return Look(load_config("galley_larder"), row, 3 * 86400.0, 3600.0)


@pytest.mark.parametrize("width", [30, 40, 80, 200])
def test_everything_is_there_at_any_width(look, width):
    console = Console(width=width, file=io.StringIO())
    console.print(picture(look, width, "q quits"))
    lines = console.file.getvalue().splitlines()
    text = " ".join(" ".join(lines).replace("│", " ").split())
    assert max(map(len, lines)) <= width
    for words in (
        "day 2 01:50", "room 25.0 °C", "air 7.2 °C, door open", "contents 8.1 °C, target 8",
        "cold sink -2.3 °C", "hot sink 34.0 °C", "duty 85 % #########-", "ice 0.7 g",
        "state cooling", "reason held off for the minimum off-time", "fans hot", "q quits",
    ):  # fmt: skip
        assert words in text


def test_a_line_says_it_without_any_picture(look):
    assert line_of(look) == (
        "day 2 01:50  air 7.2  contents 8.1  hot sink 34.0 °C  duty 85 %  ice 0.7 g  "
        "cooling: held off for the minimum off-time"
    )


@pytest.mark.parametrize("speed", [0.1, 1.0, 60.0, 200.0, 3600.0, 1e6])
@pytest.mark.parametrize("step_s", [screen_live.FRAME_S, screen_live.LINE_S])
def test_a_look_is_whole_rows_and_near_the_asked_speed(speed, step_s):
    row_s = screen_live.row_s_at(speed)
    piece_s = screen_live.piece_s_at(speed, step_s)
    assert row_s in (1, 2, 5, 10, 20) and piece_s % row_s == 0
    assert piece_s == pytest.approx(speed * step_s, abs=max(row_s / 2, 1.0))


def test_a_run_keeps_the_pace_of_the_clock(monkeypatch):
    now, out = [50.0], Console(file=io.StringIO(), width=200)
    live = LiveLook(out, load_config("benchmark"), 86400.0, 100.0, clock=lambda: now[0])

    def wait(seconds: float) -> str:
        now[0] += max(seconds, 0.0)
        return ""

    monkeypatch.setattr(live._keys, "wait", wait)

    class Piece:
        def __init__(self, time_s):
            self.table = np.zeros((1, len(COLUMNS)))
            self.table[0, 0] = time_s

    with live:
        for n in range(1, 6):
            now[0] += 0.3  # what the run itself takes
            assert live(Piece(100.0 * n))
            assert now[0] == pytest.approx(50.0 + n)
    assert len(out.file.getvalue().splitlines()) == 5


class Terminal:
    """`coldloop simulate benchmark --live` on a terminal of its own."""

    def __init__(self, *words: str, term: str = "xterm", columns: int = 80) -> None:
        self.fd, child = os.openpty()
        fcntl.ioctl(child, termios.TIOCSWINSZ, struct.pack("HHHH", 30, columns, 0, 0))
        self.child = child
        self.mode = termios.tcgetattr(child)
        environment = {
            k: v for k, v in os.environ.items() if k not in ("COLUMNS", "LINES", "NO_COLOR")
        }
        self.process = subprocess.Popen(
            [sys.executable, "-m", "ctrl", "simulate", "benchmark", "--live", *words], cwd=ROOT,
            env=environment | {"TERM": term, "PYTHONPATH": str(ROOT)},
            preexec_fn=lambda: os.login_tty(os.dup(child)),
        )  # fmt: skip
        self.text = ""

    def read_until(self, words: str, times: int = 1, within_s: float = 90.0) -> None:
        ends = time.monotonic() + within_s
        while self.text.count(words) < times:
            assert time.monotonic() < ends, self.text[-2000:]
            self._read(0.2)

    def _read(self, wait_s: float) -> bool:
        ready, _, _ = select.select([self.fd], [], [], wait_s)
        if ready:
            self.text += os.read(self.fd, 65536).decode("utf-8", "replace")
        return bool(ready)

    def press(self, keys: bytes) -> None:
        os.write(self.fd, keys)

    def end(self) -> int:
        """Return the exit status, everything written having been read."""
        ends = time.monotonic() + 60.0
        while self.process.poll() is None:
            assert time.monotonic() < ends, self.text[-2000:]
            self._read(0.1)
        while self._read(0.1):
            pass
        assert termios.tcgetattr(self.child)[3] == self.mode[3]  # echo and lines as before
        os.close(self.fd)
        os.close(self.child)
        return self.process.returncode


def test_q_ends_a_narrow_picture_and_the_findings_follow():
    terminal = Terminal("--speed", "3600", columns=40)
    terminal.read_until("q quits", times=3)
    terminal.press(b" ")
    terminal.press(b" ")
    terminal.press(b"q")
    assert terminal.end() == 0
    text = terminal.text
    assert text.count(HIDE) >= 1 and text.rindex(SHOW) > text.rindex(HIDE)
    assert "contents" in text and "hot sink" in text and "cooling" in text
    assert "What the firmware did" in text
    assert all(len(line) <= 40 for line in re.split(r"[\r\n]+", ESCAPES.sub("", text)))


def test_ctrl_c_gives_the_terminal_back():
    terminal = Terminal("--speed", "600")
    terminal.read_until("q quits", times=2)
    terminal.press(b"\x03")
    assert terminal.end() == 130
    assert terminal.text.rindex(SHOW) > terminal.text.rindex(HIDE)
    assert "stopped" in terminal.text and "Traceback" not in terminal.text


def test_a_dumb_terminal_gets_lines():
    terminal = Terminal("--speed", "40000", "--days", "1", term="dumb")
    terminal.read_until("day 2 00:00")
    assert terminal.end() == 0
    assert "\x1b" not in terminal.text
    assert "day 1 11:06  air" in terminal.text
