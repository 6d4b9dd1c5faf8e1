"""One recommendation that several test modules look at, worked out once a session."""

import os
import pickle
from functools import cache
from pathlib import Path

from ctrl.config import load_config
from ctrl.recommend import Recommendation, recommend

# Where the processes of one session share it (set by conftest.py); of one process, no need.
SHARED = "COLDLOOP_TESTS_SHARE"


@cache
def recommended_larder() -> Recommendation:
    """Return the recommendation for a shipped cabinet that can hold its target."""
    folder = os.environ.get(SHARED)
    if folder is None:
        return recommend(load_config("galley_larder"))
    path = Path(folder) / "galley_larder.pickle"
    if path.exists():
        return pickle.loads(path.read_bytes())
    found = recommend(load_config("galley_larder"))
    # Whole or not at all: another process may look at any time, or be at the same work.
    draft = path.with_suffix(f".{os.getpid()}")
    draft.write_bytes(pickle.dumps(found))
    draft.replace(path)
    return found
