"""Writing files so that nothing is lost: beside the target first, then renamed."""

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO


class CannotWrite(Exception):
    """A file could not be written; the text names file and reason in one line."""


@contextmanager
def replace_file(path: Path, binary: bool = False) -> Iterator[IO]:
    """Yield a stream whose content becomes `path` only when all of it is written.

    Raises
    ------
    CannotWrite
        When the folder is missing, or may not be written.
    """
    if path.is_dir():
        raise CannotWrite(f"{path}: is a folder, expected the name of a file")
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    except OSError as error:
        raise CannotWrite(f"{path}: cannot be written ({error.strerror})") from error
    try:
        os.chmod(name, 0o644)
        if binary:
            stream: IO = os.fdopen(handle, "wb")
        else:
            stream = os.fdopen(handle, "w", newline="", encoding="utf-8")
        with stream:
            yield stream
        os.replace(name, path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
