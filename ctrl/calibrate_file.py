"""A twin as a file: the config's own text with a table [twin] at its end."""

import json
import re

import numpy as np

from ctrl.calibrate import Calibration
from ctrl.config import Config, parse_config
from ctrl.config_twin import error_key
from ctrl.shipped import find_config

TABLE = re.compile(r"^[ \t]*\[twin\][^\n]*\n(?:(?![ \t]*\[)[^\n]*(?:\n|\Z))*", re.MULTILINE)
HEAD = "# What a log of the real cabinet told; written by coldloop calibrate. Not told: as above."


def config_text(config: Config) -> str:
    """Return the text of a config's file without a former twin."""
    text = find_config(config.source).read_text(encoding="utf-8-sig")
    return TABLE.sub("", text.replace(HEAD + "\n", "")).rstrip() + "\n"


def _correlation_rows(matrix: np.ndarray) -> str:
    rows = [
        "    " + ", ".join(f"{value:.3f}" for value in matrix[k, :k]) + ","
        for k in range(1, matrix.shape[0])
    ]
    return (
        "correlations = [  # row by row below the diagonal, in the order above\n"
        + "\n".join(rows)
        + "\n]\n"
    )


def twin_table(found: Calibration) -> str:
    """Return the table [twin] as text."""
    name = re.sub(r'["\\\x00-\x1f]', "?", found.log.name)[:200]
    lines = [HEAD, "[twin]", f'log_name = "{name}"', f'log_sha256 = "{found.log.sha256}"']
    ends = [item for item in found.estimates if item.at_bound]
    for key, items in (("not_told", found.untold), ("at_bound", ends)):
        if items:
            names = ", ".join(f'"{item.name}"' for item in items)
            lines.append(f"{key} = [{names}]")
    if found.distrust:
        texts = ", ".join(json.dumps(text, ensure_ascii=False) for text in found.distrust)
        lines.append(f"distrust = [{texts}]")
    for item in found.estimates:
        told = "" if item.told else "; not told by the log"
        told = "; at a bound of the search" if item.at_bound else told
        lines.append(f"{item.key} = {item.value:.5g}  # {item.words}{told}")
        lines.append(f"{error_key(item.key)} = {item.error:.3g}")
    return "\n".join(lines) + "\n" + _correlation_rows(found.correlation)


def twin_text(found: Calibration) -> str:
    """Return the twin's file, checked by reading it back.

    Raises
    ------
    ConfigError
        When a value is outside what a config takes, which names it.
    """
    text = config_text(found.config) + "\n" + twin_table(found)
    parse_config(text, "the twin")
    return text
