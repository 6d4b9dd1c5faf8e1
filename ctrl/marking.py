"""A module by the figures on it: couples and amps, as one of the classes or scaled to them."""

import re

from plant import presets

NAME = re.compile(r"(\d+) couples ([\d.]+) A(.*)")
WORDS = re.compile(
    r"\s*(\d{1,3})\s*(?:couples|c)?[\s,;/x-]+(\d{1,2}(?:[.,]\d+)?)\s*a?(?:mp\w*)?\s*", re.I
)
# Printed in one: three digits of couples, two of amps, such as 12706 (common practice).
TOGETHER = re.compile(r"(?:.*\D)?(\d{3})(\d{2})(?:\D.*)?")
NEAR_A = 0.5
# Of a sheet at 25 C by couples and amps: 52.8 mV/K and Qmax 9.57 W/A for 127 couples, largest
# difference 68 K (worked out from four rows of one power-module sheet, 25 C).
SEEBECK_V_PER_K_COUPLE, QMAX_W_PER_A_COUPLE, DTMAX_K = 0.0528 / 127.0, 9.57 / 127.0, 68.0
FEWEST, MOST, LEAST_A, MOST_A = 7, 999, 0.3, 60.0


def parse_module(text: str) -> str:
    """Read a class by name, or a marking such as ``127 couples 6 A``, ``127 6A``, ``12706``.

    Returns
    -------
    str
        The name of a preset, else ``N couples X A`` for a sheet scaled to those.

    Raises
    ------
    ValueError
        When it names neither.
    """
    valid = presets.names("module")
    word = " ".join(text.split())
    for name in valid:
        if name.lower() == word.lower():
            return name
    found = WORDS.fullmatch(text) or TOGETHER.fullmatch(text.strip())
    if found is None:
        nearest = presets.nearest_name(word, valid)
        hint = f"; did you mean {nearest!r}?" if nearest else ""
        raise ValueError(f"couples and amps, such as 127 couples 6 A, or the marking 12706{hint}")
    couples, amps = int(found[1]), float(found[2].replace(",", "."))
    if not FEWEST <= couples <= MOST or not LEAST_A <= amps <= MOST_A:
        raise ValueError(f"{FEWEST} to {MOST} couples and {LEAST_A:g} to {MOST_A:g} A")
    return _class_near(couples, amps) or f"{couples} couples {amps:g} A"


def _class_near(couples: int, amps: float) -> str | None:
    """Return the class of these couples nearest in amps, a commodity part before a better one."""
    near = []
    for name in presets.names("module"):
        found = NAME.fullmatch(name)
        if found and int(found[1]) == couples and abs(float(found[2]) - amps) <= NEAR_A:
            near.append((abs(float(found[2]) - amps), "commodity" not in found[3], name))
    return min(near)[2] if near else None


def sheet_of(marking: str) -> tuple[presets.ModuleSheet, bool]:
    """Return the sheet of a parsed marking, and whether it is a preset's."""
    if marking in presets.names("module"):
        return presets.module(marking), True
    found = NAME.fullmatch(marking)
    if found is None:
        raise ValueError(f"{marking!r} is no marking")
    couples, amps = int(found[1]), float(found[2])
    sheet = presets.ModuleSheet(
        couples=couples,
        imax_a=amps,
        vmax_v=round(SEEBECK_V_PER_K_COUPLE * couples * 298.15, 2),
        dtmax_k=DTMAX_K,
        qmax_w=round(QMAX_W_PER_A_COUPLE * couples * amps, 2),
        sheet_hot_side_c=25.0,
        source="scaled by couples and amps from a power-module sheet, 25 C",
    )
    return sheet, False
