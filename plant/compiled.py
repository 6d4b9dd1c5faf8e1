"""One place that compiles the hot loop.

A compiled function is cached on disk under a name that stamps only its own
file, so a changed *callee* in another file would go unnoticed: the cache would
answer with yesterday's physics.  The cache therefore lives in a folder named
by a hash of every source file of `plant` and `ctrl`: any edit starts a new one.

`kernel` is for the loop: it makes no arrays.  `array_kernel` may.

Every kernel is also a plain Python function (`kernel.py_func`), and the
environment variable ``COLDLOOP_PLAIN=1`` runs all of them uncompiled.
"""

import functools
import hashlib
import os
import re
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import platformdirs

PACKAGE_ROOT = Path(__file__).resolve().parent.parent


# What only talks to people and files: no kernel stands here or is called from here (a test
# holds it so), and a changed word on the screen need not compile the model anew.
EDGE = re.compile(
    r"(cli|screen|json_out|plots|check|simulation|new|answers|files|glossary|__main__|"
    r"tolerances|tolerance_draws|fold_back|drive_cycling|design_sweep|explain|honesty|"
    r"comparison|trade_off|bands|tuned|aim|too_cold|ice_border|law_tuning|cop_table|"
    r"narrower_band|drill|link|maker|board|report|"
    r"emulator|microcontroller|part_sizes|avr_stack|export|class_b|firmware_text|"
    r"firmware_top|notes|guide|log_(file|outliers)|calibrate(?!_replay)|measured|marking|matters)"
)


def source_digest() -> str:
    """Return 16 hex digits that change with any source file a kernel may call."""
    digest = hashlib.sha256()
    for package in ("plant", "ctrl"):
        for path in sorted((PACKAGE_ROOT / package).glob("*.py")):
            if package == "ctrl" and EDGE.match(path.name):
                continue
            digest.update(path.name.encode())
            digest.update(path.read_bytes())
    return digest.hexdigest()[:16]


def cache_folder() -> Path:
    """Return the folder for this exact source tree's compiled code."""
    base = os.environ.get("COLDLOOP_CACHE_DIR") or platformdirs.user_cache_dir("coldloop")
    return Path(base) / f"kernels-{source_digest()}"


def is_compiled_before() -> bool:
    """Tell whether a former run of this source tree left compiled code behind."""
    folder = cache_folder()
    return folder.is_dir() and any(folder.rglob("*.nbi"))


def drop_old_caches(keep: int = 4) -> None:
    """Delete all but the newest caches of former source trees."""
    folder = cache_folder()
    others = sorted(
        (path for path in folder.parent.glob("kernels-*") if path != folder),
        key=lambda path: path.stat().st_mtime,
    )
    for path in others[: max(0, len(others) - keep)]:
        shutil.rmtree(path, ignore_errors=True)


def _plain(function: Callable[..., Any]) -> Callable[..., Any]:
    @functools.wraps(function)
    def plain(*arguments: Any) -> Any:
        # Whole numbers of fixed width wrap silently when compiled, and the noise needs it.
        with np.errstate(over="ignore"):
            return function(*arguments)

    plain.py_func = function  # type: ignore[attr-defined]
    return plain


def _compiler(makes_arrays: bool = False) -> Callable[[Callable[..., Any]], Any]:
    if os.environ.get("COLDLOOP_PLAIN") == "1":
        return _plain
    import numba

    setattr(numba.config, "CACHE_DIR", str(cache_folder()))  # noqa: B010
    # numba's run time counts references to arrays.  In the loop nothing is made that would
    # have to be freed, and the counting took nine tenths of the firmware's time.
    options: dict[str, Any] = {} if makes_arrays else {"_nrt": False}
    # error_model="numpy": 1/0 gives inf, which the loop reports as "not a number"
    # with tick and part, instead of a bare ZeroDivisionError from nowhere.
    # Contraction to fused multiply-add is allowed; NaN checks must survive.
    # Inlining everything saves a third of a simulated day.
    return numba.njit(
        cache=True,
        forceinline=True,
        error_model="numpy",
        nogil=True,
        fastmath={"contract", "nsz", "arcp"},
        **options,
    )


kernel = _compiler()
"""Compiles a function that writes into the arrays it is given and makes none of its own."""
array_kernel = _compiler(makes_arrays=True)
"""Compiles a function that makes arrays, too; not for the loop."""
