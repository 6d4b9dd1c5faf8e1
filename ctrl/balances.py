"""Whether what is stored agrees with what crossed the boundary: energy and water of a run."""

import numpy as np

from plant import cabinet


def energy_residual(record: np.record, start: np.ndarray, end: np.ndarray) -> float:
    """Return stored less booked energy over the energy that crossed the boundary [-]."""
    stored = cabinet.stored_energy_j(record, end) - cabinet.stored_energy_j(record, start)
    booked = end[cabinet.HEAT_IN] - start[cabinet.HEAT_IN]
    through = end[cabinet.THROUGHPUT] - start[cabinet.THROUGHPUT]
    return float((stored - booked) / max(through, 1.0))


def water_residual(start: np.ndarray, end: np.ndarray) -> float:
    """Return stored less booked water over the water in the cabinet and through it [-]."""
    stored = cabinet.stored_water_kg(end) - cabinet.stored_water_kg(start)
    entered = end[cabinet.WATER_IN] - start[cabinet.WATER_IN]
    drained = end[cabinet.WATER_OUT] - start[cabinet.WATER_OUT]
    through = abs(entered) + drained + cabinet.stored_water_kg(end)
    return float((stored - entered + drained) / max(through, 1e-9))
