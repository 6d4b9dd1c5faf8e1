"""Recommendations that several tests look at, worked out once a session."""

import os
import pickle
from functools import cache
from pathlib import Path

from ctrl.config import load_config
from ctrl.recommend import Recommendation, recommend

# Where the processes of one session share them (set by conftest.py); of one process, no need.
SHARED = "COLDLOOP_TESTS_SHARE"


@cache
def with_stages(name: str) -> tuple[Recommendation, list[str]]:
    """Return (recommendation for a shipped config, stages told on the way)."""
    folder = os.environ.get(SHARED)
    path = Path(folder or ".") / f"{name}.pickle"
    if folder is not None and path.exists():
        return pickle.loads(path.read_bytes())
    told: list[str] = []
    found = recommend(load_config(name), progress=told.append)
    if folder is not None:
        # Whole or not at all: another process may look at any time, or be at the same work.
        draft = path.with_suffix(f".{os.getpid()}")
        draft.write_bytes(pickle.dumps((found, told)))
        draft.replace(path)
    return found, told


def recommended_larder() -> Recommendation:
    """Return the recommendation for a shipped cabinet that can hold its target."""
    return with_stages("galley_larder")[0]
