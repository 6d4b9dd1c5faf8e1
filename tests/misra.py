"""MISRA C:2012 findings of C files by cppcheck's addon, held against what the files justify.

The addon is run on the dump: through cppcheck's own front end two findings of one line are
shown as one.  A file justifies a deviation by rule number::

    x = y; /* MISRA 10.8: why this is right here */
    /* MISRA 15.5: why; for the next line of code */
    /* MISRA file 8.7: why; for the whole file */

A finding without a justification is a fault, and so is a justification without a finding.
"""

import re
import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

ADDON_FOLDERS = ("/usr/lib/x86_64-linux-gnu", "/usr/lib", "/usr/share")
_FINDING = re.compile(r"^\[(?P<file>.+):(?P<line>\d+)\].*\[misra-c2012-(?P<rule>\d+\.\d+)\]$")
_JUSTIFIED = re.compile(r"/\* MISRA (?P<file>file )?(?P<rules>\d+\.\d+(?:, \d+\.\d+)*): \S")
_ONLY_COMMENT = re.compile(r"^\s*/\*.*\*/\s*$")


@dataclass(frozen=True, order=True)
class Finding:
    """One rule broken on one line; line 0 stands for the whole file."""

    file: str
    line: int
    rule: str


def addon() -> Path | None:
    """Return cppcheck's MISRA addon, or None where it is not installed."""
    if shutil.which("cppcheck") is None:
        return None
    places = [*Path("/usr/lib").glob("*-linux-gnu"), *map(Path, ADDON_FOLDERS)]
    found = [place / "cppcheck/addons/misra.py" for place in places]
    return next((path for path in found if path.is_file()), None)


def findings(files: list[Path], work: Path) -> tuple[set[Finding], list[str]]:
    """Return the MISRA findings and cppcheck's own warnings of C files.

    Parameters
    ----------
    files : list of Path
        C files; the headers they include stand beside them and are checked with them.
    work : Path
        Folder for the dumps; the files are copied there, so nothing is left beside them.
    """
    script = addon()
    if script is None:
        raise FileNotFoundError("cppcheck with its misra addon: apt-get install cppcheck")
    for path in files:
        for beside in {path, *path.parent.glob("*.h")}:
            shutil.copy(beside, work / beside.name)
    names = [path.name for path in files if path.suffix == ".c"]
    checked = subprocess.run(
        ["cppcheck", "--dump", "--quiet", "--std=c99", "--platform=avr8", "-j2",
         "--enable=warning,style,portability", "--template={file}:{line}: {id}: {message}",
         *names],
        cwd=work, capture_output=True, text=True, check=True,
    )  # fmt: skip
    ran = subprocess.run(
        [sys.executable, str(script), "--quiet", "--no-summary",
         *(f"{name}.dump" for name in names)],
        cwd=work, capture_output=True, text=True, check=False,
    )  # fmt: skip
    found = set()
    for text in (ran.stdout + ran.stderr).splitlines():
        match = _FINDING.match(text.strip())
        if match is None:
            if text.strip() and not text.startswith("Checking"):
                raise RuntimeError(f"misra.py: {text}")
            continue
        found.add(Finding(Path(match["file"]).name, int(match["line"]), match["rule"]))
    return found, [line for line in checked.stderr.splitlines() if line.strip()]


def justified(path: Path) -> set[Finding]:
    """Return the deviations that a file justifies, each at the line it is meant for."""
    lines = path.read_text().splitlines()
    told = set()
    for number, text in enumerate(lines, start=1):
        match = _JUSTIFIED.search(text)
        if match is None:
            continue
        at = number
        if match["file"]:
            at = 0
        elif _ONLY_COMMENT.match(text):
            at = number + 1
            while at <= len(lines) and _ONLY_COMMENT.match(lines[at - 1]):
                at += 1
        told |= {Finding(path.name, at, rule) for rule in match["rules"].split(", ")}
    return told


def faults(files: list[Path], work: Path) -> list[str]:
    """Return findings that no file justifies, and justifications of nothing, in words."""
    found, warnings = findings(files, work)
    told = set().union(*(justified(path) for path in work.glob("*.[ch]")))
    whole = {(item.file, item.rule) for item in told if item.line == 0}
    hit = {(item.file, item.rule) for item in found}
    unjustified = {x for x in found if x not in told and (x.file, x.rule) not in whole}
    idle = {x for x in told if x.line > 0 and x not in found}
    idle |= {x for x in told if x.line == 0 and (x.file, x.rule) not in hit}
    return [
        *(f"{x.file}:{x.line}: breaks rule {x.rule}" for x in sorted(unjustified)),
        *(f"{x.file}:{x.line}: justifies rule {x.rule}, which it keeps" for x in sorted(idle)),
        *warnings,
    ]
