"""What a supply does when more is asked of it than it gives.

`constant current` lets its voltage fall and holds the current: that is in the drive's
own equations.  `hiccup` cuts out, waits, and tries again; `latch off` cuts out until the
power is taken away and comes back.  Either takes the whole cabinet down with it: module,
fans, and the firmware, which then starts afresh.
"""

from math import ceil

import numpy as np

from plant import drive
from plant.compiled import kernel

# Words of the supply's state, whole numbers.
WAIT_TICKS = 0  # ticks left of a pause
LATCHED = 1  # 1 once latched off
CUT_OUTS = 2  # how often it has cut out
STARTS = 3  # how often the module has been switched on
WAS_ON = 4  # 1 if it was on in the tick before
SUPPLY_WORDS = 5

# What the cabinet gets from the supply in a tick.
NO_POWER, LIVE, CUT_OUT = 0, 1, 2


def new_supply_state() -> np.ndarray:
    """Return the state, shape (SUPPLY_WORDS,), of a supply just switched on."""
    return np.zeros(SUPPLY_WORDS, dtype=np.int64)


@kernel
def supply_tick(words, powered):
    """Return NO_POWER, LIVE or CUT_OUT for this tick, and let a pause run down.

    Taking the power away clears a latch and a pause.
    """
    if not powered:
        words[WAIT_TICKS] = 0
        words[LATCHED] = 0
        return NO_POWER
    if words[LATCHED] == 1:
        return CUT_OUT
    if words[WAIT_TICKS] > 0:
        words[WAIT_TICKS] -= 1
        return CUT_OUT
    return LIVE


@kernel
def cuts_out(the_drive, words, wanted_a, tick_s):
    """Tell whether the supply cuts out at a wanted current [A], and note its pause or latch.

    The tick it cuts out in is the first of the pause.
    """
    if the_drive.protection == drive.CONSTANT_CURRENT or wanted_a <= the_drive.current_limit_a:
        return False
    words[CUT_OUTS] += 1
    if the_drive.protection == drive.LATCH_OFF:
        words[LATCHED] = 1
    else:
        words[WAIT_TICKS] = int(ceil(the_drive.hiccup_s / tick_s - 1e-9)) - 1
    return True


@kernel
def count_start(words, duty):
    """Count the module's starts: from no duty to some, either way."""
    on = 1 if duty != 0.0 else 0
    if on == 1 and words[WAS_ON] == 0:
        words[STARTS] += 1
    words[WAS_ON] = on
