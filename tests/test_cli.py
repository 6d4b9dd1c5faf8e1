"""The command line: verbs, exit status, one line a fault, nothing written by mistake."""

import csv
import io
import json
import os
import signal
import subprocess
import sys
import time
import tomllib
from pathlib import Path

import pytest
from larder import recommended_larder
from rich.console import Console

from ctrl import cli, screen_recommend
from ctrl.recommend import Recommendation
from ctrl.screen import digits, duration, fixed, grid_of, table_lines
from ctrl.shipped import shipped_folder, shipped_names

ROOT = Path(__file__).resolve().parent.parent
HEAVY = ("numpy", "scipy", "numba", "control", "matplotlib", "pydantic", "rich")


@pytest.fixture(autouse=True)
def _in_empty_folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)


def coldloop(capsys, *words: str) -> tuple[int, str, str]:
    """Run the command line in this process; return (status, standard output, error)."""
    status = cli.main(list(words))
    shown = capsys.readouterr()
    return status, shown.out, shown.err


# Help ----------------------------------------------------------------------------------


def test_alone_it_names_the_first_command_and_every_shipped_config(capsys):
    status, out, err = coldloop(capsys)
    assert (status, err) == (0, "")
    assert cli.FIRST_COMMAND in out
    assert all(name in out for name in (*shipped_names(), *cli.VERBS))


def test_first_command_names_a_shipped_config():
    assert cli.FIRST_COMMAND.split()[-1] in shipped_names()


@pytest.mark.parametrize("verb", cli.VERBS)
def test_every_verb_has_help(capsys, verb):
    status, out, _ = coldloop(capsys, verb, "--help")
    assert status == 0
    assert cli.VERBS[verb].help in out.replace("\n", " ")


def test_version(capsys):
    status, out, _ = coldloop(capsys, "--version")
    assert status == 0
    assert out.startswith("coldloop ") and out.split()[1][0].isdigit()


def test_help_loads_nothing_heavy():
    code = (
        "import sys; from ctrl.cli import main; status = main(['--help']); "
        f"sys.exit(' '.join(n for n in {HEAVY!r} if n in sys.modules) or status)"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True)
    assert (done.returncode, done.stderr) == (0, "")


def test_time_of_help_is_told():
    started = time.perf_counter()
    subprocess.run([sys.executable, "-m", "ctrl", "--help"], cwd=ROOT, capture_output=True,
                   check=True)  # fmt: skip
    sys.stdout.write(f"--help took {time.perf_counter() - started:.3f} s\n")


# Bad input -----------------------------------------------------------------------------

BAD = [
    (["simulate"], "CONFIG"),
    (["bogus"], "bogus"),
    (["simulate", "nofile.toml"], "nofile.toml"),
    (["simulate", "galley_lader"], "did you mean 'galley_larder'"),
    (["simulate", ""], "CONFIG"),
    (["simulate", "no\nfile"], "no?file"),
    (["check", "folder"], "is a folder"),
    (["simulate", "galley_larder", "--days", "-1"], "--days"),
    (["simulate", "galley_larder", "--days", "0"], "--days"),
    (["simulate", "galley_larder", "--days", "nan"], "expected a number"),
    (["simulate", "galley_larder", "--days", "9999"], "366 days"),
    (["simulate", "galley_larder", "--days", "300", "--csv", "a.csv", "--csv-step", "1"], "rows"),
    (["simulate", "galley_larder", "--ambient", "inf"], "--ambient"),
    (["simulate", "galley_larder", "--ambient", "400"], "-30 to 60 C"),
    (["simulate", "galley_larder", "--setpoint", "-2e3"], "-40 to 60 C"),
    (["simulate", "galley_larder", "--humidity", "101"], "--humidity"),
    (["simulate", "galley_larder", "--controller", "magic"], "on_off"),
    (["simulate", "galley_larder", "--duty", "1.5"], "0 to 1"),
    (["simulate", "galley_larder", "--duty", "0.5", "--controller", "pi"], "--duty"),
    (["simulate", "galley_larder", "--drive", "relay", "--controller", "pi"], "--controller"),
    (["simulate", "galley_larder", "--drive", "relay", "--duty", "0.5"], "0 or 1"),
    (["simulate", "galley_larder", "--seed", "-1"], "--seed"),
    (["simulate", "galley_larder", "--seed", "1.5"], "whole number"),
    (["simulate", "galley_larder", "--csv-step", "10"], "--csv FILE"),
    (["simulate", "galley_larder", "--csv-step", "0", "--csv", "a.csv"], "--csv-step"),
    (["simulate", "galley_larder", "--plot", "folder"], "is a folder"),
    (["simulate", "galley_larder", "--plot", "a.gif"], ".png or .svg or .pdf"),
    (["simulate", "galley_larder", "--plot", ""], "--plot"),
    (["simulate", "galley_larder", "--plot", "missing/a.png"], "missing"),
    (["simulate", "galley_larder", "--plot", "a" * 300 + ".png"], "--plot"),
    (["simulate", "galley_larder", "--csv", "a.txt"], ".csv"),
    (["simulate", "galley_larder", "--csv", "kept.csv"], "--force"),
    (["simulate", "galley_larder", "--wrong"], "--wrong"),
    (["simulate", "galley_larder", "extra"], "extra"),
    (["recommend", "galley_larder", "--plot", "kept.csv", "--json"], "--plot"),
    (["recommend", "galley_larder", "--target", "99"], "-25 to 45 C"),
    (["recommend", "galley_larder", "--worst", "10"], "--worst"),
    (["check", "galley_larder", "--coldest", "-99"], "--coldest"),
    (["check", "bad_key.toml"], "bad_key.toml"),
    (["check", "bad_type.toml"], "bad_type.toml"),
    (["check", "not_toml.toml"], "not_toml.toml"),
]


def _write_bad_files(folder: Path) -> None:
    good = (shipped_folder() / "galley_larder.toml").read_text(encoding="utf-8")
    assert "[hot_sink]" in good and "fan_k_per_w" in good
    (folder / "folder").mkdir()
    (folder / "kept.csv").write_text("precious", encoding="utf-8")
    (folder / "bad_key.toml").write_text(
        good.replace("[hot_sink]", "[hot_sink]\nfan_speed = 3\n#"), encoding="utf-8"
    )
    (folder / "bad_type.toml").write_text(
        good.replace("[hot_sink]", '[hot_sink]\nfan_wiring = "sideways"\n#', 1).replace(
            'fan_wiring = "own_switch"', "#", 1), encoding="utf-8"
    )  # fmt: skip
    (folder / "not_toml.toml").write_text("this = = that\n", encoding="utf-8")


@pytest.mark.parametrize(("words", "named"), BAD, ids=[" ".join(w)[:60] for w, _ in BAD])
def test_bad_input_is_one_line_and_writes_nothing(capsys, tmp_path, words, named):
    _write_bad_files(tmp_path)
    before = sorted(tmp_path.rglob("*"))
    status, out, err = coldloop(capsys, *words)
    assert (status, out) == (2, "")
    assert len(err.splitlines()) == 1, err
    assert named in err
    assert sorted(tmp_path.rglob("*")) == before
    assert (tmp_path / "kept.csv").read_text(encoding="utf-8") == "precious"


def test_every_problem_of_a_file_is_told_at_once(capsys, tmp_path):
    good = (shipped_folder() / "galley_larder.toml").read_text(encoding="utf-8")
    bad = good.replace("[hot_sink]", "[hot_sink]\nspeed = 3").replace("[use]", "[use]\nmood = 1")
    (tmp_path / "two.toml").write_text(bad, encoding="utf-8")
    status, _, err = coldloop(capsys, "check", "two.toml")
    assert status == 2
    assert "hot_sink.speed" in err and "use.mood" in err
    assert len(err.splitlines()) == 2


def test_debug_shows_the_traceback_and_keeps_the_status(capsys):
    for words in (["--debug", "check", "nofile"], ["check", "nofile", "--debug"]):
        status, _, err = coldloop(capsys, *words)
        assert status == 2
        assert err.startswith("Traceback") and err.splitlines()[-1].startswith("nofile")


# What breaks on the way ----------------------------------------------------------------


def _raising(monkeypatch, error: BaseException) -> None:
    def broken(*args: object, **options: object) -> None:
        raise error

    monkeypatch.setattr("ctrl.simulation.simulate", broken)


def test_a_run_that_breaks_down_is_one_line(capsys, monkeypatch):
    from ctrl.loop import NotFinite
    from plant.steady import NoSteadyState

    for error in (NotFinite("tick 7: air_h is not a number"), NoSteadyState(),
                  ValueError("kp_pct_per_k = 1e9: expected 0 to 100"),
                  OSError(28, "No space left on device")):  # fmt: skip
        _raising(monkeypatch, error)
        status, out, err = coldloop(capsys, "simulate", "galley_larder")
        told = [line for line in err.splitlines() if "first run" not in line]
        assert (status, out, len(told)) == (2, "", 1)


def test_a_bug_is_not_passed_off_as_bad_input(monkeypatch):
    _raising(monkeypatch, ZeroDivisionError("bug"))
    with pytest.raises(ZeroDivisionError):
        cli.main(["simulate", "galley_larder"])


def test_interrupting_ends_with_130(capsys, monkeypatch):
    _raising(monkeypatch, KeyboardInterrupt())
    status, out, err = coldloop(capsys, "simulate", "galley_larder")
    assert (status, out) == (130, "")
    assert err.splitlines()[-1] == "stopped"


def test_a_closed_pipe_ends_quietly():
    started = subprocess.Popen([sys.executable, "-m", "ctrl"], cwd=ROOT, stdout=subprocess.PIPE,
                               stderr=subprocess.PIPE)  # fmt: skip
    assert started.stdout is not None and started.stderr is not None
    started.stdout.close()
    assert started.wait() == cli.PIPE_CLOSED
    assert started.stderr.read() == b""
    started.stderr.close()


# Check and simulate --------------------------------------------------------------------


def test_check_tells_the_derived_values_and_with_all_every_key(capsys):
    status, out, _ = coldloop(capsys, "check", "galley_larder")
    assert status == 0
    for text in ("Heat leak:", "Seebeck", "Time constants", "fuse wanted", "step K"):
        assert text in out
    assert "hot_sink.fan_k_per_w" not in out
    _, everything, _ = coldloop(capsys, "check", "galley_larder", "--all")
    assert "hot_sink.fan_k_per_w" in everything and "default: " in everything


def test_simulate_writes_signals_at_even_times(capsys, tmp_path):
    words = ["simulate", "galley_larder", "--days", "0.05", "--csv", "a.csv", "--csv-step", "45"]
    status, out, _ = coldloop(capsys, *words)
    assert status == 0
    assert "written: a.csv" in out
    with (tmp_path / "a.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    times = [float(row["time_s"]) for row in rows]
    assert times == [45.0 * (i + 1) for i in range(96)]
    assert [path.name for path in tmp_path.iterdir()] == ["a.csv"]


def test_force_replaces_a_file(capsys, tmp_path):
    (tmp_path / "a.csv").write_text("old", encoding="utf-8")
    words = ["simulate", "galley_larder", "--days", "0.02", "--csv", "a.csv", "--force", "--json"]
    status, out, err = coldloop(capsys, *words)
    assert status == 0
    assert json.loads(out)["command"] == "simulate"
    assert "written: a.csv" in err
    assert (tmp_path / "a.csv").read_text(encoding="utf-8").startswith("time_s,")


def test_seed_decides_the_noise(capsys):
    def run(seed: str) -> str:
        words = ["simulate", "galley_larder", "--days", "0.1", "--json", "--seed", seed]
        return coldloop(capsys, *words)[1]

    assert run("1") == run("1")
    assert run("1").replace('"seed": 1', "") != run("2").replace('"seed": 2', "")


def test_options_reach_the_run(capsys):
    words = ["simulate", "galley_larder", "--days", "0.05", "--json", "--duty", "0.25"]
    found = json.loads(coldloop(capsys, *words)[1])
    assert found["controller"] == "fixed"
    assert found["settings"]["fixed_duty"] == 0.25
    # The first reading takes a moment, in which the module stays off.
    assert found["duty_mean"] == pytest.approx(0.25, abs=0.01)
    words = ["simulate", "galley_larder", "--days", "0.05", "--json", "--ambient", "27.5",
             "--setpoint", "-1.5", "--controller", "on_off"]  # fmt: skip
    found = json.loads(coldloop(capsys, *words)[1])
    assert found["settings"]["setpoint_c"] == -1.5
    assert found["controller"] == "on_off"
    assert found["ambient_c"]["mean"] == pytest.approx(27.5, abs=5.0)


def test_simulate_screen_names_unit_and_boundary(capsys):
    status, out, _ = coldloop(capsys, "simulate", "galley_larder", "--days", "0.1")
    assert status == 0
    for text in ("cabinet air", "kWh/day, battery terminals", "takes two days to tell", "cooling"):
        assert text in out


# Recommend -----------------------------------------------------------------------------


@pytest.fixture(scope="module")
def larder() -> Recommendation:
    return recommended_larder()


def shown(found: Recommendation, width: int, **options: bool) -> str:
    out = Console(file=io.StringIO(), width=width, markup=False, emoji=False, highlight=False)
    screen_recommend.show_first(out, found.config, found.provisional)
    screen_recommend.show(out, found, **options)
    assert isinstance(out.file, io.StringIO)
    return out.file.getvalue()


def test_recommend_fits_sixty_columns(larder):
    text = shown(larder, 60)
    assert max(len(line) for line in text.splitlines()) <= 60
    assert "\x1b" not in text
    for title in ("First look", "Verdict: HOLDS", "Settings to flash", "Controllers compared",
                  "Rooms", "Limits", "Ice on the cold sink", "Pull-down and hold-over",
                  "What holds it back", "Protections that are missing", "Take care"):  # fmt: skip
        assert title in text
    # No cell is cut short: rich marks that with an ellipsis.
    assert "…" not in text


@pytest.mark.parametrize("width", [24, 30])
def test_a_narrow_terminal_keeps_every_figure_whole(larder, width):
    # What stands in a wide table stands, whole, in a line of the narrow screen.
    wide = shown(larder, 200)
    words = set(shown(larder, width).split())
    figures = {word.rstrip(",.;:") for word in wide.split() if word[0].isdigit()}
    assert len(figures) > 50
    lost = figures - {word.rstrip(",.;:") for word in words}
    assert {word for word in lost if len(word) < width - 4} == set()


def test_a_row_as_a_line():
    table = grid_of(("", "usual", "worst", ""), "lrrl")
    table.add_row("coldest:", "-1.2", "5.9", "°C")
    table.add_row("decided by", "drive", "", "")
    assert table_lines(table) == [
        "coldest: usual -1.2, worst 5.9 °C", "decided by: usual drive",
    ]  # fmt: skip
    bare = grid_of(("", "", ""), "lrl")
    bare.add_row("  setpoint", "5.0", "°C")
    assert table_lines(bare) == ["setpoint: 5.0 °C"]


def test_recommend_shows_the_settings_that_were_chosen(larder):
    text = shown(larder, 100)
    settings = larder.chosen.candidate.settings
    for name, value, _ in screen_recommend.settings_rows(settings):
        line = next(line for line in text.splitlines() if line.strip().startswith(name))
        assert value in line
    assert f"{larder.setpoint_c:.1f} °C" in text
    assert str(larder.seed) in text


def test_all_lists_the_limits_of_every_room(larder):
    few, every = shown(larder, 100), shown(larder, 100, all_limits=True)
    assert few.count("hot sink  ") < every.count("hot sink  ")


def test_tightest_of_each_limit(larder):
    few = screen_recommend.tightest_of(larder.limits)
    assert {item.name for item in few} == {item.name for item in larder.limits}
    assert len({item.name for item in few}) == len(few)
    for item in few:
        same = [other.margin for other in larder.limits if other.name == item.name]
        assert item.margin == min(same)


# Numbers on the screen -----------------------------------------------------------------


@pytest.mark.parametrize(
    ("shown_as", "expected"),
    [
        (fixed(-0.04), "0.0"),
        (fixed(-0.06), "-0.1"),
        (fixed(None), "-"),
        (fixed(float("inf")), "no limit"),
        (fixed(float("nan")), "-"),
        (digits(1234.5), "1230"),
        (digits(0.012345), "0.0123"),
        (digits(9.996), "10.0"),
        (digits(0.0), "0"),
        (digits(-2.5, 2), "-2.5"),
        (duration(65.0), "65 s"),
        (duration(3720.0), "62 min"),
        (duration(26640.0), "7.4 h"),
        (duration(float("inf")), "never settles"),
    ],
)
def test_numbers_as_people_read_them(shown_as, expected):
    assert shown_as == expected


# Ctrl-C at the first import of a module, sent for real; a job in the background ignores it.
INTERRUPTED_AT = """
import signal, sys
from importlib import import_module
signal.signal(signal.SIGINT, signal.default_int_handler)
place, entry, *sys.argv[1:] = sys.argv[1:]
def hook(event, values):
    if event == "import" and values[0] == place:
        signal.raise_signal(signal.SIGINT)
sys.addaudithook(hook)
module, function = entry.split(":")
sys.exit(getattr(import_module(module), function)())
"""


@pytest.mark.parametrize("place", ["argparse", "ctrl.cli", "ctrl.cli_studies", "ctrl.config",
                                   "pydantic", "numpy"])  # fmt: skip
@pytest.mark.parametrize("words", [("new", "den.toml", "--yes"), ("check", "galley_larder")])
def test_ctrl_c_while_it_starts_ends_in_one_line(tmp_path, place, words):
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    found = subprocess.run(
        [sys.executable, "-c", INTERRUPTED_AT, place, project["scripts"]["coldloop"], *words],
        cwd=tmp_path, env={**os.environ, "PYTHONPATH": str(ROOT)}, capture_output=True, text=True,
    )  # fmt: skip
    # Python ends by the signal itself where it struck inside text that was being executed.
    assert found.returncode in (130, -signal.SIGINT)
    assert found.stderr.splitlines()[-1].startswith("stopped") and found.stdout == ""
    assert "Traceback" not in found.stderr and not list(tmp_path.iterdir())
