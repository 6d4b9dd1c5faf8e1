"""README and guide: what they show is what the tool does now, and every command is one."""

import io
import os
import re
import shlex

import psychrolib
import pytest
import refresh_readme
from larder import recommended_larder
from PIL import Image, ImageChops
from refresh_readme import ALL_SHOWN, COLUMNS, MARKS, PICTURES, README

from ctrl import cli, screen, screen_recommend
from ctrl.config import load_config
from ctrl.guide import GUIDE_FILE, introduction, topics
from ctrl.recommend import provisional
from ctrl.shipped import shipped_names
from plant import module

NUMBER = re.compile(r"[-+]?\d+(?:\.\d+)?")
TEXT = README.read_text(encoding="utf-8")
SHOWN = {mark["name"]: mark["body"] for mark in MARKS.finditer(TEXT)}
GUIDE = GUIDE_FILE.read_text(encoding="utf-8")
# A picture is current while less than this share of it looks different.
SAME_PICTURE = 0.004


# What README shows ---------------------------------------------------------------------


def unlike(shown: str, now: str) -> list[str]:
    """Return the words that differ; numbers may by one in their last printed digit.

    Another processor or library may round the other way; layout follows the numbers' width, so
    that only words are compared.
    """
    ours, theirs = shown.split(), now.split()
    if len(ours) != len(theirs):
        return [f"{len(ours)} words shown, {len(theirs)} now"]
    return [f"{a} shown, {b} now" for a, b in zip(ours, theirs, strict=True) if not _alike(a, b)]


def _alike(one: str, other: str) -> bool:
    if one == other:
        return True
    if NUMBER.sub("#", one) != NUMBER.sub("#", other):
        return False
    pairs = zip(NUMBER.findall(one), NUMBER.findall(other), strict=True)
    return all(abs(float(a) - float(b)) <= 1.01 * max(_digit(a), _digit(b)) for a, b in pairs)


def _digit(number: str) -> float:
    return 10.0 ** -len(number.partition(".")[2])


def larder_recommendation() -> str:
    """Return what `recommend galley_larder --quick` prints, from the session's one run."""
    out = screen.Console(file=io.StringIO(), width=COLUMNS, markup=False, emoji=False,
                         highlight=False)  # fmt: skip
    found = recommended_larder()
    screen_recommend.show_first(out, load_config("galley_larder"), provisional(found.config))
    screen_recommend.show(out, found, all_limits=False)
    return out.file.getvalue()


@pytest.fixture(scope="module")
def printed(tmp_path_factory):
    """{name: (exit status, what the command prints, folder it drew in)}, run anew."""
    results = {}
    for name, item in ALL_SHOWN.items():
        folder = tmp_path_factory.mktemp(name)
        if name == "recommend":
            results[name] = (0, larder_recommendation(), folder)
        else:
            results[name] = (*refresh_readme.run(item.words, folder), folder)
    return results


def test_every_mark_has_its_command_and_every_command_its_mark():
    assert sorted(SHOWN) == sorted(ALL_SHOWN)


@pytest.mark.parametrize("name", ALL_SHOWN)
def test_output_shown_is_current(printed, name):
    status, text, _ = printed[name]
    item = ALL_SHOWN[name]
    assert status == item.status
    differing = unlike(SHOWN[name], refresh_readme.block(item, text))
    assert not differing, f"run python tests/refresh_readme.py: {differing[:5]}"


@pytest.mark.parametrize("name", [name for name, item in ALL_SHOWN.items() if item.picture])
def test_picture_shown_is_current(printed, note, name):
    item = ALL_SHOWN[name]
    with Image.open(PICTURES / item.picture) as kept:
        share = refresh_readme.difference(kept, refresh_readme.reduced(printed[name][2]
                                                                       / item.picture))  # fmt: skip
    note(f"{item.picture}: {100 * share:.3f} % looks different")
    assert share < SAME_PICTURE, "run python tests/refresh_readme.py"


def test_a_changed_word_or_number_is_noticed():
    assert unlike("coldest 5.9 °C", "coldest 5.9 °C") == []
    assert unlike("coldest 5.9 °C", "coldest  6.0 °C") == []  # rounded the other way
    assert unlike("coldest 5.9 °C", "coldest 6.1 °C")
    assert unlike("coldest 5.9 °C", "warmest 5.9 °C")
    assert unlike("coldest 5.9 °C", "coldest 5.9 K")
    assert unlike("coldest 5.9", "coldest -5.9")
    assert unlike("coldest", "coldest 5.9")


def test_a_moved_curve_is_noticed():
    with Image.open(PICTURES / "day.png") as kept:
        picture = kept.convert("RGB")
    assert refresh_readme.difference(picture, picture) == 0.0
    moved = picture.copy()
    panel = (112, 90, 812, 440)  # of the temperatures inside
    moved.paste(ImageChops.offset(picture.crop(panel), 0, 8), panel[:2])
    assert refresh_readme.difference(picture, moved) > SAME_PICTURE


def test_pictures_are_all_shown_and_small():
    files = sorted(path.name for path in PICTURES.iterdir())
    assert files == sorted(item.picture for item in ALL_SHOWN.values() if item.picture)
    assert all(f"(.pictures/{name})" in TEXT for name in files)
    assert sum((PICTURES / name).stat().st_size for name in files) < 300_000


# Commands ------------------------------------------------------------------------------


def commands(text: str) -> list[str]:
    """Return every `coldloop ...` of a Markdown text: in backticks, and lines of code blocks."""
    blocks = re.findall(r"^```(?:sh|console)\n(.*?)^```", text, flags=re.MULTILINE | re.DOTALL)
    inline = re.sub(r"^```.*?^```", "", text, flags=re.MULTILINE | re.DOTALL)
    found = re.findall(r"`coldloop ([^`]+)`", inline)
    for block in blocks:
        found += re.findall(r"(?:^|\$ |\.venv/bin/)coldloop ([^\n&|#]+)", block, re.MULTILINE)
    return sorted({" ".join(command.split()) for command in found})


ALL_COMMANDS = sorted({*commands(TEXT), *commands(GUIDE)})


@pytest.mark.parametrize("command", ALL_COMMANDS)
def test_every_command_is_understood(command, monkeypatch, tmp_path):
    words = shlex.split(command)
    args = cli.build_parser(words).parse_args(words)  # ends the program on an unknown option
    assert args.verb in cli.VERBS
    # What it works on is shipped, or the file that the reader was told to write.
    named = getattr(args, "config", None) or "galley_larder"
    assert named in (*shipped_names(), "my_box.toml")
    if getattr(args, "explain", None):
        from ctrl.explain import CHAINS

        assert args.explain in CHAINS
    if args.verb == "guide" and args.topic != "topics":
        assert args.topic in (None, *(topic.topic for topic in topics()))


def test_a_wrong_command_would_be_noticed(capsys):
    assert commands("see `coldloop check x --al` and\n```sh\ncoldloop chek y\n```\n") == [
        "check x --al", "chek y",
    ]  # fmt: skip
    for words in (["check", "x", "--bogus"], ["chek", "y"]):
        with pytest.raises(SystemExit):
            cli.build_parser(words).parse_args(words)
    assert "bogus" in capsys.readouterr().err


def test_every_verb_answers_a_question_of_the_table():
    table = TEXT.partition("## Questions and commands")[2].partition("\n## ")[0]
    asked = {command.split()[0] for command in commands(table)}
    assert asked == set(cli.VERBS)


def test_every_shipped_cabinet_is_in_the_readme():
    assert all(f"| `{name}` |" in TEXT for name in shipped_names())


def test_links_of_the_readme_lead_somewhere():
    targets = re.findall(r"\]\(([^)#]+)\)", TEXT)
    assert "ctrl/guide.md" in targets
    assert all((README.parent / target).is_file() for target in targets)


# Guide ---------------------------------------------------------------------------------


def coldloop(capsys, *words: str) -> tuple[int, str, str]:
    """Run the command line in this process; return (status, standard output, error)."""
    status = cli.main(list(words))
    shown = capsys.readouterr()
    return status, shown.out, shown.err


def test_guide_whole_by_topic_and_listed(capsys):
    status, whole, _ = coldloop(capsys, "guide")
    assert status == 0
    assert whole.startswith(introduction())
    assert all(topic.text in whole for topic in topics())
    for topic in topics():
        assert coldloop(capsys, "guide", topic.topic)[:2] == (0, topic.markdown)
    status, listed, _ = coldloop(capsys, "guide", "topics")
    assert [line.split()[0] for line in listed.splitlines()] == [one.topic for one in topics()]


def test_guide_on_a_terminal_goes_through_the_pager(monkeypatch):
    paged = []
    monkeypatch.setattr("pydoc.pager", paged.append)
    out = screen.Console(file=io.StringIO(), force_terminal=True, width=70, _environ={})
    monkeypatch.setattr(screen, "console", lambda: out)
    monkeypatch.setitem(os.environ, "LESS", "FRX")
    assert cli.main(["guide", "module"]) == 0
    plain = re.sub(r"\x1b\[[0-9;]*m", "", paged[0])
    assert "what a Peltier module does" in plain and "##" not in plain
    assert max(len(line) for line in plain.splitlines()) <= 70


def test_guide_of_no_such_topic_is_one_line(capsys):
    status, out, err = coldloop(capsys, "guide", "weather")
    assert (status, out, len(err.splitlines())) == (2, "", 1)
    assert "'weather'" in err and "envelope" in err


def test_every_topic_names_a_command_and_its_sources():
    for topic in topics():
        assert commands(topic.text), topic.topic
        assert topic.topic == "limits" or "\n- Sources: " in topic.text, topic.topic


def _worked_module(current_a):
    """Heat taken up and power [W] of the guide's module between 5 and 35 C."""
    part = module.Module(0.0516, 2.0, 0.54, 6.0, 15.4, 30.0)
    a, r, k = part.seebeck_v_per_k, part.resistance_ohm, part.conductance_w_per_k
    pumped = a * current_a * 278.15 - 0.5 * current_a**2 * r - k * 30.0
    return pumped, current_a**2 * r + a * current_a * 30.0


def _guide_figures():
    """Return each figure of the guide marked "by hand", worked out from its formula."""
    for current_a in (2.0, 4.0, 6.0):
        heat_w, power_w = _worked_module(current_a)
        yield f"{current_a:.0f} A | {heat_w:.1f} W | {power_w:.1f} W | {heat_w / power_w:.2f} |"
    on_a = (12.0 - 0.0516 * 30.0) / 2.0
    heat_w, power_w = _worked_module(on_a)
    leak_w = 0.54 * 30.0
    yield f"pulses or relay: {0.5 * (heat_w + leak_w) - leak_w:.1f} W of cooling for " \
          f"{0.5 * power_w:.1f} W"  # fmt: skip
    heat_w, power_w = _worked_module(0.5 * on_a)
    yield f"smooth current: {heat_w:.1f} W of cooling for {power_w:.1f} W"
    yield f"{100 * (1 - 2 * 0.3 / 3.0) ** 3:.0f} % of it"
    yield f"{333.5 / 3.6:.0f} Wh a kilogram"
    faces_m, edges_m = 0.6 / 0.04, 0.54 * 4 * (0.30 + 0.30 + 0.35)
    total_m = faces_m + edges_m + 8 * 0.15 * 0.04
    yield f"{faces_m:.2f} m of faces, {edges_m:.2f} of edges and {8 * 0.15 * 0.04:.2f} of corners"
    yield f"{total_m:.2f} m in"
    yield f"{100 * (1 - faces_m / total_m):.0f} % short"
    yield f"{20.0 / (1 / 0.53 + 0.3 + 0.5):.1f} W back"
    psychrolib.SetUnitSystem(psychrolib.SI)
    states = [(25.0, 0.60), (5.0, 0.80)]
    ratios = [psychrolib.GetHumRatioFromRelHum(t, rh, 101325.0) for t, rh in states]
    dry_kg = 0.0315 / psychrolib.GetMoistAirVolume(25.0, ratios[0], 101325.0)
    yield f"brings {1000 * dry_kg * (ratios[0] - ratios[1]):.2f} g"
    for film, words in ((15.0, "with a fan"), (9.0, "in still air")):
        yield f"{2300 / (film * 0.048) / 3600:.1f} h {words} ({film:.0f} W"
    yield f"{1e5 / (6 * 24 * 365):.1f} years"
    yield f"{3.14159 / 2 * 2:.2f} times"
    yield f"{90 - 57.2958 / 2:.1f}°"
    yield f"at least {100 * 0.05 ** (1 / 400):.1f} %"


@pytest.mark.parametrize("figure", list(_guide_figures()))
def test_figures_of_the_guide_follow_from_their_formulas(figure):
    assert figure in " ".join(GUIDE.split())
