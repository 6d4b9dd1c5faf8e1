"""The C that is written anew for each cabinet: features, settings, and which files go along."""

import textwrap
from collections.abc import Sequence
from pathlib import Path

from ctrl.controllers import CONTROLLERS
from ctrl.firmware_layout import Block, Features, Member

C_FOLDER = Path(__file__).resolve().parent / "firmware_c"
COMMON = (
    "coldloop_controller", "fixed_point", "readings", "defrost", "protection",
    "settings_check", "tick_clock", "status_line",
)  # fmt: skip
HEADERS = (
    "port.h", "law.h", "coldloop_controller_io.h", "coldloop_settings.h", "hardware.h",
    "defrost_demand.h", "slow_window.h", "tachometer.h",
)  # fmt: skip
MAIN = "main.c"
WITH_INTEGRAL = ("pi", "cascade", "best_cop")


def files_needed(features: Features) -> list[str]:
    """Return the hand-written files that an export with these features is built from."""
    nouns = [*COMMON, f"law_{features.law}"]
    if features.law in WITH_INTEGRAL:
        nouns.append("integral")
    if features.pi_options and features.law == "pi":
        nouns.append("law_pi_options")
    names = [f"{noun}{end}" for noun in nouns for end in (".c", ".h")] + list(HEADERS)
    if features.demand:
        names.append("defrost_demand.c")
    if features.window:
        names.append("slow_window.c")
    if features.tachometer:
        names.append("tachometer.c")
    return sorted([*names, MAIN])


def wrapped(lines: Sequence[str], width: int = 88) -> list[str]:
    """Return lines no longer than `width`; an empty one stays empty."""
    found: list[str] = []
    for line in lines:
        indent = "  " if line.startswith("- ") else ""
        found += textwrap.wrap(line, width, subsequent_indent=indent) or [""]
    return found


def comment(lines: Sequence[str]) -> str:
    """Return a block comment in C of lines of text."""
    safe = [line.replace("*/", "* /").replace("/*", "/ *") for line in wrapped(lines)]
    return "/*\n" + "".join(f" * {line}".rstrip() + "\n" for line in safe) + " */\n"


def features_h(features: Features, settings_bytes: int) -> str:
    """Return `coldloop_features.h`: the law, what is compiled in, and the size of the settings."""
    lines = ["/* What this cabinet's firmware has. */", "#ifndef CL_FEATURES_H",
             "#define CL_FEATURES_H", ""]  # fmt: skip
    # Numbered from 1: a word that the preprocessor does not know counts as 0.
    lines += [
        f"#define CL_LAW_{name.upper()} {item.kind + 1}" for name, item in CONTROLLERS.items()
    ]
    lines += [f"#define CL_LAW CL_LAW_{features.law.upper()}", ""]
    lines += [
        f"#define {name} {value}{'U' if name.endswith('_WORDS') else ''}"
        for name, value in features.as_defines().items()
    ]
    lines += ["", "/* The status line; build with 0 to do without and save memory. */",
              "#ifndef CL_WITH_STATUS", "#define CL_WITH_STATUS 1", "#endif"]  # fmt: skip
    lines += ["", "/* Size of coldloop_settings [bytes]. */",
              f"#define CL_SETTINGS_BYTES {settings_bytes}U", "", "#endif"]  # fmt: skip
    return "\n".join(lines) + "\n"


def _literal(member: Member, value: int) -> str:
    return f"{value}U" if member.width == "uint16_t" else str(value)


def _member_lines(member: Member, indent: str) -> list[str]:
    values = [_literal(member, value) for value in member.values]
    if len(values) == 1:
        return [f"{indent}.{member.name} = {values[0]}, /* {member.unit} */"]
    rows = [", ".join(values[at : at + 9]) + "," for at in range(0, len(values), 9)]
    return [
        f"{indent}/* {member.unit} */",
        f"{indent}.{member.name} = {{",
        *(f"{indent}    {row}" for row in rows),
        f"{indent}}},",
    ]


def _block_lines(block: Block, indent: str) -> list[str]:
    lines: list[str] = []
    for part in block.parts:
        if isinstance(part, Member):
            lines += _member_lines(part, indent)
        else:
            lines += [f"{indent}.{part.name} = {{", *_block_lines(part, indent + "    ")]
            lines += [f"{indent}}},"]
    return lines


def settings_c(block: Block, checksum: int, top: str) -> str:
    """Return `settings.c`: every setting with its unit, and the checksum over them."""
    body = "\n".join(_block_lines(block, "    "))
    return (
        f'{top}#include "coldloop_settings.h"\n\n'
        f"CL_CONST coldloop_settings cl_settings CL_FLASH = {{\n{body}\n}};\n\n"
        "/* CRC-16 over the bytes above: polynomial 0x1021, start 0xFFFF. */\n"
        f"CL_CONST uint16_t cl_settings_checksum CL_FLASH = 0x{checksum:04X}U;\n"
    )
