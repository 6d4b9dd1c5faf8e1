"""What an export takes of each part class asked for: for the screen and as JSON."""

import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ctrl.microcontroller import (
    NO_STATUS,
    DoesNotBuild,
    Footprint,
    NoBound,
    NoTools,
    Part,
    build_export,
    footprint,
)


@dataclass(frozen=True)
class PartSize:
    """One part class, and what the export takes of it.

    Attributes
    ----------
    part : Part
    footprint : Footprint or None
        None where it could not be built.
    no_status : Footprint or None
        The same without the status line.
    why : str
        Why not, in one line; empty otherwise.
    """

    part: Part
    footprint: Footprint | None
    no_status: Footprint | None = None
    why: str = ""


def part_sizes(export: Path, parts: Sequence[Part]) -> tuple[PartSize, ...]:
    """Build an export for each part and look at its size; nothing is left behind.

    Parameters
    ----------
    export : Path
        Folder that `coldloop firmware` wrote.
    parts : sequence of Part
    """
    found = []
    for part in parts:
        with tempfile.TemporaryDirectory() as folder:
            try:
                image, bare = Path(folder) / "firmware.elf", Path(folder) / "bare.elf"
                build_export(part, export, image)
                build_export(part, export, bare, NO_STATUS)
                found.append(PartSize(part, footprint(part, image), footprint(part, bare)))
            except (NoTools, DoesNotBuild, NoBound) as error:
                found.append(PartSize(part, None, why=str(error)))
    return tuple(found)


def size_objects(sizes: Sequence[PartSize]) -> list[dict[str, Any]]:
    """Return the sizes as JSON objects; what is not known is null, with the reason."""
    return [
        {
            "microcontroller": size.part.name,
            "flash_bytes": size.footprint and size.footprint.flash_bytes,
            "flash_aim_bytes": size.part.flash_aim_bytes,
            "variables_bytes": size.footprint and size.footprint.variables_bytes,
            "stack_bytes": size.footprint and size.footprint.stack_bytes,
            "ram_bytes": size.footprint and size.footprint.ram_bytes,
            "ram_aim_bytes": size.part.ram_aim_bytes,
            "no_status_flash_bytes": size.no_status and size.no_status.flash_bytes,
            "no_status_ram_bytes": size.no_status and size.no_status.ram_bytes,
            "not_built": size.why or None,
        }
        for size in sizes
    ]


def size_lines(sizes: Sequence[PartSize]) -> list[str]:
    """Return the sizes in words, for the screen."""
    lines = []
    for size in sizes:
        took = size.footprint
        if took is None:
            lines.append(f"{size.part.name}: not built; {size.why}")
            continue
        lines.append(f"{size.part.name}, without your hardware functions:")
        lines += _took_lines(size.part, took)
        if size.no_status is not None:
            lines.append("  and without the status line (-DCL_WITH_STATUS=0):")
            lines += _took_lines(size.part, size.no_status)
    return lines


def _took_lines(part: Part, took: Footprint) -> list[str]:
    lines = [f"  flash {took.flash_bytes} bytes{_beside(took.flash_bytes, part.flash_aim_bytes)}"]
    if took.stack_bytes is None or took.ram_bytes is None:
        return [*lines, f"  RAM   {took.variables_bytes} bytes of variables; stack not looked at"]
    aim = _beside(took.ram_bytes, part.ram_aim_bytes)
    return [
        *lines,
        f"  RAM   {took.ram_bytes} bytes{aim}: "
        f"variables {took.variables_bytes}, deepest stack {took.stack_bytes}",
    ]


def _beside(value: int, aim: int | None) -> str:
    if aim is None:
        return ""
    return f" (aim {aim}{'' if value <= aim else f', missed by {value - aim}'})"
