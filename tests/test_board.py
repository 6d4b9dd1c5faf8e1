"""A board on a serial line, played by a pseudo-terminal: Python and C behind it."""

import json
import os
import select
import signal
import subprocess
import sys
import threading
import tty
from pathlib import Path

import pytest

from ctrl import board, cli, link, maker

ROOT = Path(__file__).resolve().parent.parent
pytest.importorskip("serial")


class Peer(threading.Thread):
    """A board in Python on one end of a pseudo-terminal; `lose_each` bytes from it vanish."""

    def __init__(self, run, lose_each: int = 0) -> None:
        super().__init__(daemon=True)
        self.fd, other = os.openpty()
        tty.setraw(other)
        self.port, self._other = os.ttyname(other), other
        self.resets: list[int] = []
        self._board = link.Board(self.resets.append, run)
        self._lose_each, self._sent = lose_each, 0
        self._end = threading.Event()
        self.start()

    def run(self) -> None:
        while not self._end.is_set():
            ready, _, _ = select.select([self.fd], [], [], 0.05)
            if not ready:
                self._board.idle()
                continue
            answer = self._board.feed(os.read(self.fd, 4096))
            kept = bytearray()
            for byte in answer:
                self._sent += 1
                if not self._lose_each or self._sent % self._lose_each:
                    kept.append(byte)
            os.write(self.fd, bytes(kept))

    def close(self) -> None:
        """End the thread, then the terminal."""
        self._end.set()
        self.join(5.0)
        os.close(self.fd)
        os.close(self._other)


@pytest.fixture
def peer():
    """Return a maker of peers; all are closed at the end."""
    peers = []

    def make(run, **options):
        peers.append(Peer(run, **options))
        return peers[-1]

    yield make
    for each in peers:
        each.close()


def loop(capsys, *words: str) -> tuple[int, str, str]:
    """Run `coldloop loop benchmark`; return (status, standard output, error)."""
    status = cli.main(["loop", "benchmark", "--speed", "1000000", *words])
    shown = capsys.readouterr()
    return status, shown.out, shown.err


def thermostat(tick: link.Tick) -> link.Command:
    """Cool above 15 °C."""
    duty = 500 if tick.temps_c100[0] > 1500 else 0
    return link.Command(0, duty, 0, link.HOT_FAN | link.COLD_FAN, state=3, reason=9)


def test_a_board_in_python_controls_the_cabinet(capsys, peer):
    device = peer(thermostat)
    status, out, _ = loop(capsys, "--port", device.port, "--hours", "0.25", "--every", "300")
    assert status == 0
    assert device.resets == [1000]
    assert out.index("Caution") < out.index("day 1 00:05")
    assert "duty 50 %  board: state 3, reason 9" in out
    assert "900 ticks, 0 asked for again, 0 bytes that belonged to no frame" in " ".join(
        out.split()
    )


def test_a_line_that_loses_bytes_is_asked_again(capsys, peer, monkeypatch):
    monkeypatch.setattr(board, "ANSWER_S", 0.1)
    device = peer(thermostat, lose_each=301)
    status, out, _ = loop(capsys, "--port", device.port, "--hours", "0.05", "--json")
    found = json.loads(out)
    assert status == 0 and found["stopped_by"] is None
    assert found["ticks"] == 180
    assert found["repeats"] >= 5 and found["dropped_bytes"] > 0


def test_a_board_that_falls_silent_is_given_up(capsys, peer, monkeypatch):
    monkeypatch.setattr(board, "ANSWER_S", 0.05)
    asked = []

    def run(tick: link.Tick) -> link.Command:
        asked.append(tick)
        if len(asked) > 30:
            device._end.set()
        return thermostat(tick)

    device = peer(run)
    status, out, _ = loop(capsys, "--port", device.port, "--hours", "1", "--every", "10")
    assert status == 1
    assert "The board was given up at 31 s: no answer within 0.2 s." in " ".join(out.split())


def test_nobody_at_the_other_end(capsys, monkeypatch):
    monkeypatch.setattr(board, "ANSWER_S", 0.01)
    master, slave = os.openpty()
    tty.setraw(slave)
    status, out, _ = loop(capsys, "--port", os.ttyname(slave), "--hours", "1")
    os.close(master)
    os.close(slave)
    assert status == 1
    assert "given up at 0 s: no answer within 0.2 s" in " ".join(out.split())


@pytest.mark.skipif(not maker.shutil.which("gcc"), reason="gcc is not installed")
def test_a_board_in_c_does_what_the_child_process_does(capsys, tmp_path):
    source = maker.find_source("thermostat.c")
    master, slave = os.openpty()
    tty.setraw(slave)
    with maker.Program(source) as program:
        device = subprocess.Popen([program.path], stdin=master, stdout=master)
        status, out, _ = loop(
            capsys, "--port", os.ttyname(slave), "--hours", "0.2", "--every", "60"
        )
        device.terminate()
        device.wait()
    os.close(master)
    os.close(slave)
    assert status == 0 and "0 asked for again" in " ".join(out.split())
    duties = [line.split("duty ")[1].split()[0] for line in out.splitlines() if "duty" in line]
    # Off for the shortest off-time after power-up (180 s), then on: the cabinet is warm.
    assert duties == ["0"] * 2 + ["2"] + ["100"] * 9


def test_ticks_come_at_the_pace_of_the_clock():
    now, slept, asked = [100.0], [], []

    class Inner:
        stop = None

        def tick(self, *_) -> None:
            asked.append(now[0])
            now[0] += 0.7 if len(asked) == 3 else 0.1  # the third answer takes too long

        def power_lost(self) -> None: ...

    def sleep(seconds: float) -> None:
        slept.append(seconds)
        now[0] += seconds

    paced = board.Paced(Inner(), 0.5, clock=lambda: now[0], sleep=sleep)
    for tick in range(6):
        paced.tick(None, None, tick, None)
    # One late answer is made up for: the ticks stay on their grid of 0.5 s.
    assert asked == pytest.approx([100.0, 100.5, 101.0, 101.7, 102.0, 102.5])
    assert paced.late_s == pytest.approx(0.2)
    # Once the board is given up there is nobody to wait for.
    Inner.stop, before = "no answer", now[0]
    for tick in range(6, 60):
        paced.tick(None, None, tick, None)
    assert now[0] - before == pytest.approx(54 * 0.1)


def test_a_run_shorter_than_a_line_ends_in_time(capsys, peer):
    device = peer(thermostat)
    status, out, _ = loop(capsys, "--port", device.port, "--hours", "0.01", "--json")
    assert status == 0 and json.loads(out)["ticks"] == 36


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--port", "/dev/there-is-none"), "--port = /dev/there-is-none: cannot be opened"),
        ((), "--port"),
        (("--port", "x", "--baud", "5"), "300 to 4000000 Bd"),
    ],
)
def test_wrong_ports(capsys, words, told):
    status, out, err = loop(capsys, *words)
    assert (status, out) == (2, "")
    assert told in err and len(err.splitlines()) == 1


def test_without_pyserial_the_extra_is_named(capsys, monkeypatch):
    monkeypatch.setitem(sys.modules, "serial", None)
    status, out, err = loop(capsys, "--port", "/dev/ttyUSB0")
    assert (status, out) == (2, "")
    assert "coldloop[serial]" in err and len(err.splitlines()) == 1


def test_ctrl_c_ends_it_cleanly(peer):
    device = peer(thermostat)
    run = subprocess.Popen(
        [sys.executable, "-m", "ctrl", "loop", "benchmark", "--port", device.port, "--speed", "50",
         "--every", "5"],
        cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    for line in run.stdout:
        if line.startswith("day 1"):
            break
    run.send_signal(signal.SIGINT)
    _, err = run.communicate(timeout=20)
    assert (run.returncode, err.splitlines()[-1]) == (130, "stopped")
    assert "Traceback" not in err
