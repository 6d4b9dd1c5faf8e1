"""An emulated 8-bit AVR, running a firmware image to the byte, without a board.

The emulator is the Debian package libsimavr-dev.  A thin layer of C over it
(`firmware_c/avr/emulator.c`) is compiled on demand and kept in the cache folder.  No clock of
the host is in it: the image runs until it has answered, and stands still in between.
"""

import ctypes
import hashlib
import os
import shutil
import subprocess
import tempfile
from pathlib import Path

import platformdirs

from ctrl import link
from ctrl.controllers import controller_of, firmware_tick, new_law_state
from ctrl.defrost import M_REVERSE
from ctrl.firmware import Firmware
from ctrl.firmware_units import FULL_PERMILLE
from ctrl.fixed_point import Words
from ctrl.loop import COOLING, IDLE, state_code
from ctrl.protection import (
    G_TICK_MS,
    G_WINDOW,
    P_ALARM,
    P_COLD_FAN,
    P_DEFROST,
    P_FINAL,
    P_FROZEN,
    P_HOT_FAN,
    P_OUTPUT,
    P_REASON,
    P_WARNING,
    new_guard_state,
)
from plant import supply

SOURCE = Path(__file__).parent / "firmware_c" / "avr" / "emulator.c"
HEADER = Path("/usr/include/simavr/sim_avr.h")
PART, CLOCK_HZ = "atmega328p", 8_000_000
START_CYCLES = 40_000  # 5 ms: start-up code, and some
NO_TEMPS = (link.ABSENT,) * 4  # the export reads codes
CRASHED, TIMED_OUT, STOPPED = -1, -2, -3


class NoEmulator(Exception):
    """What is missing, in one line with the Debian package that has it."""


class EmulatorError(Exception):
    """The image did not answer; the text says whether it crashed, hung or stopped."""


def missing_emulator() -> str | None:
    """Return what is missing to emulate an AVR, with its Debian package, or None."""
    if shutil.which("gcc") is None:
        return "gcc is not installed: apt-get install gcc libc6-dev"
    if not HEADER.is_file():
        return "the AVR emulator is not installed: apt-get install libsimavr-dev"
    return None


def _cache() -> Path:
    return Path(os.environ.get("COLDLOOP_CACHE_DIR") or platformdirs.user_cache_dir("coldloop"))


def emulator_library() -> Path:
    """Return the compiled layer over the emulator, compiled now if need be.

    Raises
    ------
    NoEmulator
        When the compiler or the emulator is not installed.
    """
    digest = hashlib.sha256(SOURCE.read_bytes()).hexdigest()[:16]
    path = _cache() / f"avr-emulator-{digest}.so"
    if path.is_file():
        return path
    missing = missing_emulator()
    if missing:
        raise NoEmulator(missing)
    path.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=path.parent) as folder:
        made = Path(folder) / path.name
        ran = subprocess.run(
            ["gcc", "-std=gnu99", "-O2", "-shared", "-fPIC", str(SOURCE), "-o", str(made),
             "-lsimavr"],
            capture_output=True, text=True, check=False,
        )  # fmt: skip
        if ran.returncode != 0:
            first = (ran.stderr.strip().splitlines() or ["no message"])[0]
            raise NoEmulator(f"the AVR emulator does not compile: {first}")
        made.replace(path)  # at once, whatever else compiles it now
    return path


def _load() -> ctypes.CDLL:
    library = ctypes.CDLL(str(emulator_library()))
    library.emulator_open.restype = ctypes.c_void_p
    library.emulator_open.argtypes = (ctypes.c_char_p, ctypes.c_char_p, ctypes.c_uint32)
    library.emulator_close.restype = None
    library.emulator_close.argtypes = (ctypes.c_void_p,)
    library.emulator_run.restype = ctypes.c_int
    library.emulator_run.argtypes = (ctypes.c_void_p, ctypes.c_uint64)
    library.emulator_exchange.restype = ctypes.c_int
    library.emulator_exchange.argtypes = (
        ctypes.c_void_p, ctypes.c_char_p, ctypes.c_uint32, ctypes.c_char_p, ctypes.c_uint32,
        ctypes.c_uint64,
    )  # fmt: skip
    library.emulator_cycles.restype = ctypes.c_uint64
    library.emulator_cycles.argtypes = (ctypes.c_void_p,)
    library.emulator_stack.restype = ctypes.c_uint32
    library.emulator_stack.argtypes = (ctypes.c_void_p, ctypes.c_uint32)
    return library


class EmulatedBoard:
    """An AVR with an image that speaks the link over its serial port.

    As a stream of `link.Host` it takes a frame and gives the answer.

    Parameters
    ----------
    image : Path
        ELF file for `PART`.
    limit_s : float
        Time of the board's own clock that an answer may take [s].

    Raises
    ------
    NoEmulator
        When the emulator is not installed.
    EmulatorError
        When the image cannot be loaded or does not get through its start-up.
    """

    def __init__(self, image: Path, limit_s: float = 1.0) -> None:
        self._library = _load()
        self._limit_cycles = round(limit_s * CLOCK_HZ)
        self._answer = b""
        self._buffer = ctypes.create_string_buffer(max(link.LENGTHS.values()) + 4)
        self._board = self._library.emulator_open(str(image).encode(), PART.encode(), CLOCK_HZ)
        if not self._board:
            raise EmulatorError(f"{image}: not an image for this part")
        self._told(self._library.emulator_run(self._board, START_CYCLES))

    def __enter__(self) -> "EmulatedBoard":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Throw the board away."""
        if self._board:
            self._library.emulator_close(self._board)
            self._board = None

    @property
    def cycles(self) -> int:
        """Clock cycles since power-up [-]."""
        return int(self._library.emulator_cycles(self._board))

    def stack_bytes(self, end: int) -> int:
        """Return the deepest stack so far [bytes]; `end` is the address after the variables."""
        return int(self._library.emulator_stack(self._board, end))

    def write(self, data: bytes) -> None:
        """Send one frame to the board and run it until it has answered.

        Raises
        ------
        EmulatorError
            When it crashes, does not answer in time, or stops for good.
        """
        wanted = link.LENGTHS[link.READY if data[1] == link.HELLO else link.COMMAND] + 4
        got = self._library.emulator_exchange(
            self._board, data, len(data), self._buffer, wanted, self._limit_cycles
        )
        self._told(got)
        self._answer += self._buffer.raw[:wanted]

    def read(self, timeout_s: float) -> bytes:
        """Return what the board answered; nothing when it did not."""
        came, self._answer = self._answer, b""
        return came

    def _told(self, got: int) -> None:
        if got == CRASHED:
            raise EmulatorError("the image crashed")
        if got == TIMED_OUT:
            limit_s = self._limit_cycles / CLOCK_HZ
            raise EmulatorError(f"the image did not answer within {limit_s:g} s of its own clock")
        if got == STOPPED:
            raise EmulatorError("the image stopped for good")


class EmulatedFirmware:
    """An export on an emulated AVR, as the firmware of `outside_loop.OutsideLoop`.

    Parameters
    ----------
    image : Path
        Of `microcontroller.build_bench`.
    firmware : Firmware
        What was exported; runs beside it where `beside` is True.
    beside : bool
        Run our own kernels on the same codes, and count the ticks whose command differs.

    Attributes
    ----------
    ticks, differing : int
        Ticks run, and those of them that differ [-].
    first_difference : str
        The first of them, in words.
    """

    def __init__(self, image: Path, firmware: Firmware, beside: bool = True) -> None:
        self._image = image
        self._firmware = firmware
        self._beside = beside
        self.board: EmulatedBoard | None = None
        self.ticks = self.differing = 0
        self.first_difference = ""
        self._kind = controller_of(firmware.law).kind
        self._law = firmware.law.to_words()
        self._power_up(firmware.protection.to_words())

    def close(self) -> None:
        """Throw the board away."""
        if self.board is not None:
            self.board.close()
            self.board = None

    def power_lost(self) -> None:
        """Take the power from the board; the next tick starts it anew."""
        self.close()

    def _power_up(self, settings: Words) -> None:
        self.board = EmulatedBoard(self._image)
        self._host = link.Host(self.board, timeout_s=60.0)
        self._host.hello(int(settings[G_TICK_MS]))
        self._guard_state = new_guard_state(settings)
        self._law_state = new_law_state(self._firmware.law)

    def tick(self, settings: Words, state: Words, tick: int, codes: Words) -> None:
        """Run one tick on the board and write its command into `state`."""
        if self.board is None:
            self._power_up(settings)
        control, hot, cold, supply_mv, ambient, *pulses = codes.tolist()
        command = self._host.tick(
            int(settings[G_TICK_MS]), (control, hot, cold, ambient), NO_TEMPS, supply_mv,
            (min(pulses[0], link.MOST_PULSES), min(pulses[1], link.MOST_PULSES)),
        )  # fmt: skip
        self.ticks += 1
        if self._beside:
            self._compare(settings, tick, codes, command)
        state[P_FINAL] = command.duty_permille
        state[P_OUTPUT] = FULL_PERMILLE if command.bits & link.MODULE_ON else 0
        if settings[G_WINDOW] == 0:
            state[P_OUTPUT] = command.duty_permille
        state[P_DEFROST + M_REVERSE] = command.reverse_permille
        state[P_HOT_FAN] = 1 if command.bits & link.HOT_FAN else 0
        state[P_COLD_FAN] = 1 if command.bits & link.COLD_FAN else 0
        state[P_ALARM] = 1 if command.bits & link.ALARM else 0
        state[P_WARNING] = 1 if command.bits & link.WARNING else 0
        state[P_REASON] = command.reason
        state[P_FROZEN] = 0 if command.state in (IDLE, COOLING) else 1

    def _compare(self, settings: Words, tick: int, codes: Words, command: link.Command) -> None:
        ours = self._guard_state
        firmware_tick(self._kind, self._law, self._law_state, settings, ours, tick, codes)
        bits = (
            (link.MODULE_ON if ours[P_OUTPUT] > 0 else 0)
            | (link.HOT_FAN if ours[P_HOT_FAN] else 0)
            | (link.COLD_FAN if ours[P_COLD_FAN] else 0)
            | (link.ALARM if ours[P_ALARM] else 0)
            | (link.WARNING if ours[P_WARNING] else 0)
        )
        wanted = link.Command(
            command.sequence, int(ours[P_FINAL]), int(ours[P_DEFROST + M_REVERSE]), bits,
            int(state_code(ours, supply.LIVE)), int(ours[P_REASON]),
        )  # fmt: skip
        if command != wanted:
            self.differing += 1
            if not self.first_difference:
                self.first_difference = f"tick {tick}: board {command}, ours {wanted}"
