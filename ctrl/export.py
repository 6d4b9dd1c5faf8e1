"""Write the firmware of a cabinet as a folder of C99: what `coldloop firmware` does.

The hand-written files of `ctrl/firmware_c` that these settings need, and beside them what is
written anew: the settings with their units, what is compiled in, and a README.  Same config,
same bytes: no date, no path and no random number goes in.
"""

import hashlib
import json
import os
import shutil
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from ctrl.class_b import class_b_lines
from ctrl.config import Config, plain_data
from ctrl.files import CannotWrite
from ctrl.firmware import Firmware, Settings, firmware_of
from ctrl.firmware_layout import Features, checksum_of, features_of, lay_out, pack
from ctrl.firmware_text import C_FOLDER, MAIN, comment, features_h, files_needed, settings_c
from ctrl.firmware_top import readme_of, top_lines

DIGEST_LETTERS = 16
# Every name that an export may have written.
OURS = frozenset(
    path.name for path in C_FOLDER.glob("*.[ch]") if not path.name.startswith(("link.", "maker"))
)


@dataclass(frozen=True)
class Export:
    """A firmware, ready to be written.

    Attributes
    ----------
    config : Config
    settings : Settings
        What was flashed, in a maker's units.
    firmware : Firmware
        The same in firmware units.
    features : Features
        What is compiled in.
    files : mapping of str to str
        Name and text of every file.
    digest : str
        First 16 hexadecimal digits of the SHA-256 of the config's values.
    checksum : int
        CRC-16 of the settings.
    settings_bytes : int
        Their size [bytes].
    recommended : bool
        Whether the settings were worked out, rather than written in the config.
    """

    config: Config
    settings: Settings
    firmware: Firmware
    features: Features
    files: Mapping[str, str]
    digest: str
    checksum: int
    settings_bytes: int
    recommended: bool


def config_digest(config: Config) -> str:
    """Return the digest of a config's values, defaults included, its comments not."""
    text = json.dumps(plain_data(config), sort_keys=True, ensure_ascii=True)
    return hashlib.sha256(text.encode("ascii")).hexdigest()[:DIGEST_LETTERS]


def export_of(
    config: Config, settings: Settings, *, version: str, recommended: bool,
    origins: Sequence[str] = (),
) -> Export:  # fmt: skip
    """Return the firmware of a config with these settings.

    Parameters
    ----------
    config : Config
    settings : Settings
        The config's own, or recommended ones.
    version : str
        Of this tool; it goes into the files.
    recommended : bool
        Whether the settings were worked out.
    origins : sequence of str
        Where each part of them comes from, a line each (`flashed.origin_lines`).

    Raises
    ------
    ValueError
        With one line, for a setting that does not fit the firmware.
    """
    firmware = firmware_of(config, settings)
    features = features_of(firmware.law, firmware.protection)
    block = lay_out(firmware.law, firmware.protection, features)
    packed = pack(block)
    checksum, digest = checksum_of(packed), config_digest(config)
    top = top_lines(config, firmware, version=version, digest=digest, origins=origins)
    files = {}
    for name in files_needed(features):
        text = (C_FOLDER / name).read_text(encoding="ascii")
        files[name] = comment(top) + "\n" + text if name == MAIN else text
    short = comment(top[:4])
    files["coldloop_features.h"] = short + features_h(features, len(packed))
    files["settings.c"] = settings_c(block, checksum, short)
    files["README.txt"] = readme_of(
        config, top, checksum=checksum, names=sorted([*files, "README.txt"]),
        class_b=class_b_lines(config),
    )  # fmt: skip
    return Export(
        config=config,
        settings=settings,
        firmware=firmware,
        features=features,
        files=dict(sorted(files.items())),
        digest=digest,
        checksum=checksum,
        settings_bytes=len(packed),
        recommended=recommended,
    )


def check_folder(folder: Path, force: bool) -> None:
    """Refuse a place that an export may not take.

    Raises
    ------
    CannotWrite
        Where it is a file or not empty (unless `force`), or its parent is not there.
    """
    if folder.is_symlink():
        raise CannotWrite(f"{folder}: is a link, expected a folder itself or a new name")
    if folder.exists() and not folder.is_dir():
        raise CannotWrite(f"{folder}: is a file, expected a folder or a new name")
    if not folder.absolute().parent.is_dir():
        raise CannotWrite(f"{folder}: no such folder above it, {str(folder.parent)!r}")
    try:
        taken = folder.is_dir() and any(folder.iterdir())
    except OSError as error:
        raise CannotWrite(f"{folder}: cannot be read ({error.strerror})") from None
    if taken and not force:
        raise CannotWrite(
            f"{folder}: is not empty, expected a new folder, or --force to replace its files"
        )


def write_export(export: Export, folder: Path, force: bool = False) -> tuple[str, ...]:
    """Write all files beside the target, then put them in place.

    A folder that is there keeps its other files (`hardware.c` is yours); one of ours is
    replaced whole or not at all.  Ours of an earlier export that this one does not have are
    removed, for all that is there is compiled; their names are returned.

    Raises
    ------
    CannotWrite
        When the folder may not be taken or cannot be written.
    """
    check_folder(folder, force)
    folder = folder.absolute()
    try:
        fresh = Path(tempfile.mkdtemp(dir=folder.parent, prefix=f".{folder.name}."))
    except OSError as error:
        raise CannotWrite(f"{folder}: cannot be written ({error.strerror})") from None
    try:
        for name, text in export.files.items():
            (fresh / name).write_bytes(text.encode("ascii"))
        os.chmod(fresh, 0o755)
        if folder.is_dir() and any(folder.iterdir()):
            for name in export.files:
                os.replace(fresh / name, folder / name)
            shutil.rmtree(fresh)
            stale = sorted(name for name in OURS - set(export.files) if (folder / name).is_file())
            for name in stale:
                os.remove(folder / name)
            return tuple(stale)
        os.replace(fresh, folder)
    except OSError as error:
        shutil.rmtree(fresh, ignore_errors=True)
        raise CannotWrite(f"{folder}: cannot be written ({error.strerror})") from None
    except BaseException:
        shutil.rmtree(fresh, ignore_errors=True)
        raise
    return ()
