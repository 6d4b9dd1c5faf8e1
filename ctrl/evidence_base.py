"""What every outside check stands on: a shipped cabinet lends what the check does not state."""

from collections.abc import Callable
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np

from ctrl.build import plant_of
from ctrl.config import Config, build_config, load_config, plain_data
from plant import cabinet

BASE = "benchmark"  # a shipped cabinet that lends what a check does not state


def record(name: str, part: Any) -> np.record:
    """Return one part of a plant as the record that kernels read."""
    return cabinet.to_record(replace(base_plant(), **{name: part}))[name]


@cache
def base_config() -> Config:
    return load_config(BASE)


@cache
def base_plant() -> cabinet.Plant:
    return plant_of(base_config())


def config_with(**sections: dict[str, Any]) -> Config:
    return build_config(plain_data(base_config()) | sections, "outside check")


def public_functions(namespace: dict[str, Any]) -> dict[str, Callable[..., Any]]:
    """Return the public functions that a module defines itself, by name."""
    return {
        name: item
        for name, item in namespace.items()
        if getattr(item, "__module__", None) == namespace["__name__"] and not name.startswith("_")
    }
