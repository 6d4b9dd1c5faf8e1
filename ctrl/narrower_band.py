"""A thermostat's band narrowed until the contents stay within their limits in every room.

The band is tuned in the usual room.  In a hot room the module is on for most of the time: the
reading then dwells near the lower end of a wide band, and the contents' mean with it.  A
narrower band mends that and costs switchings; where even the narrowest does not, it says so.
"""

from dataclasses import replace

from ctrl.bands import Thermostat, decided_band, narrowest_band_k, relay_config
from ctrl.build import humidity_at
from ctrl.candidates import Candidate
from ctrl.cases import COLD_SIDE, OF_THE_CONTENTS, limits_found, run_case
from ctrl.config import Config
from ctrl.tuning import OnOffTuning

# Limits that a band can break or mend; of the hot side and the fins it decides nothing.
OF_THE_BAND = OF_THE_CONTENTS
BISECTIONS = 4
RESOLUTION_K = 0.1


def broken_by(config: Config, candidate: Candidate, room: str, seed: int) -> tuple[str, ...]:
    """Return which limits that depend on the band fail in a room: "usual", "worst", "coldest".

    A room colder than the target is left out of the cold side, as `cases.judge` leaves it.
    """
    ambient_c = getattr(config.climate, f"{room}_c")
    run = run_case(
        config, candidate.plant, candidate.settings, ambient_c, humidity_at(config, ambient_c),
        seed=seed, run=0,
    )  # fmt: skip
    cold_room = run.findings.ambient_c.mean < config.use.target_c
    failed = [x.name for x in limits_found(config, run.plant, run.findings, room) if not x.kept]
    counted = [x for x in failed if x in OF_THE_BAND and not (cold_room and x == COLD_SIDE)]
    return tuple(counted)


def with_band(candidate: Candidate, hysteresis_k: float) -> Candidate:
    """Return the candidate with another band [K]."""
    return replace(candidate, settings=replace(candidate.settings, hysteresis_k=hysteresis_k))


def simulated_band(config: Config, candidate: Candidate, seed: int) -> Candidate:
    """Return the candidate with its band decided by simulation where the closed form is off.

    Within 10 % of period and swing, and with the contact's wanted life, it comes back as is.
    """
    if candidate.controller != "on_off" or candidate.on_off is None or candidate.drive != "relay":
        return candidate
    thermostat = Thermostat(relay_config(config), candidate.plant, candidate.settings, seed)
    point, why = decided_band(config, candidate, thermostat, thermostat.switched())
    told = replace(candidate, on_off=_told(candidate, why))
    return with_band(told, point.hysteresis_k)


def narrowed(config: Config, candidate: Candidate, seed: int) -> Candidate:
    """Return the candidate with the widest band that keeps the contents' limits in every room.

    Any other law, and a band that already keeps them, comes back unchanged; a band that
    cannot mend them stays as it is, with a note that says which limit fails in which room.
    """
    if candidate.controller != "on_off" or candidate.on_off is None:
        return candidate
    least_k = narrowest_band_k(config)
    for room in ("worst", "usual"):
        broken = broken_by(config, candidate, room, seed)
        if not broken or candidate.settings.hysteresis_k <= least_k:
            continue
        still = broken_by(config, with_band(candidate, least_k), room, seed)
        if still and not set(still) & {COLD_SIDE, "contents coldest"}:
            continue  # too warm at any band: the module's lack, and the verdict says so
        if still:
            lost = ", ".join(still)
            why = f"even a band of {least_k:g} K does not keep: {lost} ({room} room)"
            return replace(candidate, on_off=_told(candidate, candidate.decided_by + "; " + why))
        band_k = _widest(config, candidate, room, seed, least_k)
        was_k = candidate.settings.hysteresis_k
        why = f"{', '.join(broken)} in the {room} room: narrowed from {was_k:g} K"
        candidate = with_band(replace(candidate, on_off=_told(candidate, why)), band_k)
    return candidate


def _told(candidate: Candidate, why: str) -> OnOffTuning | None:
    return None if candidate.on_off is None else replace(candidate.on_off, decided_by=why)


def _widest(config: Config, candidate: Candidate, room: str, seed: int, kept_k: float) -> float:
    """Return the widest band that keeps the limits in a room [K], by bisection from above."""
    low, high = kept_k, candidate.settings.hysteresis_k
    for _ in range(BISECTIONS):
        if high - low <= RESOLUTION_K:
            break
        middle = round(0.5 * (low + high), 1)
        broken = broken_by(config, with_band(candidate, middle), room, seed)
        low, high = (low, middle) if broken else (middle, high)
    return low
