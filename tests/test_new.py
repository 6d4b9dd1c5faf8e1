"""`coldloop new`: reading answers, asking, and the file that results."""

import argparse

import pytest

from ctrl import answers as reading
from ctrl.config import ConfigError, load_config
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
    """Run `new` as the command line does."""
    parser = argparse.ArgumentParser()
    add_arguments(parser)
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
    "text", ["300x300x350", "300x300mm", "300mmx300x350mm", "axbxcmm", "xx mm"]
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
    del given["foam_thickness"], given["purpose"]
    console = Script("5", "5mm", "5cm", "insulin", "seeds")
    answers, _ = ask(console, given)
    assert answers["foam_thickness"] == 50.0 and answers["purpose"] == "seeds"
    assert "unit" in console.errors[0]
    assert "10 to 200 mm" in console.errors[1]
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
        "command line: --bottles", "command line: --worst", "command line: --voltage",
    }  # fmt: skip
    assert list(tmp_path.iterdir()) == []


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
