"""The exported firmware on a microcontroller: built, its flash and RAM, before one is bought.

An export is compiled for a part class with the tools that makers use for it.  Flash is what
is burnt (code, constants, start values); RAM is the variables plus the deepest stack, which
is bounded by the calls in the compiled image.  Nothing else of coldloop needs these tools.
"""

import shutil
import subprocess
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from ctrl.avr_stack import NoBound, functions_of, stack_bound

AVR_FOLDER = Path(__file__).parent / "firmware_c" / "avr"
# What an export consists of: a maker's own files beside it need headers not known here.
OURS = frozenset(path.name for path in AVR_FOLDER.parent.glob("*.c")) | {"settings.c"}
NO_STATUS = ("-DCL_WITH_STATUS=0",)  # for the compiler: without the status line
AVR_RAM_START = 0x800000  # where the linker puts RAM in an address space of its own


class NoTools(Exception):
    """The part's compiler is not installed; the text names the Debian package."""


class DoesNotBuild(Exception):
    """The compiler refuses; the text is its first message."""


@dataclass(frozen=True)
class Part:
    """A class of microcontrollers.

    Parameters
    ----------
    name : str
        In words, with its bits and RAM.
    tools : str
        Prefix of its compiler's commands.
    packages : str
        Debian packages that have them.
    flags : tuple of str
        What the compiler is told.
    link_flags : tuple of str
        What it is told when it links.
    flash_aim_bytes, ram_aim_bytes : int or None
        What the largest controller should fit into [bytes]; None for no aim.
    """

    name: str
    tools: str
    packages: str
    flags: tuple[str, ...]
    link_flags: tuple[str, ...]
    flash_aim_bytes: int | None = None
    ram_aim_bytes: int | None = None

    def missing(self) -> str | None:
        """Return what is not installed, with its package, in one line; None if all is there."""
        if all(shutil.which(f"{self.tools}-{tool}") for tool in ("gcc", "size", "nm", "objdump")):
            return None
        return f"{self.tools}-gcc is not installed: apt-get install {self.packages}"


_COMMON = (
    "-std=c99", "-Os", "-Wall", "-Wextra", "-Wno-array-bounds", "-ffunction-sections",
    "-fdata-sections",
)  # fmt: skip
# One link-time unit: the compiler sees every call, and frames melt together. What it then
# moves out of loops and keeps for later costs flash and stack; found by trying each.
AVR_SIZE = (
    "-flto", "-mstrict-X", "-fno-jump-tables", "-fno-tree-sink",
    "-fno-move-loop-invariants", "-fno-ipa-pure-const",
)  # fmt: skip
AVR = Part(
    name="8-bit AVR, 32 KiB flash, 2 KiB RAM",
    tools="avr",
    packages="gcc-avr avr-libc",
    # Switches as jump tables would call through a pointer, and no stack could be bounded.
    flags=(*_COMMON, "-mmcu=atmega328p", "-DF_CPU=8000000UL", *AVR_SIZE),
    link_flags=("-mmcu=atmega328p", "-Os", *AVR_SIZE, "-Wl,--gc-sections", "-Wl,--relax"),
    flash_aim_bytes=8 * 1024,
    ram_aim_bytes=256,
)  # fmt: skip
ARM = Part(
    name="32-bit Cortex-M0",
    tools="arm-none-eabi",
    packages="gcc-arm-none-eabi",
    flags=(*_COMMON, "-mcpu=cortex-m0", "-mthumb", "-ffreestanding"),
    # No C library and no start-up code: the export needs none, and the part's maker has it.
    link_flags=("-mcpu=cortex-m0", "-mthumb", "-nostdlib", "-Wl,--gc-sections",
                "-Wl,--entry=main", "-lgcc"),
)  # fmt: skip


@dataclass(frozen=True)
class Footprint:
    """What an image takes.

    Attributes
    ----------
    flash_bytes : int
        Code, constants and start values [bytes].
    variables_bytes : int
        Variables in RAM [bytes].
    stack_bytes : int or None
        Deepest stack that the calls in the image allow [bytes]; None where not looked at.
    deepest : tuple of str
        The calls that need it, outermost first.
    """

    flash_bytes: int
    variables_bytes: int
    stack_bytes: int | None = None
    deepest: tuple[str, ...] = ()

    @property
    def ram_bytes(self) -> int | None:
        """Variables and stack [bytes]; None without a stack."""
        return None if self.stack_bytes is None else self.variables_bytes + self.stack_bytes


def _run(command: Sequence[str]) -> str:
    ran = subprocess.run(command, capture_output=True, text=True, check=False)
    if ran.returncode != 0:
        lines = [line for line in ran.stderr.splitlines() if "error" in line.lower()]
        first = (lines or ran.stderr.strip().splitlines() or ["no message"])[0]
        raise DoesNotBuild(f"{command[0]}: {first}")
    return ran.stdout


def build_image(
    part: Part, sources: Sequence[Path], folders: Sequence[Path], image: Path,
    flags: Sequence[str] = (),
) -> Path:  # fmt: skip
    """Compile and link C files for a part.

    Parameters
    ----------
    part : Part
    sources : sequence of Path
        The C files, `main` among them.
    folders : sequence of Path
        Where their headers are, in this order.
    image : Path
        ELF file to write.
    flags : sequence of str
        More for the compiler.

    Returns
    -------
    Path
        `image`.

    Raises
    ------
    NoTools
        When the part's tools are not installed.
    DoesNotBuild
        When the compiler or the linker refuses.
    """
    missing = part.missing()
    if missing:
        raise NoTools(missing)
    includes = [f"-I{folder}" for folder in folders]
    _run([
        f"{part.tools}-gcc", *part.flags, *flags, *includes, *map(str, sources),
        *part.link_flags, "-o", str(image),
    ])  # fmt: skip
    return image


def build_export(part: Part, export: Path, image: Path, flags: Sequence[str] = ()) -> Path:
    """Compile an export for a part, with hardware functions that do nothing.

    Parameters
    ----------
    part : Part
    export : Path
        Folder that `coldloop firmware` wrote.
    image : Path
        ELF file to write.
    flags : sequence of str
        More for the compiler, such as `NO_STATUS`.
    """
    sources = [path for path in sorted(export.glob("*.c")) if path.name in OURS]
    return build_image(part, [*sources, AVR_FOLDER / "hardware_none.c"], [export], image, flags)


def build_bench(export: Path, image: Path, flags: Sequence[str] = ()) -> Path:
    """Compile an export for the AVR as it is, with hardware functions that speak the link.

    Parameters
    ----------
    export : Path
        Folder that `coldloop firmware` wrote.
    image : Path
        ELF file to write, for `emulator.EmulatedBoard`.
    flags : sequence of str
        More for the compiler, such as ``-DBENCH_STATUS=1``.
    """
    sources = [path for path in sorted(export.glob("*.c")) if path.name in OURS]
    bench = [AVR_FOLDER / "hardware_link.c", AVR_FOLDER.parent / "link.c"]
    missing = AVR.missing()
    if missing:
        raise NoTools(missing)
    main = image.with_suffix(".main.o")  # it calls the bench, which calls the controller
    _run([f"{AVR.tools}-gcc", *AVR.flags, *flags, "-Dcoldloop_tick=bench_tick", f"-I{export}",
          "-c", str(export / "main.c"), "-o", str(main)])  # fmt: skip
    others = [path for path in sources if path.name != "main.c"]
    return build_image(AVR, [main, *others, *bench], [export, AVR_FOLDER.parent], image, flags)


def symbol_address(part: Part, image: Path, name: str) -> int:
    """Return the address of a symbol of an image.

    Raises
    ------
    KeyError
        When it has no such symbol.
    """
    for line in _run([f"{part.tools}-nm", str(image)]).splitlines():
        words = line.split()
        if len(words) == 3 and words[2] == name:
            return int(words[0], 16)
    raise KeyError(name)


def end_of_variables(image: Path) -> int:
    """Return the first RAM address of an AVR after its variables."""
    return symbol_address(AVR, image, "_end") - AVR_RAM_START


def footprint(part: Part, image: Path) -> Footprint:
    """Return what an image takes of a part.

    The stack is looked at on the AVR only: there every byte counts.

    Raises
    ------
    NoBound
        When the image's calls have no bound (see `ctrl.avr_stack`).
    """
    text, data, bss = map(int, _run([f"{part.tools}-size", str(image)]).splitlines()[1].split()[:3])
    if part.tools != AVR.tools:
        return Footprint(text + data, data + bss)
    listing = _run([f"{part.tools}-objdump", "-d", str(image)])
    stack, deepest = stack_bound(functions_of(listing))
    return Footprint(text + data, data + bss, stack, deepest)


__all__ = [
    "ARM",
    "AVR",
    "AVR_SIZE",
    "NO_STATUS",
    "DoesNotBuild",
    "Footprint",
    "NoBound",
    "NoTools",
    "Part",
    "build_bench",
    "build_export",
    "build_image",
    "end_of_variables",
    "footprint",
    "symbol_address",
]
