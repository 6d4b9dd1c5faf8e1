"""The link: the few bytes between coldloop, which plays the cabinet, and a controller.

The controller may be a child process (over pipes), a real board (over a serial line) or an
emulated microcontroller (over its serial port).  All three speak this:

    sync 0xA5 | kind | length | payload, `length` bytes, little-endian | CRC-8

The CRC has the polynomial 0x07, starts at 0 and covers kind, length and payload.  The host
asks, the board answers; it never speaks by itself.

=========  ====  =============  ==========================================================
name       kind  goes           payload
=========  ====  =============  ==========================================================
HELLO      0x01  host to board  version u8, tick u16 [ms]; the board resets its controller
READY      0x81  board to host  version u8, checksum u16 of its settings (0 for none)
TICK       0x02  host to board  sequence u8, elapsed u16 [ms], codes of control, hot-sink,
                                cold-sink and room sensor i32 x 4, the same temperatures
                                i16 x 4 [1/100 deg C], supply u32 [mV], pulses of hot and
                                cold fan's tachometer since the last tick u8 x 2
COMMAND    0x82  board to host  sequence u8, duty u16 [1/1000], reverse u16 [1/1000],
                                bits u8, state u8, reason u8
=========  ====  =============  ==========================================================

A code is what the converter gives, or the signed 1/16 deg C of a digital sensor; a code or
temperature of a sensor that is not fitted is -32768, pulses of a tachometer that is not wired
are 255 (254 is that many or more).  Bits of a command: 0 module on (for a switch), 1 hot fan,
2 cold fan, 3 alarm, 4 warning.

The answer repeats the tick's sequence number.  A tick that comes again with the same number is
answered again, but not run again: so a lost answer is asked for once more and no time passes
twice.  A length that is not that of its kind is no frame.  After a lost or broken byte the
receiver looks for the next sync among the bytes it already holds, so that no whole frame is
lost.  A board that waits in the middle of a frame for 50 ms forgets what it holds.

The same is in C in `firmware_c/link.h`.
"""

import struct
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

SYNC = 0xA5
VERSION = 1
HELLO, TICK = 0x01, 0x02
READY, COMMAND = 0x81, 0x82
ABSENT = -32768
NO_TACH = 255
MOST_PULSES = 254  # that many or more
MODULE_ON, HOT_FAN, COLD_FAN, ALARM, WARNING = 0x01, 0x02, 0x04, 0x08, 0x10
KNOWN_BITS = MODULE_ON | HOT_FAN | COLD_FAN | ALARM | WARNING

_HELLO = struct.Struct("<BH")
_READY = struct.Struct("<BH")
_TICK = struct.Struct("<BHiiiihhhhIBB")
_COMMAND = struct.Struct("<BHHBBB")
LENGTHS = {HELLO: _HELLO.size, READY: _READY.size, TICK: _TICK.size, COMMAND: _COMMAND.size}
FULL_PERMILLE = 1000


class LinkError(Exception):
    """The other side does not answer as it should; the text is one line for the user."""


def _crc_table() -> bytes:
    """Return the CRC-8 of every single byte, polynomial x^8 + x^2 + x + 1."""
    table = bytearray()
    for byte in range(256):
        crc = byte
        for _ in range(8):
            crc = (crc << 1) ^ 0x107 if crc & 0x80 else crc << 1
        table.append(crc & 0xFF)
    return bytes(table)


_CRC = _crc_table()


def crc8(data: bytes | bytearray) -> int:
    """Return the CRC-8 of `data`: polynomial 0x07, start 0, nothing reflected.

    Examples
    --------
    The check value of this CRC in the published catalogues:

    >>> hex(crc8(b"123456789"))
    '0xf4'
    """
    crc = 0
    for byte in data:
        crc = _CRC[crc ^ byte]
    return crc


def frame(kind: int, payload: bytes) -> bytes:
    """Return one frame as it goes over the line."""
    body = bytes((kind, len(payload))) + payload
    return bytes((SYNC,)) + body + bytes((crc8(body),))


@dataclass(frozen=True)
class Tick:
    """What the board learns each tick: raw codes, temperatures [1/100 °C], supply [mV]."""

    sequence: int
    elapsed_ms: int
    codes: tuple[int, int, int, int]
    temps_c100: tuple[int, int, int, int]
    supply_mv: int
    tach: tuple[int, int] = (NO_TACH, NO_TACH)

    def payload(self) -> bytes:
        """Return its bytes, without the frame."""
        return _TICK.pack(
            self.sequence,
            self.elapsed_ms,
            *self.codes,
            *self.temps_c100,
            self.supply_mv,
            *self.tach,
        )

    @classmethod
    def of(cls, payload: bytes) -> "Tick":
        """Return the tick of a payload."""
        words = _TICK.unpack(payload)
        return cls(words[0], words[1], words[2:6], words[6:10], words[10], words[11:13])


@dataclass(frozen=True)
class Command:
    """What the board wants: duty and reverse [1/1000], `bits`, and its own state and reason."""

    sequence: int
    duty_permille: int
    reverse_permille: int = 0
    bits: int = 0
    state: int = 0
    reason: int = 0

    def payload(self) -> bytes:
        """Return its bytes, without the frame."""
        return _COMMAND.pack(
            self.sequence, self.duty_permille, self.reverse_permille, self.bits, self.state,
            self.reason,
        )  # fmt: skip

    @classmethod
    def of(cls, payload: bytes) -> "Command":
        """Return the command of a payload."""
        return cls(*_COMMAND.unpack(payload))

    def fault(self) -> str | None:
        """Return what is out of range in it, in words, or None."""
        for name, value in (("duty", self.duty_permille), ("reverse", self.reverse_permille)):
            if value > FULL_PERMILLE:
                meant = value - 0x10000 if value & 0x8000 else value
                return f"{name} {meant}, outside 0 to {FULL_PERMILLE}"
        if self.duty_permille and self.reverse_permille:
            return f"duty {self.duty_permille} and reverse {self.reverse_permille} at once"
        if self.bits & ~KNOWN_BITS:
            return f"bits 0x{self.bits:02X}, of which only 0x{KNOWN_BITS:02X} mean something"
        return None


def hello_payload(tick_ms: int) -> bytes:
    """Return the payload of a HELLO."""
    return _HELLO.pack(VERSION, tick_ms)


def ready_payload(checksum: int = 0) -> bytes:
    """Return the payload of a READY."""
    return _READY.pack(VERSION, checksum)


class Decoder:
    """Frames out of a stream of bytes, whatever is lost or broken in between."""

    def __init__(self) -> None:
        self._held = bytearray()
        self.dropped = 0  # bytes that belonged to no frame

    def feed(self, data: bytes) -> list[tuple[int, bytes]]:
        """Return the frames, (kind, payload), that are whole after these bytes."""
        self._held += data
        frames = []
        while (found := self._take()) is not None:
            frames.append(found)
        return frames

    def clear(self) -> None:
        """Forget a frame that was begun."""
        self.dropped += len(self._held)
        self._held.clear()

    def _take(self) -> tuple[int, bytes] | None:
        held = self._held
        while held:
            if held[0] == SYNC:
                size = LENGTHS.get(held[1], -1) if len(held) > 1 else None
                if size is None or (size >= 0 and len(held) == 2):
                    return None
                if size == held[2]:
                    end = size + 4
                    if len(held) < end:
                        return None
                    if crc8(held[1 : end - 1]) == held[end - 1]:
                        kind, payload = held[1], bytes(held[3 : end - 1])
                        del held[:end]
                        return kind, payload
            sync = held.find(SYNC, 1)
            lost = len(held) if sync < 0 else sync
            self.dropped += lost
            del held[:lost]
        return None


class Stream(Protocol):
    """Bytes there and back."""

    def write(self, data: bytes) -> None:
        """Send all of `data`; raises OSError when the other side has gone."""
        ...

    def read(self, timeout_s: float) -> bytes:
        """Return what has come within `timeout_s` [s]: nothing is a time-out, EOFError the end."""
        ...


class Host:
    """coldloop's side of the link.

    Parameters
    ----------
    stream : Stream
    timeout_s : float
        How long an answer may take [s].
    tries : int
        How often a tick is asked for; above 1 only over a line that can lose bytes.
    """

    def __init__(self, stream: Stream, *, timeout_s: float, tries: int = 1) -> None:
        self._stream = stream
        self._timeout_s = timeout_s
        self._tries = tries
        self._decoder = Decoder()
        self._sequence = 0
        self.repeats = 0

    @property
    def dropped(self) -> int:
        """Bytes received that belonged to no frame."""
        return self._decoder.dropped

    def hello(self, tick_ms: int) -> int:
        """Let the board reset its controller; return the checksum of its settings.

        Raises
        ------
        LinkError
            No answer, or one of another version of the link.
        """
        payload = self._ask(frame(HELLO, hello_payload(tick_ms)), lambda kind, _: kind == READY)
        version, checksum = _READY.unpack(payload)
        if version != VERSION:
            raise LinkError(f"speaks version {version} of the link; expected {VERSION}")
        return int(checksum)

    def tick(
        self,
        elapsed_ms: int,
        codes: tuple[int, int, int, int],
        temps_c100: tuple[int, int, int, int],
        supply_mv: int,
        tach: tuple[int, int] = (NO_TACH, NO_TACH),
    ) -> Command:
        """Return the board's command for one tick.

        Raises
        ------
        LinkError
            No answer in time.
        """
        number = self._sequence = (self._sequence + 1) & 0xFF
        data = _TICK.pack(number, elapsed_ms, *codes, *temps_c100, supply_mv, *tach)
        payload = self._ask(
            frame(TICK, data), lambda kind, answer: kind == COMMAND and answer[0] == number
        )
        return Command.of(payload)

    def _ask(self, data: bytes, wanted: Callable[[int, bytes], bool]) -> bytes:
        for attempt in range(self._tries):
            if attempt:
                self.repeats += 1
            self._stream.write(data)
            ends = time.monotonic() + self._timeout_s
            # However much comes that is no answer, it does not put the end off.
            while (left_s := ends - time.monotonic()) > 0.0:
                for kind, payload in self._decoder.feed(self._stream.read(left_s)):
                    if wanted(kind, payload):
                        return payload
            self._decoder.clear()
        raise LinkError(f"no answer within {self._tries * self._timeout_s:g} s")


class Board:
    """The board's side, for a peer in Python: bytes in, bytes out.

    Parameters
    ----------
    reset : callable
        Told the tick [ms] at each HELLO.
    run : callable
        Returns the command for a tick; its sequence is put in here.
    """

    def __init__(self, reset: Callable[[int], None], run: Callable[[Tick], Command]) -> None:
        self._reset, self._run = reset, run
        self._decoder = Decoder()
        self._last: tuple[int, bytes] | None = None

    def feed(self, data: bytes) -> bytes:
        """Return the answers to what came."""
        answers = b""
        for kind, payload in self._decoder.feed(data):
            if kind == HELLO:
                self._reset(_HELLO.unpack(payload)[1])
                self._last = None
                answers += frame(READY, ready_payload())
            elif kind == TICK:
                if self._last is None or self._last[0] != payload[0]:
                    command = self._run(Tick.of(payload))
                    answer = bytes((payload[0],)) + command.payload()[1:]
                    self._last = payload[0], frame(COMMAND, answer)
                answers += self._last[1]
        return answers

    def idle(self) -> None:
        """Forget a frame that was begun; after 50 ms without a byte."""
        self._decoder.clear()
