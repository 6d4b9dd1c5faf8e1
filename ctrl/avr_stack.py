"""The deepest stack an AVR image can need, from its own disassembly.

Each function's frame and calls are read from what `avr-objdump -d` shows, so code of the
compiler's own library counts too.  The deepest path through the calls is a bound: a run can
only show a stack that is as deep or shallower.  Recursion and calls through pointers have no
bound, and are refused.
"""

import re
from dataclasses import dataclass, field

RETURN_ADDRESS_BYTES = 2  # of a part with up to 128 KiB of flash
CALL_SAVED = 18  # registers that the shared prologue can save

_LABEL = re.compile(r"^[0-9a-f]+ <([^>]+)>:$")
_LINE = re.compile(r"^\s*[0-9a-f]+:\t[0-9a-f ]+\t(\w+)(?:\t([^;]*))?(?:;\s*(.*))?$")
_TARGET = re.compile(r"<([^>+]+)(?:\+(0x[0-9a-f]+))?>")


class NoBound(ValueError):
    """The image has no bound of its stack; the text says why."""


@dataclass
class Function:
    """What one function puts on the stack, and whom it calls.

    Attributes
    ----------
    name : str
        Symbol.
    frame_bytes : int
        Saved registers and locals [bytes], without the return address.
    calls, jumps : set of str
        Functions called, and functions gone on to with the frame given back.
    """

    name: str
    frame_bytes: int = 0
    calls: set[str] = field(default_factory=set)
    jumps: set[str] = field(default_factory=set)


@dataclass(frozen=True)
class _Instruction:
    word: str
    operands: str
    target: str  # symbol that a call or jump names, "" for none
    offset: int  # bytes past that symbol


def _instructions(listing: str) -> dict[str, list[_Instruction]]:
    functions: dict[str, list[_Instruction]] = {}
    name = ""
    for line in listing.splitlines():
        label = _LABEL.match(line)
        if label:
            name = label.group(1)
            functions[name] = []
            continue
        found = _LINE.match(line)
        if found is None or not name:
            continue
        target = _TARGET.search(f"{found.group(2) or ''} {found.group(3) or ''}")
        functions[name].append(
            _Instruction(
                word=found.group(1),
                operands=(found.group(2) or "").strip(),
                target=target.group(1) if target else "",
                offset=int(target.group(2) or "0", 16) if target else 0,
            )
        )
    return functions


def _immediate(operands: str, register: str) -> int | None:
    found = re.match(rf"{register}, (0x[0-9a-fA-F]+)", operands)
    return int(found.group(1), 16) if found else None


def _locals_bytes(code: list[_Instruction]) -> int:
    """Return the room made for locals: what is taken from r29:r28 before SP is set to it."""
    low = high = 0
    for item in code:
        if item.word == "sbiw" and item.operands.startswith("r28"):
            return _immediate(item.operands, "r28") or 0
        if item.word == "subi" and item.operands.startswith("r28"):
            low = _immediate(item.operands, "r28") or 0
        if item.word == "sbci" and item.operands.startswith("r29"):
            high = _immediate(item.operands, "r29") or 0
        if item.word == "out" and item.operands.startswith("0x3d"):
            return 256 * high + low
        if item.word in ("ret", "reti"):
            return 0
    return 0


def _shared_prologue(code: list[_Instruction], at: int) -> int:
    """Return the bytes that a jump into `__prologue_saves__` puts on the stack."""
    frame = 0
    for item in code[max(0, at - 6) : at]:
        for register, factor in (("r26", 1), ("r27", 256)):
            value = _immediate(item.operands, register) if item.word == "ldi" else None
            frame += factor * (value or 0)
    return frame + CALL_SAVED - code[at].offset // 2


def _function(name: str, code: list[_Instruction], after: str) -> Function:
    made = Function(name)
    takes_frame = any(item.word == "in" and item.operands == "r28, 0x3d" for item in code)
    if takes_frame:
        made.frame_bytes += _locals_bytes(code)
    for at, item in enumerate(code):
        if item.word == "push":
            made.frame_bytes += 1
        elif item.word == "rcall" and item.operands == ".+0":
            made.frame_bytes += RETURN_ADDRESS_BYTES  # room for locals, not a call
        elif item.word in ("icall", "ijmp", "eicall", "eijmp"):
            if name not in ("__prologue_saves__", "__tablejump2__"):
                raise NoBound(f"{name} calls through a pointer")
        elif item.word in ("call", "rcall"):
            made.calls.add(item.target)
        elif item.target == "__prologue_saves__":
            made.frame_bytes += _shared_prologue(code, at)
        elif item.target in ("__epilogue_restores__", "__vectors"):  # back, or a reset
            pass
        elif item.target and item.target != name and item.word[:2] in ("jm", "rj", "br"):
            made.jumps.add(item.target)
    if after and (not code or code[-1].word not in ("ret", "reti", "jmp", "rjmp", "ijmp")):
        made.jumps.add(after)  # falls through, as the compiler's library does
    return made


def functions_of(listing: str) -> dict[str, Function]:
    """Return the functions of an image by name.

    Parameters
    ----------
    listing : str
        What `avr-objdump -d` writes.

    Raises
    ------
    NoBound
        When a function calls through a pointer.
    """
    codes = _instructions(listing)
    names = [*codes, ""]
    return {
        name: _function(name, code, names[position + 1])
        for position, (name, code) in enumerate(codes.items())
    }


def stack_bound(functions: dict[str, Function], root: str = "main") -> tuple[int, tuple[str, ...]]:
    """Return the most bytes below `root`'s caller, and the calls that need them.

    Parameters
    ----------
    functions : dict
        Of `functions_of`.
    root : str
        Where the deepest path starts; its own return address counts.

    Returns
    -------
    int, tuple of str
        Bytes [bytes] and the names on the deepest path.

    Raises
    ------
    NoBound
        When a function can call itself.
    """
    known: dict[str, tuple[int, tuple[str, ...]]] = {}

    def deepest(name: str, path: tuple[str, ...]) -> tuple[int, tuple[str, ...]]:
        if name in path:
            raise NoBound(f"{name} can call itself")
        if name not in functions:
            return 0, (name,)
        if name not in known:
            made = functions[name]
            below = 0
            way: tuple[str, ...] = ()
            for callee in sorted(made.calls):
                bytes_, names = deepest(callee, (*path, name))
                if bytes_ + RETURN_ADDRESS_BYTES >= below:
                    below, way = bytes_ + RETURN_ADDRESS_BYTES, names
            most, names = made.frame_bytes + below, way
            for callee in sorted(made.jumps - {name}):
                if callee in path:
                    continue  # a loop across the library's labels, not a call
                bytes_, ahead = deepest(callee, (*path, name))
                if bytes_ > most:
                    most, names = bytes_, ahead
            known[name] = most, (name, *names)
        return known[name]

    bytes_, names = deepest(root, ())
    return bytes_ + RETURN_ADDRESS_BYTES, names
