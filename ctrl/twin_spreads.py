"""A twin's errors, in place of the parts' tolerances, as independent shares."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from ctrl.config import Config
from ctrl.config_twin import error_key
from ctrl.twin import BY_NAME, LUMPED, applied
from plant.cabinet import Plant


@dataclass(frozen=True)
class TwinSpread:
    """One independent share of the twin's errors; `change` takes it in standard normal units."""

    name: str
    part: str
    key: str
    change: Callable[[Plant, float], Plant]


def carried(config: Config) -> list[str]:
    """Return the names of the twin's values that mean something for this cabinet."""
    assert config.twin is not None
    place = config.sensor.place
    left_out = set() if place == "air" else {"air_lag", "air_offset"}
    if place != "contents":
        left_out.add("contents_offset")
    return [name for name in config.twin.values if name not in left_out]


def replaced_parts(config: Config) -> set[str]:
    """Return the parts, as tolerances name them, whose tolerance the twin stands for."""
    return {BY_NAME[name].part for name in carried(config)}


def measured_words(config: Config) -> list[str]:
    """Return what a screen says of a twin: what was measured and what was not; [] without one."""
    if config.twin is None:
        return []
    ends, unknown = set(config.twin.at_bound), config.twin.unknown
    told = [
        BY_NAME[name].words
        for name in config.twin.values
        if name not in unknown and name not in LUMPED
    ]
    lumps = [BY_NAME[name].words for name in LUMPED if name in set(config.twin.values) - unknown]
    rest = [BY_NAME[name].words for name in config.twin.values if name in unknown - ends]
    stuck = [BY_NAME[name].words for name in config.twin.values if name in ends]
    found = [f"Measured, from {config.twin.log_name}: {', '.join(told) or 'nothing'}. Draws take "
             "the standard errors in place of the parts' tolerances."]  # fmt: skip
    if lumps:
        found.append("Fitted as the model's one node needs it, no measure of the part by itself: "
                     f"{', '.join(lumps)}.")  # fmt: skip
    if rest:
        found.append(f"Not told by it, as the rest of the file says: {', '.join(rest)}.")
    if stuck:
        found.append(f"At the end of the search, so not known either: {', '.join(stuck)}.")
    if config.twin.distrust:
        found.insert(0, f"This twin is not to be trusted: {'. '.join(config.twin.distrust)}.")
    return found


def twin_spreads(config: Config) -> list[TwinSpread]:
    """Return the twin's errors as independent shares, by Cholesky's factor of their covariance.

    The first share moves the first value and all that hangs together with it; each further
    share is what the ones before leave open.
    """
    assert config.twin is not None
    values, errors = config.twin.values, config.twin.errors
    names = list(values)
    sd = np.array([
        errors[name] / values[name] if BY_NAME[name].is_factor else errors[name] for name in names
    ])  # fmt: skip
    correlation = config.twin.correlation
    # Rounded to three digits it may have lost its last positive eigenvalue.
    lift = max(0.0, 1e-6 - float(np.linalg.eigvalsh(correlation)[0]))
    root = np.linalg.cholesky((correlation + lift * np.eye(len(names))) / (1.0 + lift))
    kept = [names.index(name) for name in carried(config)]
    found = []
    for k in range(len(names)):
        moves = {names[j]: float(sd[j] * root[j, k]) for j in kept if abs(root[j, k]) > 1e-4}
        if not moves:
            continue

        def change(plant: Plant, z: float, moves: dict[str, float] = moves) -> Plant:
            return applied(
                plant, {name: BY_NAME[name].stated(by * z) for name, by in moves.items()}
            )

        part = BY_NAME[names[k]]
        found.append(TwinSpread(part.words, part.part, f"twin.{error_key(part.key)}", change))
    return found
