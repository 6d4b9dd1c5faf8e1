"""What every object of `--json` begins with, and how it tells a value that does not exist."""

from typing import Any

from ctrl.config import Config

Object = dict[str, Any]
REASON = "_reason"


def or_why(key: str, value: Any, reason: str) -> Object:
    """Return the key with its value, or with null and the reason."""
    return {key: value} if value is not None else {key: None, key + REASON: reason}


def opening(command: str, config: Config, version: str) -> Object:
    return {
        "command": command,
        "version": version,
        "config": config.source,
        "cabinet": config.cabinet.name,
        "target_c": config.use.target_c,
    }


# Findings and simulate -----------------------------------------------------------------
