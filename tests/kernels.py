"""Compiles the kernels once, two halves side by side, before several test processes start.

Left to themselves all of them would meet the same empty cache and each compile everything.
"""

import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent

COMMON = """
from ctrl.build import plant_of
from ctrl.config import load_config
from ctrl.firmware import firmware_of, settings_of
from ctrl.loop import Loop
from ctrl.trial import warm_state

config = load_config("benchmark")
plant = plant_of(config)
"""

# The plant and the firmware call nothing of each other: nothing is compiled twice.
PLANT = """
warm_state(plant, config)
from conftest import Run, wine_cabinet
Run(wine_cabinet(), [0.5])
"""
FIRMWARE = """
import numpy as np
from ctrl.controllers import controller_of, firmware_tick, new_law_state
from ctrl.protection import CODE_WORDS, new_guard_state
firmware = firmware_of(config, settings_of(config))
guard = firmware.protection.to_words()
firmware_tick(controller_of(firmware.law).kind, firmware.law.to_words(),
              new_law_state(firmware.law), guard, new_guard_state(guard), 0,
              np.full(CODE_WORDS, 500, dtype=np.int64))
"""
# The loop takes both from the cache.
LOOP = """
Loop(plant, firmware_of(config, settings_of(config)), warm_state(plant, config)).run(60.0, 60.0)
"""


def _side_by_side(*halves: str) -> None:
    paths = os.pathsep.join([str(ROOT), str(ROOT / "tests")])
    environment = {**os.environ, "PYTHONPATH": paths}
    started = [
        subprocess.Popen([sys.executable, "-c", COMMON + half], cwd=ROOT, env=environment)
        for half in halves
    ]
    failed = [process.args for process in started if process.wait() != 0]
    if failed:
        raise RuntimeError("the kernels do not compile, see above")


def compile_once() -> None:
    """Fill the cache of compiled code; a few seconds where it is full already."""
    if os.environ.get("COLDLOOP_PLAIN") == "1":
        return
    _side_by_side(PLANT, FIRMWARE)
    _side_by_side(LOOP)


if __name__ == "__main__":
    compile_once()
