"""Does a fan turn that should?  Counted from its tachometer's pulses, tick by tick.

A fan that is commanded on may take its start-up time; without a single pulse for so long it
stands still.  It counts as mended after pulses in so many ticks without such a pause between
them: a slow fan has ticks without a pulse.  The hot fan's standstill switches the module off;
the cold fan's only warns.

Five seconds to start, and to be believed again: common practice, no source.
"""

from ctrl.fixed_point import Words, add_sat
from plant.compiled import kernel

# State: index within the block.
T_STILL_TICKS = 0
T_TURNING_TICKS = 1
T_STALLED = 2
TACHOMETER_STATE_WORDS = 3


@kernel
def reset_tachometer(state: Words, sat: int) -> None:
    """Put one fan to its start: nothing counted, nothing wrong."""
    for index in range(TACHOMETER_STATE_WORDS):
        state[sat + index] = 0


@kernel
def watch_fan(
    start_ticks: int, turn_ticks: int, state: Words, sat: int, commanded: int, pulses: int
) -> None:
    """Take the pulses of one tick.

    Parameters
    ----------
    start_ticks : int
        How long it may stand still when commanded; 0: no tachometer [ticks].
    turn_ticks : int
        With pulses until it is believed again [ticks].
    state : ndarray of int64
        Words that hold this fan's state; changed.
    sat : int
        Where it begins [-].
    commanded : int
        1 when it was commanded on in the tick before [-].
    pulses : int
        Of the tachometer since the tick before [-].
    """
    if start_ticks == 0:
        return
    if commanded == 0:
        state[sat + T_STILL_TICKS] = 0
        state[sat + T_TURNING_TICKS] = 0
    elif pulses > 0:
        state[sat + T_STILL_TICKS] = 0
        state[sat + T_TURNING_TICKS] = add_sat(state[sat + T_TURNING_TICKS], 1)
        if state[sat + T_TURNING_TICKS] >= turn_ticks:
            state[sat + T_STALLED] = 0
    else:
        state[sat + T_STILL_TICKS] = add_sat(state[sat + T_STILL_TICKS], 1)
        if state[sat + T_STILL_TICKS] >= start_ticks:
            state[sat + T_TURNING_TICKS] = 0
            state[sat + T_STALLED] = 1
