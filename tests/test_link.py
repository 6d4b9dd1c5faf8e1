"""The link: frames survive what a line does to them, and Python and C speak the same."""

import shutil
import struct
import subprocess
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ctrl import link

SOURCES = Path(link.__file__).resolve().parent / "firmware_c"
NEEDS_CC = pytest.mark.skipif(shutil.which("gcc") is None, reason="gcc is not installed")

i16 = st.integers(-(2**15), 2**15 - 1)
i32 = st.integers(-(2**31), 2**31 - 1)
u8, u16, u32 = st.integers(0, 255), st.integers(0, 65535), st.integers(0, 2**32 - 1)
ticks = st.builds(
    link.Tick, u8, u16, st.tuples(i32, i32, i32, i32), st.tuples(i16, i16, i16, i16), u32,
    st.tuples(u8, u8),
)  # fmt: skip
commands = st.builds(link.Command, u8, u16, u16, u8, u8, u8)
frames = st.one_of(
    ticks.map(lambda tick: (link.TICK, tick.payload())),
    commands.map(lambda command: (link.COMMAND, command.payload())),
    u16.map(lambda ms: (link.HELLO, link.hello_payload(ms))),
    u16.map(lambda checksum: (link.READY, link.ready_payload(checksum))),
)
NO_FRAME = bytes(40)  # enough zeros to end whatever looked like the beginning of a frame


def test_crc_has_its_published_check_value():
    # Catalogues of CRC algorithms list 0xF4 for "123456789" under CRC-8 with polynomial 0x07.
    assert link.crc8(b"123456789") == 0xF4


@given(ticks, commands)
def test_payloads_come_back(tick, command):
    assert link.Tick.of(tick.payload()) == tick
    assert link.Command.of(command.payload()) == command


@given(st.lists(frames, max_size=6), st.integers(1, 50))
def test_frames_come_out_however_the_stream_is_cut(sent, piece):
    data = b"".join(link.frame(*each) for each in sent)
    decoder = link.Decoder()
    got = []
    for at in range(0, len(data), piece):
        got += decoder.feed(data[at : at + piece])
    assert (got, decoder.dropped) == (sent, 0)


@given(st.lists(frames, min_size=3, max_size=6), st.data())
def test_one_broken_or_lost_byte_costs_one_frame_at_most(sent, data):
    whole = [link.frame(*each) for each in sent]
    hit = data.draw(st.integers(0, len(sent) - 1))
    at = data.draw(st.integers(0, len(whole[hit]) - 1))
    change = data.draw(st.one_of(st.none(), st.integers(1, 255)))
    old = whole[hit]
    new = b"" if change is None else bytes((old[at] ^ change,))
    whole[hit] = old[:at] + new + old[at + 1 :]
    got = link.Decoder().feed(b"".join(whole) + NO_FRAME)
    others = sent[:hit] + sent[hit + 1 :]
    # A byte that is lost before its like gives the same frame; a CRC of eight bits sees every
    # burst of eight bits, so that nothing broken is ever taken for whole here.
    expected = others if change is not None else [others, sent]
    assert got == expected if change is not None else got in expected


@given(st.binary(max_size=60), st.lists(frames, min_size=1, max_size=4))
def test_no_whole_frame_is_lost_in_garbage(garbage, sent):
    got = link.Decoder().feed(garbage + b"".join(link.frame(*each) for each in sent) + NO_FRAME)
    assert got == sent


@pytest.mark.parametrize("cut", range(1, 37))
def test_frames_behind_the_beginning_of_another_are_found(cut):
    begun = link.frame(link.TICK, bytes(range(33)))[:cut]
    sent = [(link.COMMAND, link.Command(n, 100 * n).payload()) for n in range(8)]
    got = link.Decoder().feed(begun + b"".join(link.frame(*each) for each in sent))
    assert got == sent


class Line:
    """A board behind a line that loses every n-th byte."""

    def __init__(self, board: link.Board, lose_each: int) -> None:
        self.board, self.lose_each, self.sent, self.back = board, lose_each, 0, b""

    def _worn(self, data: bytes) -> bytes:
        kept = bytearray()
        for byte in data:
            self.sent += 1
            if self.sent % self.lose_each:
                kept.append(byte)
        return bytes(kept)

    def write(self, data: bytes) -> None:
        self.back = self._worn(self.board.feed(self._worn(data)))

    def read(self, timeout_s: float) -> bytes:
        came, self.back = self.back, b""
        if not came:
            self.board.idle()
        return came


def test_a_line_that_loses_bytes_runs_no_tick_twice_and_misses_none():
    seen = []

    def run(tick: link.Tick) -> link.Command:
        seen.append(tick.temps_c100[0])
        return link.Command(0, tick.temps_c100[0] % 1001)

    line = Line(link.Board(lambda ms: None, run), lose_each=101)
    host = link.Host(line, timeout_s=0.01, tries=4)
    host.hello(1000)
    wanted = list(range(600))
    given_back = [host.tick(1000, (1, 2, 3, 4), (n, 0, 0, 0), 12000).duty_permille for n in wanted]
    assert seen == wanted
    assert given_back == wanted
    assert host.repeats > 100


def test_silence_is_told():
    class Dead:
        def write(self, data: bytes) -> None: ...

        def read(self, timeout_s: float) -> bytes:
            return b""

    with pytest.raises(link.LinkError, match="no answer within 0.03 s"):
        link.Host(Dead(), timeout_s=0.01, tries=3).hello(1000)


@pytest.mark.parametrize(
    ("command", "words"),
    [
        (link.Command(0, 1001), "duty 1001, outside 0 to 1000"),
        (link.Command(0, 0, 65535), "reverse -1, outside 0 to 1000"),
        (link.Command(0, 1, 1), "at once"),
        (link.Command(0, 0, 0, 0x20), "0x20"),
    ],
)
def test_commands_out_of_range(command, words):
    assert words in command.fault()
    assert link.Command(0, 1000, 0, link.KNOWN_BITS).fault() is None


# Python and C --------------------------------------------------------------------------

# Writes back, for each tick, its fields as text; then the answer frame, in hex.
ECHO = r"""
#include "link.h"
#include <stdio.h>
int main(void)
{
    link_board board;
    link_tick t;
    link_command c;
    uint16_t ms = 0;
    int byte;
    link_start(&board);
    while ((byte = getchar()) != EOF) {
        link_event event;
        link_push(&board.decoder, (uint8_t)byte);
        while ((event = link_serve(&board, &t, &ms)) != LINK_NOTHING) {
            if (event == LINK_RESET) {
                printf("reset %u", ms);
                link_ready(&board, 0xBEEF);
            } else if (event == LINK_RUN) {
                printf("run %u %u %ld %ld %ld %ld %d %d %d %d %lu %u %u", t.sequence,
                       t.elapsed_ms, (long)t.control_code, (long)t.hot_code, (long)t.cold_code,
                       (long)t.ambient_code, t.control_c100, t.hot_c100, t.cold_c100,
                       t.ambient_c100, (unsigned long)t.supply_mv, t.hot_pulses, t.cold_pulses);
                c.duty_permille = t.elapsed_ms;
                c.reverse_permille = 0x1234;
                c.bits = LINK_HOT_FAN;
                c.state = t.hot_pulses;
                c.reason = 7;
                link_answer(&board, &c);
            } else {
                printf("repeat");
            }
            printf(" ");
            for (unsigned i = 0; i < board.answer_bytes; i++) printf("%02x", board.answer[i]);
            printf("\n");
        }
    }
    return 0;
}
"""


@pytest.fixture(scope="module")
def echo(tmp_path_factory):
    """Return a function bytes -> lines of the C side, built with sanitizers."""
    folder = tmp_path_factory.mktemp("echo")
    (folder / "echo.c").write_text(ECHO)
    subprocess.run(
        ["gcc", "-std=c99", "-Wall", "-Wextra", "-Wconversion", "-Werror", "-pedantic",
         "-fsanitize=undefined,address", "-fno-sanitize-recover", f"-I{SOURCES}", "echo.c",
         str(SOURCES / "link.c"), "-o", "echo"],
        cwd=folder, check=True,
    )  # fmt: skip

    def run(data: bytes) -> list[str]:
        done = subprocess.run([folder / "echo"], input=data, capture_output=True, check=True)
        return done.stdout.decode().splitlines()

    return run


def python_lines(data: bytes) -> list[str]:
    """Return what the C side writes, by Python's own decoder."""
    lines, last = [], None
    for kind, payload in link.Decoder().feed(data):
        if kind == link.HELLO:
            answer, last = link.frame(link.READY, link.ready_payload(0xBEEF)), None
            lines.append(f"reset {struct.unpack('<BH', payload)[1]} {answer.hex()}")
        elif kind == link.TICK:
            tick = link.Tick.of(payload)
            if last is not None and last[0] == tick.sequence:
                lines.append(f"repeat {last[1].hex()}")
                continue
            command = link.Command(
                tick.sequence, tick.elapsed_ms, 0x1234, link.HOT_FAN, tick.tach[0], 7
            )
            last = tick.sequence, link.frame(link.COMMAND, command.payload())
            words = (
                tick.sequence, tick.elapsed_ms, *tick.codes, *tick.temps_c100, tick.supply_mv,
                *tick.tach,
            )  # fmt: skip
            lines.append(f"run {' '.join(map(str, words))} {last[1].hex()}")
    return lines


@NEEDS_CC
@settings(max_examples=40)
@given(data=st.data())
def test_c_and_python_agree_on_whole_and_broken_streams(echo, data):
    pieces = st.one_of(frames.map(lambda each: link.frame(*each)), st.binary(max_size=12))
    stream = bytearray(b"".join(data.draw(st.lists(pieces, max_size=30))))
    for _ in range(data.draw(st.integers(0, 5))):
        if stream:
            at = data.draw(st.integers(0, len(stream) - 1))
            stream[at] ^= data.draw(st.integers(0, 255))
    assert echo(bytes(stream)) == python_lines(bytes(stream))


@NEEDS_CC
def test_lengths_in_the_header_are_those_of_python(tmp_path):
    names = ("HELLO", "READY", "TICK", "COMMAND")
    lines = "".join(f'printf("%u %u\\n", LINK_{n}, LINK_{n}_BYTES);' for n in names)
    source = f'#include "link.h"\n#include <stdio.h>\nint main(void) {{{lines} return 0;}}\n'
    (tmp_path / "a.c").write_text(source)
    subprocess.run(["gcc", f"-I{SOURCES}", "a.c", "-o", "a"], cwd=tmp_path, check=True)
    told = subprocess.run([tmp_path / "a"], capture_output=True, check=True, text=True).stdout
    pairs = [tuple(map(int, line.split())) for line in told.splitlines()]
    assert dict(pairs) == link.LENGTHS
