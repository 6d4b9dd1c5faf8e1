"""The exported C on this computer: built with gcc, driven over a pipe, beside Python."""

import struct
import subprocess
from pathlib import Path

import numpy as np

from ctrl.controllers import controller_of, firmware_tick, new_law_state
from ctrl.defrost import M_REVERSE
from ctrl.firmware_layout import Features, checksum_of, features_of, lay_out, pack
from ctrl.firmware_text import C_FOLDER, features_h, files_needed
from ctrl.loop import state_code
from ctrl.protection import (
    P_AIR_C100,
    P_ALARM,
    P_COLD_C100,
    P_COLD_FAN,
    P_DEFROST,
    P_DEMAND,
    P_FINAL,
    P_HOT_C100,
    P_HOT_FAN,
    P_OUTPUT,
    P_REASON,
    P_WARNING,
    new_guard_state,
)
from plant import supply
from plant.compiled import kernel

HARNESS = Path(__file__).with_name("firmware_host.c")
FLAGS = (
    "-std=c99", "-O1", "-Wall", "-Wextra", "-Wconversion", "-Werror",
    "-fsanitize=undefined,address", "-fno-sanitize-recover=all",
)  # fmt: skip
OUTPUTS = np.dtype(
    [("duty", "<u2"), ("reverse", "<u2"), ("air", "<i2"), ("hot", "<i2"), ("cold", "<i2"),
     ("demand", "<i2"), ("on", "u1"), ("hot_fan", "u1"), ("cold_fan", "u1"), ("alarm", "u1"),
     ("warning", "u1"), ("state", "u1"), ("reason", "u1"), ("spare", "u1")]
)  # fmt: skip


def build(folder: Path, features: Features, settings_bytes: int, change=None) -> Path:
    """Build the controller with these features; `change` is (file, old, new) for a control."""
    (folder / "coldloop_features.h").write_text(features_h(features, settings_bytes))
    names = [name for name in files_needed(features)
             if name.endswith(".c") and name not in ("main.c", "status_line.c")]  # fmt: skip
    sources = [C_FOLDER / name for name in names]
    if change is not None:
        name, old, new = change
        text = (C_FOLDER / name).read_text()
        assert text.count(old) >= 1
        (folder / name).write_text(text.replace(old, new))
        sources = [folder / name if source.name == name else source for source in sources]
    program = folder / "host"
    subprocess.run(
        ["gcc", *FLAGS, "-DCL_CONST=", f"-I{folder}", f"-I{C_FOLDER}", *map(str, sources),
         str(HARNESS), "-o", str(program)],
        check=True,
    )  # fmt: skip
    return program


class Host:
    """One controller in C, running as a process of its own."""

    def __init__(self, program: Path) -> None:
        self.process = subprocess.Popen([program], stdin=subprocess.PIPE, stdout=subprocess.PIPE)

    def __enter__(self) -> "Host":
        return self

    def __exit__(self, *_: object) -> None:
        self.process.stdin.close()
        self.process.stdout.close()
        assert self.process.wait(timeout=10) == 0

    def send(self, command: bytes) -> None:
        self.process.stdin.write(command)
        self.process.stdin.flush()

    def ask(self, command: bytes, answer_bytes: int) -> bytes:
        self.send(command)
        found = self.process.stdout.read(answer_bytes)
        assert len(found) == answer_bytes, "the program in C ended early"
        return found

    def start(self, packed: bytes, checksum: int | None = None) -> None:
        crc = checksum_of(packed) if checksum is None else checksum
        self.send(b"S" + packed + struct.pack("<H", crc))

    def reset(self) -> None:
        self.send(b"R")

    def damage(self, at: int, mask: int) -> None:
        self.send(b"X" + struct.pack("<HB", at, mask))

    def run(self, codes: np.ndarray) -> np.ndarray:
        """Run one tick for each row of codes, shape (n, 7), and return its outputs."""
        parts = [np.zeros(0, OUTPUTS)]
        for at in range(0, len(codes), 2000):  # less than a pipe holds, both ways
            rows = codes[at : at + 2000]
            block = np.zeros(len(rows), np.dtype([("codes", "<i4", 5), ("pulses", "<u2", 2)]))
            block["codes"] = rows[:, :5]
            block["pulses"] = rows[:, 5:]
            command = b"T" + struct.pack("<I", len(rows)) + block.tobytes()
            found = self.ask(command, len(rows) * OUTPUTS.itemsize)
            parts.append(np.frombuffer(found, OUTPUTS))
        return np.concatenate(parts)

    def arithmetic(self, rows: np.ndarray) -> np.ndarray:
        parts = []
        for at in range(0, len(rows), 2000):
            part = np.ascontiguousarray(rows[at : at + 2000], dtype="<i4")
            command = b"A" + struct.pack("<I", len(part)) + part.tobytes()
            parts.append(np.frombuffer(self.ask(command, 16 * len(part)), "<i4").reshape(-1, 4))
        return np.concatenate(parts)

    def clock(self, start: int, counts: list[int]) -> list[tuple[int, int]]:
        command = b"W" + struct.pack(f"<{2 + len(counts)}I", start, len(counts), *counts)
        found = np.frombuffer(self.ask(command, 8 * len(counts)), "<u4").reshape(-1, 2)
        return [(int(due), int(late)) for due, late in found]


@kernel
def run_python(kind, law, law_state, guard, guard_state, codes, table):
    """Run the same ticks in Python's kernels; one row of `table` for each."""
    for tick in range(codes.shape[0]):
        firmware_tick(kind, law, law_state, guard, guard_state, tick, codes[tick])
        row = table[tick]
        row[0] = guard_state[P_FINAL]
        row[1] = guard_state[P_DEFROST + M_REVERSE]
        row[2] = guard_state[P_AIR_C100]
        row[3] = guard_state[P_HOT_C100]
        row[4] = guard_state[P_COLD_C100]
        row[5] = guard_state[P_DEMAND]
        row[6] = 1 if guard_state[P_OUTPUT] > 0 else 0
        row[7] = guard_state[P_HOT_FAN]
        row[8] = guard_state[P_COLD_FAN]
        row[9] = guard_state[P_ALARM]
        row[10] = guard_state[P_WARNING]
        row[11] = state_code(guard_state, supply.LIVE)
        row[12] = guard_state[P_REASON]


class Python:
    """The same controller in Python."""

    def __init__(self, law, protection) -> None:
        self.law, self.protection = law, protection
        self.reset()

    def reset(self) -> None:
        self.law_words, self.guard_words = self.law.to_words(), self.protection.to_words()
        self.law_state = new_law_state(self.law)
        self.guard_state = new_guard_state(self.guard_words)

    def run(self, codes: np.ndarray) -> np.ndarray:
        table = np.zeros((len(codes), 13), dtype=np.int64)
        run_python(
            controller_of(self.law).kind, self.law_words, self.law_state, self.guard_words,
            self.guard_state, codes, table,
        )  # fmt: skip
        found = np.zeros(len(codes), OUTPUTS)
        for column, name in enumerate(OUTPUTS.names[:13]):
            found[name] = table[:, column]
            assert (found[name] == table[:, column]).all(), name
        return found


def first_difference(ours: np.ndarray, theirs: np.ndarray) -> str:
    """Return the first tick at which two rows of outputs differ, or nothing."""
    wrong = np.nonzero(ours != theirs)[0]
    if wrong.size == 0:
        return ""
    at = wrong[0]
    return f"{wrong.size} of {len(ours)} ticks; first {at}: C {ours[at]}, Python {theirs[at]}"


def packed_for(law, protection, features: Features | None = None) -> bytes:
    """Return the settings as the program built with these features has them."""
    chosen = features_of(law, protection) if features is None else features
    return pack(lay_out(law, protection, chosen))
