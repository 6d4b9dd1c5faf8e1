"""Compiled and plain kernels agree, and an edited source never meets an old compilation."""

import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from plant import compiled

ROOT = Path(compiled.PACKAGE_ROOT)


@pytest.fixture
def copied_tree(tmp_path, monkeypatch):
    """Return a copy of the sources that `compiled` takes for its own."""
    for package in ("plant", "ctrl"):
        (tmp_path / package).mkdir()
        for path in (ROOT / package).glob("*.py"):
            shutil.copy(path, tmp_path / package / path.name)
    monkeypatch.setattr(compiled, "PACKAGE_ROOT", tmp_path)
    return tmp_path


def test_a_copy_has_the_digest_of_the_original(copied_tree):
    copied = compiled.source_digest()
    compiled.PACKAGE_ROOT = ROOT  # put back by monkeypatch
    assert compiled.source_digest() == copied


@pytest.mark.parametrize("edited", ["plant/frost.py", "plant/moist_air.py", "ctrl/pi.py"])
def test_any_edited_callee_starts_a_new_cache(copied_tree, edited):
    # The trap: a cached caller keeps the old callee, because only its own file is stamped.
    before = compiled.cache_folder()
    path = copied_tree / edited
    stamp = path.stat()
    path.write_text(path.read_text() + "\n# one more line\n")
    os.utime(path, (stamp.st_atime, stamp.st_mtime))  # the time tells nothing
    assert compiled.cache_folder() != before
    assert compiled.cache_folder().parent == before.parent


def test_the_edge_holds_no_kernel_and_no_kernel_file_imports_it():
    edge = {path.stem for path in (ROOT / "ctrl").glob("*.py") if compiled.EDGE.match(path.name)}
    assert {"cli", "screen", "json_out", "plots", "check"} <= edge
    for path in [*(ROOT / "ctrl").glob("*.py"), *(ROOT / "plant").glob("*.py")]:
        text = path.read_text(encoding="utf-8")
        if not re.search(r"@\w*kernel\b", text):
            continue
        assert path.stem not in edge, path
        for name in edge:
            imports = rf"ctrl\.{name}\b|from ctrl import [^\n]*\b{name}\b"
            assert not re.search(imports, text), f"{path} imports {name}"


def test_a_changed_screen_keeps_the_cache(copied_tree):
    before = compiled.cache_folder()
    path = copied_tree / "ctrl" / "screen.py"
    path.write_text(path.read_text() + "\n# one more line\n")
    assert compiled.cache_folder() == before


def test_a_renamed_source_starts_a_new_cache(copied_tree):
    before = compiled.source_digest()
    (copied_tree / "plant" / "frost.py").rename(copied_tree / "plant" / "ice.py")
    assert compiled.source_digest() != before


def test_the_folder_goes_where_it_is_told(monkeypatch, tmp_path):
    monkeypatch.setenv("COLDLOOP_CACHE_DIR", str(tmp_path))
    folder = compiled.cache_folder()
    assert folder.parent == tmp_path
    assert not compiled.is_compiled_before()
    (folder / "sub").mkdir(parents=True)
    assert not compiled.is_compiled_before()
    (folder / "sub" / "kernel.nbi").touch()
    assert compiled.is_compiled_before()


def test_only_the_newest_old_caches_are_kept(monkeypatch, tmp_path):
    monkeypatch.setenv("COLDLOOP_CACHE_DIR", str(tmp_path))
    own = compiled.cache_folder()
    own.mkdir()
    os.utime(own, (1.0, 1.0))  # oldest of all, and still never deleted
    for age in range(6):
        folder = tmp_path / f"kernels-{age}"
        folder.mkdir()
        (folder / "kernel.nbi").touch()
        os.utime(folder, (100.0 + age, 100.0 + age))
    (tmp_path / "something else").mkdir()
    compiled.drop_old_caches(keep=4)
    left = {path.name for path in tmp_path.iterdir()}
    assert left == {own.name, "kernels-2", "kernels-3", "kernels-4", "kernels-5", "something else"}
    compiled.drop_old_caches(keep=0)
    assert {path.name for path in tmp_path.iterdir()} == {own.name, "something else"}


@compiled.kernel
def halves(row, out):
    for part in range(row.shape[0]):
        if row[part, 0] > 0.0:
            keep(row[part], out, part)


@compiled.kernel
def keep(row, out, part):
    out[part] = 0.5 * row[0]


def test_kernels_hand_arrays_on_without_counting_references():
    halves.compile("void(float64[:, ::1], float64[::1])")
    (text,) = halves.inspect_llvm().values()
    assert "NRT_incref" not in text
    assert "NRT_decref" not in text


SHORT_RUN = """
import json
from ctrl.build import plant_of
from ctrl.config import load_config
from ctrl.firmware import firmware_of, settings_of
from ctrl.loop import Loop
from ctrl.trial import warm_state
from plant.compiled import kernel
from plant.moist_air import saturation_pressure

config = load_config("benchmark")
plant = plant_of(config)
loop = Loop(plant, firmware_of(config, settings_of(config)), warm_state(plant, config),
            start_s=8 * 3600.0)
record = loop.run(180.0, 30.0)
print(json.dumps({"compiled": hasattr(saturation_pressure, "signatures"),
                  "table": record.table.tolist(), "state": record.end_state.tolist()}))
"""


def run_alone(**environment):
    done = subprocess.run(
        [sys.executable, "-c", SHORT_RUN], cwd=ROOT, capture_output=True, text=True, check=True,
        env={**os.environ, "PYTHONPATH": str(ROOT), **environment},
    )  # fmt: skip
    return json.loads(done.stdout)


def test_plain_and_compiled_loops_agree():
    # Three minutes of everything: pull-down by PI, an open door, three noisy sensors.
    plain, quick = run_alone(COLDLOOP_PLAIN="1"), run_alone(COLDLOOP_PLAIN="0")
    assert (plain["compiled"], quick["compiled"]) == (False, True)
    ours, theirs = np.array(quick["table"]), np.array(plain["table"])
    assert ours.shape == (6, 33)
    assert np.ptp(ours[:, 2]) > 0.5  # the air moved
    worst = np.max(np.abs(ours - theirs) / np.maximum(np.abs(theirs), 1.0))
    print(f"plain against compiled: {worst:.1e} of each signal")
    # Fused multiply-add may change the last bits, nothing more.
    assert worst < 1e-9
    assert np.array(quick["state"]) == pytest.approx(np.array(plain["state"]), rel=1e-9, abs=1e-9)
