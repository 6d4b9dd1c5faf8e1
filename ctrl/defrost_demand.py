"""Defrost on demand: ice shows as a larger air-to-sink difference at equal duty.

Ice narrows the gaps and lies between fins and air, so the sink must be colder for the same
cooling.  Cooling goes with duty: differences are compared within bands of an eighth of full
duty, and in proportion to the duty within a band.  What is clean is learnt in the time after
a melt that ended warm; a band never seen clean is never judged.

Start when the difference has grown by 30 to 50 %: engineering suggestion, from memory; the
share is a setting.
"""

from ctrl.fixed_point import NO_SENSOR, Words, add_sat, clamp, div_round, sub_sat
from plant.compiled import kernel

# Settings: index within the defrost block, after those of the timed plan.
D_SHARE = 7
D_LEARN = 8
D_SETTLE = 9

# State: index within the defrost block.
M_HELD = 2
M_MEAN = 7
M_BAND = 8
M_STEADY = 9
M_CLEAN = 10
BANDS = 9  # 0 (hardly any duty: not judged) to 8 (full duty)

BAND_PERMILLE = 125
SCALE = 16  # parts of 1/100 K that the mean keeps
MEAN_TICKS = 64  # of the running mean
LEARN_TICKS = 256  # of the running mean of what is clean
MOST_C100 = 32000


@kernel
def reset_demand(state: Words, sat: int) -> None:
    """Forget what was learnt."""
    state[sat + M_MEAN] = 0
    state[sat + M_BAND] = 0
    state[sat + M_STEADY] = 0
    for band in range(BANDS):
        state[sat + M_CLEAN + band] = 0


@kernel
def _follow(state: Words, sat: int, difference_c100: int, duty_permille: int) -> None:
    """Take one reading into the running mean of difference over duty, anew in a new band."""
    band = div_round(duty_permille, BAND_PERMILLE)
    at_full = div_round(clamp(difference_c100, 0, MOST_C100) * 1000, clamp(duty_permille, 1, 1000))
    seen = clamp(at_full, 0, MOST_C100) * SCALE
    if band != state[sat + M_BAND]:
        state[sat + M_BAND] = band
        state[sat + M_STEADY] = 0
        state[sat + M_HELD] = 0
    # Until the sink has settled at this duty, its latest reading is all that counts.
    if state[sat + M_STEADY] == 0:
        state[sat + M_MEAN] = seen
    else:
        step = div_round(seen - state[sat + M_MEAN], MEAN_TICKS)
        state[sat + M_MEAN] = state[sat + M_MEAN] + step
    state[sat + M_STEADY] = add_sat(state[sat + M_STEADY], 1)


@kernel
def has_grown(
    settings: Words,
    at: int,
    state: Words,
    sat: int,
    difference_c100: int,
    duty_permille: int,
    clean_ticks: int,
    hold_ticks: int,
) -> int:
    """Watch one tick of running; return 1 when the difference has grown by the stated share.

    Parameters
    ----------
    settings, state : ndarray of int64, shape (n,)
        Words that hold the plan and its state; the state is changed.
    at, sat : int
        Where the plan and its state begin [-].
    difference_c100 : int
        Control less cold-sink reading, or NO_SENSOR [1/100 K].
    duty_permille : int
        Duty of the last tick [1/1000].
    clean_ticks : int
        Ticks since a melt that ended warm, -1 if the last did not [ticks].
    hold_ticks : int
        How long it must have grown [ticks].

    Returns
    -------
    int
        1 when a melt is due [-].
    """
    if difference_c100 == NO_SENSOR:
        state[sat + M_STEADY] = 0
        state[sat + M_HELD] = 0
        return 0
    _follow(state, sat, difference_c100, duty_permille)
    band = state[sat + M_BAND]
    if band == 0 or state[sat + M_STEADY] < settings[at + D_SETTLE]:
        return 0
    mean, clean = state[sat + M_MEAN], state[sat + M_CLEAN + band]
    if clean_ticks >= 0 and clean_ticks <= settings[at + D_LEARN]:
        if clean == 0:
            state[sat + M_CLEAN + band] = mean
        else:
            state[sat + M_CLEAN + band] = clean + div_round(sub_sat(mean, clean), LEARN_TICKS)
        return 0
    if clean > 0 and mean >= div_round(clean * (1000 + settings[at + D_SHARE]), 1000):
        state[sat + M_HELD] = add_sat(state[sat + M_HELD], 1)
    else:
        state[sat + M_HELD] = 0
    if state[sat + M_HELD] >= hold_ticks:
        return 1
    return 0
