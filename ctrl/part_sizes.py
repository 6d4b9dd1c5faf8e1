"""What an export takes of each part class asked for: for the screen and as JSON."""

import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ctrl.microcontroller import (
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
    why : str
        Why not, in one line; empty otherwise.
    """

    part: Part
    footprint: Footprint | None
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
                image = build_export(part, export, Path(folder) / "firmware.elf")
                found.append(PartSize(part, footprint(part, image)))
            except (NoTools, DoesNotBuild, NoBound) as error:
                found.append(PartSize(part, None, str(error)))
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
        flash = _beside(took.flash_bytes, size.part.flash_aim_bytes)
        lines.append(f"  flash {took.flash_bytes} bytes{flash}")
        if took.stack_bytes is None or took.ram_bytes is None:
            lines.append(f"  RAM   {took.variables_bytes} bytes of variables; stack not looked at")
            continue
        lines.append(
            f"  RAM   {took.ram_bytes} bytes{_beside(took.ram_bytes, size.part.ram_aim_bytes)}: "
            f"variables {took.variables_bytes}, deepest stack {took.stack_bytes}"
        )
    return lines


def _beside(value: int, aim: int | None) -> str:
    if aim is None:
        return ""
    return f" (aim {aim}{'' if value <= aim else ', missed'})"
