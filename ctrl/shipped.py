"""Find the shipped configurations, in the checkout and in an installed package."""

from pathlib import Path

from plant.presets import nearest_name

HERE = Path(__file__).resolve().parent


def shipped_folder() -> Path:
    """Return the folder of shipped configurations.

    In an installed package the top-level folder ``configs`` is mapped into
    ``ctrl``; in the checkout it stands beside it.
    """
    packed = HERE / "configs"
    return packed if packed.is_dir() else HERE.parent / "configs"


def shipped_names() -> tuple[str, ...]:
    """Return the names of the shipped configurations, sorted, without ``.toml``."""
    return tuple(sorted(path.stem for path in shipped_folder().glob("*.toml")))


def shipped_path(name: str) -> Path | None:
    """Return the file of a shipped configuration (``.toml`` may be written), or None."""
    stem = name.removesuffix(".toml")
    return shipped_folder() / f"{stem}.toml" if stem in shipped_names() else None


def find_config(path_or_name: str | Path) -> Path:
    """Return the file meant: an existing file wins over a shipped name.

    A name that is neither comes back as a plain path, for the reader to refuse.
    """
    path = Path(path_or_name)
    try:
        is_file = path.is_file()
    except (OSError, ValueError):  # a name the system cannot hold
        return path
    return path if is_file else shipped_path(str(path_or_name)) or path


def find_log(path_or_name: str) -> Path:
    """Return the log meant: an existing file wins over a shipped one's name."""
    path = Path(path_or_name)
    try:
        if path.exists() or path.name != path_or_name or path.suffix != ".csv":
            return path
    except (OSError, ValueError):  # a name the system cannot hold
        return path
    shipped = shipped_folder() / path.name
    return shipped if shipped.is_file() else path


def nearest_shipped(path_or_name: str | Path) -> str | None:
    """Return the shipped name closest in spelling, or None."""
    return nearest_name(Path(path_or_name).name.removesuffix(".toml"), shipped_names())
