"""The table [twin]: what a log of the real cabinet told of its parts, written by `calibrate`."""

from typing import Annotated, Any

import numpy as np
from pydantic import BeforeValidator, Field

from ctrl.config_fields import REQUIRED, Fault, Section, quantity, words
from ctrl.twin import PARTS


def _frozen(value: Any) -> Any:
    return tuple(value) if isinstance(value, list) else value


# A config is frozen and can be hashed: what a file has as lists are tuples in it.
Words = Annotated[tuple[str, ...], BeforeValidator(_frozen)]
Numbers = Annotated[tuple[float, ...], BeforeValidator(_frozen)]


def _times(what: str) -> Any:
    return quantity(None, 0.05, 20, "", f"{what}, times what the tables above give", "not told")


def _times_se(what: str) -> Any:
    return quantity(None, 0, 10, "", f"standard error of {what}", "not told")


def _offset(what: str) -> Any:
    return quantity(None, -20, 20, "K", f"by how much {what} is too high", "not told")


def _offset_se(what: str) -> Any:
    return quantity(None, 0, 20, "K", f"standard error of the offset of {what}", "not told")


class Twin(Section):
    """What a log of the real cabinet told of its parts; written by calibrate."""

    log_name: str = words(REQUIRED, "log that it was calibrated from", 200)
    log_sha256: str = words(REQUIRED, "digest of that log", 64)
    not_told: Words = Field(
        default=(),
        description="values below that the log did not tell: the config's own, by part",
        json_schema_extra={"unit": "", "origin": "none: all were told"},
    )
    at_bound: Words = Field(
        default=(),
        description="values below that stand at the end of the search: not known either, by part",
        json_schema_extra={"unit": "", "origin": "none: each was found within the search"},
    )
    distrust: Words = Field(
        default=(),
        description="why this twin is not to be trusted; written all the same, by --untrusted",
        json_schema_extra={"unit": "", "origin": "none: nothing speaks against it"},
    )
    hot_sink_times: float | None = _times("hot sink's K/W")
    hot_sink_times_error: float | None = _times_se("hot sink's K/W")
    hot_still_times: float | None = _times("hot sink's K/W without fan, besides")
    hot_still_times_error: float | None = _times_se("hot sink's K/W without fan, besides")
    hot_joint_times: float | None = _times("hot joint's K/W")
    hot_joint_times_error: float | None = _times_se("hot joint's K/W")
    cold_sink_times: float | None = _times("cold sink's K/W")
    cold_sink_times_error: float | None = _times_se("cold sink's K/W")
    cold_still_times: float | None = _times("cold sink's K/W without fan, besides")
    cold_still_times_error: float | None = _times_se("cold sink's K/W without fan, besides")
    cold_joint_times: float | None = _times("cold joint's K/W")
    cold_joint_times_error: float | None = _times_se("cold joint's K/W")
    foam_times: float | None = _times("foam's W/K")
    foam_times_error: float | None = _times_se("foam's W/K")
    leaks_times: float | None = _times("seal, metal, leaks")
    leaks_times_error: float | None = _times_se("seal, metal, leaks")
    seebeck_times: float | None = _times("module's Seebeck coefficient")
    seebeck_times_error: float | None = _times_se("module's Seebeck coefficient")
    resistance_times: float | None = _times("module's resistance")
    resistance_times_error: float | None = _times_se("module's resistance")
    conductance_times: float | None = _times("module's conductance")
    conductance_times_error: float | None = _times_se("module's conductance")
    contents_film_times: float | None = _times("film of the contents")
    contents_film_times_error: float | None = _times_se("film of the contents")
    contents_capacity_times: float | None = _times("heat capacity of the contents")
    contents_capacity_times_error: float | None = _times_se("heat capacity of the contents")
    hot_capacity_times: float | None = _times("heat capacity of the hot sink")
    hot_capacity_times_error: float | None = _times_se("heat capacity of the hot sink")
    cold_capacity_times: float | None = _times("heat capacity of the cold sink")
    cold_capacity_times_error: float | None = _times_se("heat capacity of the cold sink")
    wall_capacity_times: float | None = _times("heat capacity of the walls")
    wall_capacity_times_error: float | None = _times_se("heat capacity of the walls")
    air_lag_times: float | None = _times("lag of the air's sensor")
    air_lag_times_error: float | None = _times_se("lag of the air's sensor")
    cold_lag_times: float | None = _times("lag of the cold sink's sensor")
    cold_lag_times_error: float | None = _times_se("lag of the cold sink's sensor")
    hot_lag_times: float | None = _times("lag of the hot sink's sensor")
    hot_lag_times_error: float | None = _times_se("lag of the hot sink's sensor")
    air_offset_k: float | None = _offset("the air's reading")
    air_offset_error_k: float | None = _offset_se("the air's reading")
    cold_offset_k: float | None = _offset("the cold sink's reading")
    cold_offset_error_k: float | None = _offset_se("the cold sink's reading")
    hot_offset_k: float | None = _offset("the hot sink's reading")
    hot_offset_error_k: float | None = _offset_se("the hot sink's reading")
    contents_offset_k: float | None = _offset("the contents' reading")
    contents_offset_error_k: float | None = _offset_se("the contents' reading")
    ambient_offset_k: float | None = _offset("the room's reading")
    ambient_offset_error_k: float | None = _offset_se("the room's reading")
    correlations: Numbers = Field(
        default=(),
        description="of the values above in their order, row by row below the diagonal",
        json_schema_extra={"unit": "", "origin": "none: the errors are independent"},
    )

    @property
    def values(self) -> dict[str, float]:
        """Values by the parts' names: factors, and offsets [K]."""
        found = {part.name: getattr(self, part.key) for part in PARTS}
        return {name: value for name, value in found.items() if value is not None}

    @property
    def unknown(self) -> frozenset[str]:
        """Parts whose value the log did not tell, or that stopped at the end of the search."""
        return frozenset((*self.not_told, *self.at_bound))

    @property
    def errors(self) -> dict[str, float]:
        """Standard errors by the parts' names, in the order of `values`."""
        found = {part.name: getattr(self, error_key(part.key)) for part in PARTS}
        return {name: found[name] or 0.0 for name in self.values}

    @property
    def correlation(self) -> np.ndarray:
        """Correlations of the values, shape (n, n), in the order of `values`."""
        count = len(self.values)
        matrix = np.eye(count)
        if self.correlations:
            below = np.tril_indices(count, -1)
            matrix[below] = self.correlations
            matrix = matrix + matrix.T - np.eye(count)
        return matrix

    def faults(self) -> list[Fault]:
        """Check that each value has its error, and the correlations fit the values."""
        found = [
            (error_key(part.key), f"it to be stated beside {part.key}")
            for part in PARTS
            if getattr(self, part.key) is not None and getattr(self, error_key(part.key)) is None
        ]
        for key in ("not_told", "at_bound"):
            strange = [name for name in getattr(self, key) if name not in self.values]
            if strange:
                found.append((key, f"parts of this table, such as hot_sink, not {strange[0]}"))
        count = len(self.values)
        wanted = count * (count - 1) // 2
        if self.correlations and len(self.correlations) != wanted:
            found.append(("correlations", f"{wanted} numbers for {count} values, or none"))
        elif self.correlations and np.linalg.eigvalsh(self.correlation)[0] < -1e-3:
            found.append(("correlations", "correlations that can be (no negative eigenvalue)"))
        return found


def error_key(key: str) -> str:
    """Return the key of a value's standard error."""
    return f"{key}_error" if key.endswith("_times") else f"{key.removesuffix('_k')}_error_k"
