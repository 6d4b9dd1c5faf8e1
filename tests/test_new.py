"""`coldloop new`: reading answers, asking, and the file that results."""

import argparse
import json
import os
import pty
import sys
from pathlib import Path

import pytest

from ctrl import answers as reading
from ctrl.cli import main
from ctrl.config import ConfigError, config_fields, load_config, override
from ctrl.marking import parse_module
from ctrl.matters import RANGES, coldest_c
from ctrl.new import PlainConsole, add_arguments, ask, assume, run, write_new
from ctrl.new_text import fuse_and_wire


class Script:
    """A console that answers from a list and keeps what it was shown."""

    def __init__(self, *lines: str, end: type[BaseException] = EOFError):
        self.lines, self.end = list(lines), end
        self.asked: list[str] = []
        self.shown: list[str] = []
        self.errors: list[str] = []

    def input(self, prompt: str) -> str:
        self.asked.append(prompt)
        if not self.lines:
            raise self.end
        return self.lines.pop(0)

    def print(self, text: str) -> None:
        self.shown.append(text)

    def error(self, text: str) -> None:
        self.errors.append(text)


def new(console: Script, *options: object) -> int:
    """Run `new` as the command line does; without its table of what matters unless asked for."""
    parser = argparse.ArgumentParser()
    add_arguments(parser)
    options = (*options, "--brief") if "--full" not in options else options
    options = tuple(option for option in options if option != "--full")
    return run(parser.parse_args([str(option) for option in options]), console)


# --- answers with units ----------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "mm"), [("50mm", 50.0), ("5 cm", 50.0), ("2in", 50.8), ("2,5 CM", 25.0)]
)
def test_lengths(text, mm):
    # Hand calculation; 1 in is 25.4 mm by definition.
    assert reading.parse_length_mm(text) == pytest.approx(mm)


@pytest.mark.parametrize("text", ["50", "50m", "mm", "", "fifty mm", "5 0mm", "50mmm", "-"])
def test_lengths_without_a_known_unit_are_refused(text):
    with pytest.raises(ValueError, match="unit"):
        reading.parse_length_mm(text)


@pytest.mark.parametrize(
    ("text", "box"),
    [
        ("300x300x350mm", (300.0, 300.0, 350.0)),
        ("30 x 30 X 35 cm", (300.0, 300.0, 350.0)),
        ("12x12x14in", (304.8, 304.8, 355.6)),
        ("300mm x 30cm x 10in", (300.0, 300.0, 254.0)),
    ],
)
def test_boxes(text, box):
    assert reading.parse_box_mm(text) == pytest.approx(box)


@pytest.mark.parametrize(
    "text", ["300x300x350", "300x300mm", "300mmx300x350mm", "axbxcmm", "xx mm", "1e9x3x3mm"]
)
def test_boxes_that_are_none(text):
    with pytest.raises(ValueError):
        reading.parse_box_mm(text)


@pytest.mark.parametrize(
    ("text", "c"), [("8C", 8.0), ("-2 °C", -2.0), ("46.4F", 8.0), ("32 f", 0.0), ("8 deg C", 8.0)]
)
def test_temperatures(text, c):
    assert reading.parse_temperature_c(text) == pytest.approx(c)


def test_other_units():
    assert reading.parse_voltage_v("12 v") == 12.0
    assert reading.parse_mass_kg("800 g") == pytest.approx(0.8)
    assert reading.parse_mass_kg("1lb") == pytest.approx(0.4536)
    assert reading.parse_percent("60 %") == 60.0
    for parse in (
        reading.parse_temperature_c, reading.parse_voltage_v, reading.parse_mass_kg,
        reading.parse_percent,
    ):  # fmt: skip
        with pytest.raises(ValueError):
            parse("12")


def test_words_are_read_in_any_case_and_the_nearest_is_named():
    parse = reading.one_of("small", "medium", "large")
    assert parse(" Medium ") == "medium"
    with pytest.raises(ValueError, match="did you mean 'large'"):
        parse("lagre")


# --- the file --------------------------------------------------------------------------


def test_options_alone_make_a_file_that_loads(tmp_path):
    path, console = tmp_path / "den.toml", Script()
    status = new(
        console, path, "--yes", "--inside", "12x12x14in", "--foam-thickness", "50mm",
        "--module", "127 couples 12 a", "--supply", "battery", "--voltage", "12V",
        "--drive", "relay", "--purpose", "drinks", "--target", "46.4F", "--ambient", "22C",
        "--worst", "30C", "--bottles", "10", "--hot-sink-sensor", "no",
    )  # fmt: skip
    assert status == 0 and not console.errors and not console.asked
    config = load_config(path)
    assert config.cabinet.inside_width_mm == 304.8
    assert config.module.preset == "127 couples 12 A"
    assert config.use.target_c == pytest.approx(8.0)
    assert config.contents.count == 10
    assert config.hot_sink_sensor is None and config.cold_sink_sensor is not None
    assert config.supply.highest_voltage_v == pytest.approx(14.4)


def test_what_was_said_is_plain_and_the_rest_is_marked_assumed(tmp_path):
    path = tmp_path / "den.toml"
    new(Script(), path, "--yes", "--foam-thickness", "60mm")
    lines = {line.split(" = ")[0]: line for line in path.read_text().splitlines() if " = " in line}
    assert "# assumed:" not in lines["foam_thickness_mm"]
    assert lines["foam_thickness_mm"].startswith("foam_thickness_mm = 60 ")
    for key in ("foam", "preset", "fan_k_per_w", "fuse_a", "target_c", "door_width_mm"):
        assert "# assumed:" in lines[key], key
    text = path.read_text()
    for caution in ("Fuse at the supply", "66 C", "Never medicines", "not a safety device"):
        assert caution in text


@pytest.mark.parametrize("purpose", ["drinks", "food", "seeds", "film", "other"])
@pytest.mark.parametrize("supply", ["battery", "mains"])
@pytest.mark.parametrize("drive", ["relay", "fast_pwm", "smoothed"])
def test_every_mixture_loads(tmp_path, purpose, supply, drive):
    path, console = tmp_path / "den.toml", Script()
    options = ("--purpose", purpose, "--supply", supply, "--drive", drive, "--sensor", "digital")
    assert new(console, path, "--yes", *options) == 0, console.errors
    config = load_config(path)
    assert (config.use.purpose, config.supply.kind, config.drive.kind) == (purpose, supply, drive)
    assert config.contents.kind == ("bottles" if purpose == "drinks" else "goods")


@pytest.mark.parametrize("ambient", ["-29C", "0C", "59C"])
def test_assumed_rooms_stay_within_the_file_s_range(tmp_path, ambient):
    path = tmp_path / "den.toml"
    assert new(Script(), path, "--yes", "--ambient", ambient) == 0


def test_a_small_box_is_assumed_to_hold_few_bottles(tmp_path):
    path = tmp_path / "den.toml"
    # Hand calculation: 8 l, half of it, 0.680 l outer volume each (65 x 205 mm): 5.
    assert new(Script(), path, "--yes", "--inside", "200x200x200mm") == 0
    assert load_config(path).contents.count == 5


def test_fuse_is_the_next_size_above_a_quarter_more():
    # Wiring practice: 5.5 A running x 1.25 = 6.9 A, so 7.5 A and at least 1.5 mm2.
    assert fuse_and_wire(5.5) == (7.5, 1.5)
    assert fuse_and_wire(6.0) == (7.5, 1.5)
    assert fuse_and_wire(6.1)[0] == 10.0
    assert fuse_and_wire(40.0)[0] == 50.0


# --- asking ----------------------------------------------------------------------------


def test_an_empty_answer_takes_the_default_shown():
    console = Script(*[""] * 40)
    answers, assumed = ask(console)
    assert (answers, assumed) == assume({})
    assert assumed == set(answers)
    assert all("[" in prompt for prompt in console.asked)


def test_only_what_is_not_given_is_asked():
    given, _ = assume({})
    del given["target"]
    console = Script("6C")
    answers, assumed = ask(console, given)
    assert len(console.asked) == 1 and "temperature" in console.asked[0]
    assert answers["target"] == 6.0 and assumed == frozenset()


def test_a_bad_answer_is_explained_and_asked_again():
    given, _ = assume({})
    del given["outside"], given["purpose"]
    console = Script("5", "310x310x360mm", "40x40x45cm", "insulin", "seeds")
    answers, _ = ask(console, given)
    assert answers["outside"] == (400.0, 400.0, 450.0) and answers["purpose"] == "seeds"
    assert "unit" in console.errors[0]
    assert "20 to 400 mm more than inside (300x300x350 mm)" in console.errors[1]
    assert "never for medicines" in console.errors[2]
    assert len(console.errors) == 3


@pytest.mark.parametrize(("end", "status"), [(EOFError, 2), (KeyboardInterrupt, 130)])
def test_a_broken_off_talk_writes_nothing(tmp_path, end, status):
    path, console = tmp_path / "den.toml", Script("", "", end=end)
    assert new(console, path) == status
    assert len(console.errors) == 1 and "nothing written" in console.errors[0]
    assert list(tmp_path.iterdir()) == []


def test_plain_console_ends_with_its_input(monkeypatch, capsys):
    import io

    monkeypatch.setattr("sys.stdin", io.StringIO("one\n"))
    console = PlainConsole()
    assert console.input("? ") == "one"
    with pytest.raises(EOFError):
        console.input("? ")
    assert capsys.readouterr().out == ""


# --- refusals --------------------------------------------------------------------------


def test_nothing_is_overwritten_without_force(tmp_path):
    path, console = tmp_path / "den.toml", Script()
    path.write_text("mine")
    assert new(console, path, "--yes") == 2
    assert path.read_text() == "mine" and "--force" in console.errors[0]
    assert not console.asked
    assert new(Script(), path, "--yes", "--force") == 0
    assert load_config(path).cabinet.name == "den"
    assert [item.name for item in tmp_path.iterdir()] == ["den.toml"]


def test_all_bad_options_come_together_by_name(tmp_path):
    console = Script()
    status = new(
        console, tmp_path / "den.toml", "--inside", "300x300x350", "--target", "8",
        "--purpose", "vaccines", "--worst", "99C", "--bottles", "3", "--goods", "1kg",
    )  # fmt: skip
    assert status == 2
    for option in ("--inside", "--target", "--purpose", "--worst", "--bottles"):
        assert sum(line.startswith(f"command line: {option}") for line in console.errors) == 1
    assert len(console.errors) == 5


def test_answers_that_do_not_fit_name_the_option(tmp_path):
    console = Script()
    options = ("--bottles", "400", "--ambient", "31C", "--worst", "30C", "--voltage", "59V")
    assert new(console, tmp_path / "den.toml", "--yes", *options, "--supply", "battery") == 2
    assert {line.split(" = ")[0] for line in console.errors} == {
        "command line: --bottles", "command line: --worst",
        "command line: --voltage (highest_voltage_v)",
        "command line: --voltage (low_battery_resume_v)",
    }  # fmt: skip
    (worst,) = [line for line in console.errors if "--worst" in line]
    assert "--worst = 30 C: " in worst and worst.endswith("at least --ambient (31 C)")
    assert list(tmp_path.iterdir()) == []


def test_an_answer_that_does_not_fit_the_others_is_asked_again(tmp_path):
    count = len(assume({})[0])
    typed = {"ambient": "25C", "worst": "20C", "bottles": "400"}
    lines = [typed.get(name, "") for name in assume({})[0]]  # in the order they are asked
    console, path = Script(*lines, "9", "20C", "31C"), tmp_path / "den.toml"
    assert new(console, path) == 0
    assert len(console.asked) == count + 3 and len(console.errors) == 3
    config = load_config(path)
    assert (config.climate.usual_c, config.climate.worst_c, config.contents.count) == (25, 31, 9)
    assert "count = 9" in path.read_text() and "worst_c = 31" in path.read_text()


def test_a_place_damper_than_the_dampest_day_assumed_can_be_told(tmp_path):
    path = tmp_path / "den.toml"
    assert new(Script(), path, "--yes", "--humidity", "95%") == 0
    climate = load_config(path).climate
    assert climate.relative_humidity_pct == climate.worst_humidity_pct == 95.0


def test_a_folder_that_is_none_is_told_before_the_questions(tmp_path):
    console = Script()
    assert new(console, tmp_path / "no" / "den.toml") == 2
    assert console.asked == [] and "no such folder" in console.errors[0]


@pytest.mark.parametrize("name", ["", "a\nb", "x" * 61])
def test_bad_names(tmp_path, name):
    console = Script()
    assert new(console, tmp_path / "den.toml", "--yes", "--name", name) == 2
    assert len(console.errors) == 1 and "\n" not in console.errors[0]


def test_a_name_with_quotes_survives(tmp_path):
    path = tmp_path / "den.toml"
    assert new(Script(), path, "--yes", "--name", 'Jo\'s "cold" c:\\box é') == 0
    assert load_config(path).cabinet.name == 'Jo\'s "cold" c:\\box é'


def test_places_that_cannot_be_written(tmp_path):
    for path in (tmp_path, tmp_path / "no" / "den.toml", tmp_path / ("x" * 300)):
        with pytest.raises(ConfigError) as caught:
            write_new(path, {}, force=True)
        assert len(caught.value.problems) == 1
        assert str(path)[:40] in str(caught.value)


# --- what a maker knows ----------------------------------------------------------------


def test_foam_follows_from_inside_and_outside(tmp_path):
    path = tmp_path / "den.toml"
    sizes = ("--inside", "300x300x350mm", "--outside", "40x42x44cm")
    assert new(Script(), path, "--yes", *sizes) == 0
    box = load_config(path).cabinet
    # By hand: (400 - 300)/2, (420 - 300)/2, (440 - 350)/2.
    assert box.face_foam_mm == {"left": 50.0, "right": 50.0, "front": 60.0, "back": 60.0,
                                "top": 45.0, "bottom": 45.0}  # fmt: skip
    lines = [line for line in path.read_text().splitlines() if line.startswith("foam_")]
    assert len(lines) == 5 and not any("# assumed" in line for line in lines)


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (("--inside", "300x300x350mm", "--outside", "310x400x450mm"), "20 to 400 mm more"),
        (("--outside", "310x400x450mm"), "--outside"),
        (("--outside", "400x400x450mm", "--foam-thickness", "50mm"), "not both"),
        (("--outside", "400x400x450"), "with the unit"),
        (("--foam-thickness", "50"), "with its unit"),
        (("--module", "strong one"), "couples and amps"),
        (("--module", "127 couples 99 A"), "0.3 to 60 A"),
        (("--place", "bathroom"), "one of"),
        (("--hot-fan", "perhaps"), "yes or no"),
    ],
)  # fmt: skip
def test_what_is_not_known_is_refused(tmp_path, options, told):
    console = Script()
    assert new(console, tmp_path / "den.toml", "--yes", *options) == 2
    assert len(console.errors) == 1 and told in console.errors[0]
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("unit", "inside", "foam"), [("mm", "508x508x508", "50.8"), ("cm", "50.8x50.8x50.8", "5.08"),
                                 ("in", "20 x 20 x 20", "2")]
)  # fmt: skip
def test_a_stated_unit_serves_bare_lengths(tmp_path, unit, inside, foam):
    path = tmp_path / "den.toml"
    options = ("--unit", unit, "--inside", inside, "--foam-thickness", foam)
    assert new(Script(), path, "--yes", *options) == 0
    box = load_config(path).cabinet
    # 1 in is 25.4 mm by definition.
    assert box.inside_width_mm == pytest.approx(508.0)
    assert box.foam_thickness_mm == pytest.approx(50.8)
    other = tmp_path / "other.toml"
    assert new(Script(), other, "--yes", "--unit", unit, "--inside", "20 x 20 x 20in") == 0
    assert load_config(other).cabinet.inside_width_mm == pytest.approx(508.0)


def test_a_stated_unit_serves_the_questions():
    given, _ = assume({})
    del given["inside"]
    answers, _ = ask(Script("30x30x35"), given, unit="cm")
    assert answers["inside"] == (300.0, 300.0, 350.0)


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("127 couples 6 A", "127 couples 6 A"), ("12706", "127 couples 6 A commodity"),
        ("xyz1-12715", "127 couples 15.4 A"), ("127 12A", "127 couples 12 A"),
        ("127x4", "127 couples 4 A"), ("71 couples 6 A", "71 couples 6 A"),
        ("199 couples, 15 amps", "199 couples 15 A"),
    ],
)  # fmt: skip
def test_markings(text, name):
    assert parse_module(text) == name


def test_a_marking_of_no_class_is_scaled(tmp_path):
    path = tmp_path / "den.toml"
    assert new(Script(), path, "--yes", "--module", "71 couples 8.5 A") == 0
    found = load_config(path).module
    assert (found.preset, found.couples, found.imax_a) == (None, 71, 8.5)
    # The row printed for 288 couples and 8.5 A (35.8 V, 182.5 W at 71 K; power-module sheet),
    # by couples; that sheet's other rows differ by some per cent.
    assert found.vmax_v == pytest.approx(35.8 * 71 / 288, rel=0.02)
    assert found.qmax_w == pytest.approx(182.5 * 71 / 288, rel=0.07)
    text = path.read_text()
    assert "scaled" in text and "imax_a = 8.5" in text


def test_no_fan_and_a_niche(tmp_path):
    path = tmp_path / "den.toml"
    options = ("--hot-fan", "no", "--cold-fan", "no", "--free-air", "no", "--hot-sink", "large")
    assert new(Script(), path, "--yes", *options) == 0
    config = load_config(path)
    hot, cold = config.hot_sink, config.cold_sink
    assert hot.fan_w == cold.fan_w == 0.0
    assert hot.fan_k_per_w == hot.no_fan_k_per_w and cold.fan_k_per_w == cold.no_fan_k_per_w
    # A fifth of its own air back (invented): 0.8 K/W of the large sink without a fan.
    assert hot.fan_k_per_w == pytest.approx(0.8 / 0.8)
    assert new(Script(), path, "--yes", "--force", "--free-air", "no") == 0
    assert load_config(path).hot_sink.exhaust_recirculation == 0.2


@pytest.mark.parametrize("place", sorted(reading.PLACES))
def test_where_it_stands_decides_the_rooms_that_are_assumed(tmp_path, place):
    path = tmp_path / "den.toml"
    assert new(Script(), path, "--yes", "--place", place) == 0
    room = load_config(path).climate
    usual, worst, coldest, humidity, swing = reading.PLACES[place]
    assert (room.usual_c, room.worst_c, room.coldest_c) == (usual, worst, coldest)
    assert (room.relative_humidity_pct, room.daily_swing_k) == (humidity, swing)


# --- what the assumptions do -----------------------------------------------------------


@pytest.fixture(scope="module")
def told(tmp_path_factory):
    """(config, JSON, screen) of a file written with its table of what matters."""
    folder = tmp_path_factory.mktemp("told")
    shown = []
    for n, more in enumerate((("--json",), ())):
        console, path = Script(), folder / f"den{n}.toml"
        assert new(console, path, "--yes", "--full", "--module", "12706", *more) == 0
        shown.append("\n".join(console.shown))
    return load_config(path), json.loads(shown[0]), shown[1]


def test_every_assumption_says_what_it_does(told):
    config, found, screen = told
    rows = {row["key"]: row for row in found["assumptions"]}
    assert found["coldest_holdable_c"] == pytest.approx(coldest_c(config), abs=1e-4)
    # One end by the model itself, another way: the room 3 K warmer.
    warmer = override(config, worst_c=config.climate.worst_c + 3.0)
    change = rows["climate.worst_c"]["high_change_k"]
    assert change == pytest.approx(coldest_c(warmer) - coldest_c(config), abs=1e-3)
    assert 2.0 < change < 4.0
    # Signs that cannot be otherwise: more foam, a better sink, a better module are colder.
    for key in ("hot_sink.fan_k_per_w", "cold_sink.fan_k_per_w", "cabinet.air_changes_per_h"):
        assert rows[key]["low_change_k"] < 0.0 < rows[key]["high_change_k"]
    foam = rows["cabinet.foam_thickness_mm"]
    assert foam["high_change_k"] < 0.0 < foam["low_change_k"]
    sizes = [
        max(abs(row["low_change_k"]), abs(row["high_change_k"]))
        for row in found["assumptions"] if row["low_change_k"] is not None
    ]  # fmt: skip
    assert sizes == sorted(sizes, reverse=True) and len(rows) > 12
    assert "module.preset" not in rows  # it was said
    assert "module.derating" in screen and "if it were" in screen
    assert max(len(line) for line in screen.splitlines() if line.startswith("   ")) <= 80


def test_every_key_with_a_range_exists():
    assert set(RANGES) <= {row.key for row in config_fields()}


def test_the_file_passes_check(told, capsys):
    config, _, _ = told
    assert main(["check", config.source, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["cabinet"] == "den1"


# --- a real terminal -------------------------------------------------------------------


def talk(folder, *options, keys=b"", end=b""):
    """Run `coldloop new` on a terminal, type `keys`, then `end`; return (status, screen)."""
    pid, terminal = pty.fork()
    if pid == 0:  # the child: nothing of the test runs here
        os.chdir(folder)
        os.execv(sys.executable, [sys.executable, "-m", "ctrl", "new", *options])
    screen = b""
    while b"]: " not in screen:
        screen += os.read(terminal, 1000)
    os.write(terminal, keys)
    if end:
        while screen.count(b"]: ") < 1 + keys.count(b"\n"):
            screen += os.read(terminal, 1000)
        os.write(terminal, end)
    try:
        while part := os.read(terminal, 1000):
            screen += part
    except OSError:  # a closed terminal reads as an error
        pass
    _, status = os.waitpid(pid, 0)
    return os.waitstatus_to_exitcode(status), screen.decode()


def test_a_talk_on_a_terminal(tmp_path, monkeypatch):
    monkeypatch.setenv("PYTHONPATH", str(Path(__file__).resolve().parent.parent))
    count = len(assume({})[0])
    status, screen = talk(tmp_path, "den.toml", "--brief", keys=b"\n" * count)
    assert status == 0, screen
    assert "Inside width x depth x height, with unit [300x300x350mm]: " in screen
    assert load_config(tmp_path / "den.toml").cabinet.inside_width_mm == 300.0


@pytest.mark.parametrize(("end", "status"), [(b"\x03", 130), (b"\x04", 2)])
def test_ctrl_c_and_end_of_input_on_a_terminal_write_nothing(tmp_path, monkeypatch, end, status):
    monkeypatch.setenv("PYTHONPATH", str(Path(__file__).resolve().parent.parent))
    found, screen = talk(tmp_path, "den.toml", keys=b"\n\n", end=end)
    assert found == status and "Traceback" not in screen
    *_, told = screen.strip().splitlines()
    assert "nothing written" in told and "]: " not in told
    assert list(tmp_path.iterdir()) == []
