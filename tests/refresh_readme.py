"""Work out anew what README.md shows of the tool: `python tests/refresh_readme.py`.

Between `<!-- shown: NAME -->` and `<!-- /shown -->` stands what this file puts there: a command
and a part of what it prints, or a picture that the command drew.  `test_readme.py` holds
the README to it.
"""

import contextlib
import io
import os
import re
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from unittest import mock

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT))  # also from a checkout that nothing is installed from

import numpy as np  # noqa: E402
from PIL import Image  # noqa: E402

from ctrl import cli, evidence  # noqa: E402

README = ROOT / "README.md"
PICTURES = ROOT / ".pictures"
COLUMNS = 80  # of the screen shown
MARKS = re.compile(r"<!-- shown: (?P<name>\w+) -->\n(?P<body>.*?)<!-- /shown -->", re.DOTALL)
EVIDENCE = re.compile(r"(?<=<!-- evidence -->\n).*?(?=<!-- /evidence -->)", re.DOTALL)


@dataclass(frozen=True)
class Shown:
    """A command, and the parts of what it prints: from a line's beginning up to another's."""

    words: str
    parts: Sequence[tuple[str, str]] = ()  # an empty end: to the end of the output
    status: int = 0
    picture: str = ""  # name of the file that `--plot` draws
    alt: str = ""


# Cheap ones only: seconds each, so that the test can afford them.
ALL_SHOWN = {
    "check": Shown(
        "check galley_larder",
        (("galley larder", "    duty  "), ("Heat leak", "Module:"), ("Currents", "Sensors")),
    ),
    "recommend": Shown(
        "recommend galley_larder --quick",
        (
            ("galley larder", "  Gains:"),
            ("What holds it back", "    +0.8"),
        ),
    ),
    "day": Shown(
        "simulate galley_larder --days 2 --plot day.png",
        picture="day.png",
        alt="Two days of the galley larder. Air and contents come down to 8 °C in five hours and "
        "stay within 1 K of it but for two hours after warm bottles come in at six; below, "
        "room and hot sink, duty with the door openings, water on the cold sink, humidity.",
    ),
    "map": Shown(
        "map galley_larder --plot map.png",
        (("Recommended", ""),),
        picture="map.png",
        alt="Map of the galley larder: room temperature across, contents up, energy a day as "
        "colour. 8 °C can be held in rooms up to 32 °C and stays above the line where the sink "
        "ices; in a 35 °C room 10 °C is the coldest.",
    ),
    "cannot": Shown("check summer_fish_box", (("summer fish box", "Heat leak"),)),
}


def run(words: str, folder: Path) -> tuple[int, str]:
    """Run a command in a folder; return its exit status and what it prints."""
    out = io.StringIO()
    wide = {"COLUMNS": str(COLUMNS), "TERM": "dumb"}
    with (
        mock.patch.dict(os.environ, wide),
        contextlib.chdir(folder),
        contextlib.redirect_stdout(out),
    ):
        status = cli.main(words.split())
    return status, out.getvalue()


def excerpt(text: str, parts: Sequence[tuple[str, str]]) -> str:
    """Return the parts of an output, dots where something is left out."""
    lines = [line.rstrip() for line in text.splitlines()]
    picked: list[str] = []
    end = 0
    for start_with, stop_at in parts:
        start = next(n for n in range(end, len(lines)) if lines[n].startswith(start_with))
        if start > end:
            picked += ["    ...", ""]
        end = len(lines)  # of this part, unless something is left out after it
        if stop_at:
            end = next(n for n in range(start + 1, end) if lines[n].startswith(stop_at))
        picked += lines[start:end]
        while picked[-1] == "":
            picked.pop()
    if end < len(lines):
        picked.append("    ...")
    return "\n".join(picked)


def block(shown: Shown, text: str) -> str:
    """Return what stands between the marks, for what a command printed."""
    lines = [f"![{shown.alt}](.pictures/{shown.picture})", ""] if shown.picture else []
    lines += ["```console", f"$ coldloop {shown.words}"]
    lines.append(excerpt(text, shown.parts))
    return "\n".join([*lines, "```", ""])


def reduced(path: Path) -> Image.Image:
    """Return a picture with few colours: a quarter of the bytes, the same to the eye."""
    picture = Image.open(path).convert("RGB")
    return picture.quantize(64, method=Image.Quantize.MEDIANCUT, dither=Image.Dither.NONE)


def difference(one: Image.Image, other: Image.Image) -> float:
    """Return the share of a picture that looks different [-]; 1 for another size.

    Looked at in tiles of 4 by 4 pixels, by the strongest of three colours, so that a letter's
    edge moved by half a pixel by another version of the drawing library does not count.
    """
    if one.size != other.size:
        return 1.0
    size = (one.width // 4, one.height // 4)
    tiles = [
        np.asarray(image.convert("RGB").resize(size, Image.Resampling.BOX), dtype=float)
        for image in (one, other)
    ]
    return float((np.abs(tiles[0] - tiles[1]).max(axis=2) > 48.0).mean())


def main() -> None:
    """Write README.md and the pictures anew."""
    text = README.read_text(encoding="utf-8")
    PICTURES.mkdir(exist_ok=True)
    bodies = {}
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for key, shown in ALL_SHOWN.items():
            status, printed = run(shown.words, folder)
            if status != shown.status:
                raise SystemExit(f"{shown.words}: exit status {status}, not {shown.status}")
            bodies[key] = block(shown, printed)
            if shown.picture:
                reduced(folder / shown.picture).save(PICTURES / shown.picture, optimize=True)
    text = MARKS.sub(
        lambda m: f"<!-- shown: {m['name']} -->\n{bodies[m['name']]}<!-- /shown -->", text
    )
    text = EVIDENCE.sub(lambda m: evidence.short_form(), text)
    README.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
