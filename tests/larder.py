"""One recommendation that several test modules look at, worked out once a session."""

from functools import cache

from ctrl.config import load_config
from ctrl.recommend import Recommendation, recommend


@cache
def recommended_larder() -> Recommendation:
    """Return the recommendation for a shipped cabinet that can hold its target."""
    return recommend(load_config("galley_larder"))
