"""How often a drive starts from rest, told where it is too often.

A duty that hovers about nought starts and stops the module with every step of a noisy reading.
Nothing clicks, so nothing else tells of it; each start is a heat cycle of the module's joints.
"""

MOST_STARTS_PER_H = 30.0  # of a drive without contacts; common practice, no source


def cycling_words(law: str, drive: str, starts_per_h: float) -> str:
    """Return that a drive without contacts starts too often, in words; empty where it does not.

    Parameters
    ----------
    law, drive : str
        As in `ctrl.candidates.Candidate`; contacts have their own measure, their life.
    starts_per_h : float
        Of the module from rest, over a settled day [1/h].
    """
    if drive in ("relay", "slow_window") or starts_per_h <= MOST_STARTS_PER_H:
        return ""
    helps = {
        "pi": "a quieter reading or less gain; a setpoint that the room asks some duty for",
        "on_off": "a wider band or longer least times",
    }.get(law, "a wider band or a quieter reading")
    return (
        f"the drive starts from rest {starts_per_h:.0f} times an hour, more than the "
        f"{MOST_STARTS_PER_H:g} taken as the most (common practice, no source): each is a heat "
        f"cycle of the module; what helps: {helps}"
    )
