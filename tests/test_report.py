"""The page of `recommend --report`: structure, words, colours, origin of numbers, the file.

Contrast is by the formula of WCAG 2.1, "relative luminance" and "contrast ratio".
"""

import re
from dataclasses import replace
from html import escape, unescape
from html.parser import HTMLParser
from importlib import resources

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from report_page import HOSTILE, hostile_page, larder_page, larder_report, twin_report

from ctrl import cli, plot_style, report, screen_map, screen_recommend
from ctrl.bottlenecks import Bottleneck
from ctrl.cases import CANNOT
from ctrl.config import config_fields, load_config, override
from ctrl.files import CannotWrite
from ctrl.notes import Grid, Heading, Item, Paragraph, noted
from ctrl.record import COLUMNS
from ctrl.report_config import (
    REPLACES,
    SHEET_KEYS,
    kind_of,
    remarks_of,
    replaced_keys,
    used_keys,
)
from ctrl.report_html import (
    least_letters,
    markup_of,
    table_of,
    text_of,
    with_drives,
    with_rooms,
    with_units,
    without_named_units,
    without_unit_column,
)
from ctrl.report_plots import NARROW_IN, VARIABLES, WIDE_IN, gains_figure, themed
from ctrl.setpoint_map import ICE_BORDER, RESOLUTION_K
from ctrl.simulation import money_per_day
from ctrl.twin import BY_NAME

CSS = resources.files("ctrl").joinpath("report.css").read_text(encoding="utf-8")
VOID = {"meta", "link", "br", "hr", "img"}


class Tree(HTMLParser):
    """Every element with its attributes, open elements above it, and its text."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.open: list[tuple[str, dict]] = []
        self.seen: list[tuple[str, dict, tuple[str, ...]]] = []
        self.text: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        self.seen.append((tag, dict(attrs), tuple(name for name, _ in self.open)))
        if tag not in VOID:
            self.open.append((tag, dict(attrs)))

    def handle_startendtag(self, tag, attrs):
        self.seen.append((tag, dict(attrs), tuple(name for name, _ in self.open)))

    def handle_endtag(self, tag):
        assert self.open and self.open[-1][0] == tag, f"</{tag}> closes {self.open[-1:]}"
        self.open.pop()

    def handle_data(self, data):
        self.text.append(data)

    def all(self, tag):
        return [attrs for name, attrs, _ in self.seen if name == tag]


@pytest.fixture(scope="module")
def tree():
    return Tree(larder_page())


def flat(text: str) -> str:
    return " ".join(text.replace("\u00a0", " ").split())


# Structure ---------------------------------------------------------------------------------


def test_the_page_is_one_document_with_language_and_title(tree):
    assert not tree.open
    assert tree.all("html") == [{"lang": "en"}]
    assert "<title>galley larder: holds - coldloop report</title>" in larder_page()
    assert {"name": "viewport", "content": "width=device-width, initial-scale=1"} in tree.all(
        "meta"
    )


def test_headings_begin_with_one_h1_and_skip_no_level(tree):
    levels = [int(tag[1]) for tag, _, _ in tree.seen if re.fullmatch(r"h[1-6]", tag)]
    assert levels[0] == 1 and levels.count(1) == 1
    assert all(after <= before + 1 for before, after in zip(levels, levels[1:], strict=False))


def test_sections_come_in_the_order_in_which_a_maker_needs_them(tree):
    assert [attrs["id"] for attrs in tree.all("section")] == [
        "verdict", "settings", "day", "map", "limits", "ice", "back", "energy", "tolerance",
        "drills", "cautions", "known", "config",
    ]  # fmt: skip


def test_tables_have_captions_and_scopes(tree):
    assert len(tree.all("table")) > 15
    assert len(tree.all("caption")) == len(tree.all("table"))
    assert "<caption></caption>" not in re.sub(r"<caption[^>]*>", "<caption>", larder_page())
    assert all(attrs.get("scope") in ("col", "row") for attrs in tree.all("th"))


def test_pictures_say_their_finding_in_words(tree):
    pictures = [attrs for attrs in tree.all("div") if attrs.get("role") == "img"]
    assert len(pictures) == len(tree.all("figure")) == len(tree.all("figcaption")) == 3
    alts = [attrs["aria-label"] for attrs in pictures]
    day = larder_report().day
    assert f"{day['contents_c'].max():.1f}" in alts[0]
    assert f"{day['hot_sink_c'].max():.1f}" in alts[0]
    assert flat(report.day_finding(day, larder_report().found.config)) in flat(alts[0])


def test_nothing_is_fetched_and_nothing_runs(tree):
    assert not tree.all("script") and not tree.all("img") and not tree.all("iframe")
    links = [attrs[k] for _, attrs, _ in tree.seen for k in ("href", "src", "xlink:href")
             if k in attrs]  # fmt: skip
    assert links and all(link.startswith("#") or link == "data:," for link in links)
    assert "@import" not in larder_page() and "http" not in CSS
    assert not any(name.startswith("on") for _, attrs, _ in tree.seen for name in attrs)
    targets = re.findall(r"url\(([^)]*)\)", larder_page())
    assert all(target.startswith("#") for target in targets)


def test_ids_are_unique_and_every_reference_has_its_target(tree):
    ids = [attrs["id"] for _, attrs, _ in tree.seen if "id" in attrs]
    assert len(ids) == len(set(ids))
    wanted = [attrs[k].lstrip("#") for _, attrs, _ in tree.seen
              for k in ("href", "xlink:href", "aria-labelledby") if k in attrs]  # fmt: skip
    wanted += re.findall(r"url\(#([^)]*)\)", larder_page())
    assert set(wanted) - {"data:,"} <= set(ids)


def test_same_config_same_bytes():
    assert report.page_of(larder_report(), "1.2.3") == larder_page()
    assert not re.search(r"20\d\d-\d\d-\d\d", larder_page())


def test_names_from_a_config_are_never_markup():
    page = hostile_page()
    assert HOSTILE not in page and "<script" not in page
    assert text_of(HOSTILE) in page
    assert HOSTILE in unescape(page)


# Words -------------------------------------------------------------------------------------


def test_the_page_says_what_the_screen_says(tree):
    said = flat(" ".join(tree.text))
    blocks = noted(*screen_recommend.parts(larder_report().found).values())
    texts = [item.text for item in blocks if isinstance(item, Paragraph | Item)]
    assert len(texts) > 30
    assert [text for text in texts if flat(text) not in said] == []
    heads = [item.text.removeprefix("Verdict: ") for item in blocks if isinstance(item, Heading)]
    assert [text for text in heads if flat(text) not in said] == []


def test_every_cell_of_the_screen_is_on_the_page(tree):
    said = flat(" ".join(tree.text))
    grids = [item for item in noted(*screen_recommend.parts(larder_report().found).values())
             if isinstance(item, Grid)]  # fmt: skip
    cells = {flat(cell) for grid in grids for row in grid.rows for cell in row}
    assert len(cells) > 100
    assert [cell for cell in cells if cell not in said] == []


def test_limits_name_value_and_limit_as_they_are():
    """The hot sink's limit is the trip of the config, 70 °C; its value is what was simulated."""
    blocks = noted(screen_recommend.parts(larder_report().found)["limits"])
    grid = next(item for item in blocks if isinstance(item, Grid))
    row = next(row for row in grid.rows if row[0].startswith("hot sink"))
    named = dict(zip(grid.headings, row, strict=True))
    item = next(x for x in larder_report().found.limits
                if x.name == "hot sink" and x.case == named["case"])  # fmt: skip
    assert named["limit"] == f"{item.limit:.1f}" and named["value"] == f"{item.value:.1f}"


def test_drills_say_passed_or_failed_in_words(tree):
    page = larder_page()
    assert re.search(r"FAILED</strong> sensor_stuck", page)
    assert re.search(r"passed</strong> tick_late", page)


def test_failed_drills_stand_under_the_verdict():
    whole = larder_report()
    fault = next(item.fault for item in whole.drills if item.name == "sensor_stuck")
    assert len(fault.split()) > 2
    assert f"<strong>1 of 2 drills fails: {escape(fault)} (sensor_stuck).</strong>" in larder_page()
    passed = replace(whole, drills=tuple(item for item in whole.drills if item.passed))
    assert report._failed(passed.drills) == []


def test_what_is_not_safe_to_build_is_not_to_be_flashed(monkeypatch):
    """On the page and on the screen alike, at the top as well; pictures say nothing of it."""
    monkeypatch.setattr(report, "pictures", lambda *_: ("", ""))
    whole = larder_report()
    reason = "not safe to build as described: foam at the hot sink (highest voltage, poor parts)"
    unsafe = replace(whole.found, verdict=CANNOT, reason=reason)
    page = flat(unescape(report.page_of(replace(whole, found=unsafe), "1")))
    assert "settings to flash" not in page.lower()
    assert "Settings, once it is safe to build: PI" in page and "nothing to flash yet" in page
    assert "DO NOT FLASH THEM YET" in page
    assert "DO NOT FLASH" not in larder_page() and "Settings to flash: PI" in larder_page()


def test_a_point_next_to_the_ice_border_is_said_beside_the_verdict():
    whole = larder_report()
    target_c = whole.found.config.use.target_c
    advice = replace(whole.map.advice, contents_c=target_c, decided_by=ICE_BORDER,
                     ambient_c=22.0, spare_k=0.5 * RESOLUTION_K)  # fmt: skip

    def lines(**changes):
        return report._near_ice(
            replace(whole, map=replace(whole.map, advice=replace(advice, **changes)))
        )

    assert "22 °C" in lines()[0] and f"{RESOLUTION_K:g} K" in lines()[0]
    assert lines(spare_k=1.5 * RESOLUTION_K) == lines(contents_c=target_c + 1.0) == []
    assert lines(decided_by="full drive") == []


def test_one_temperature_is_not_a_range():
    day, config = larder_report().day, larder_report().found.config
    assert re.search(r"stay between [\d.]+ and [\d.]+ °C", report.day_finding(day, config))
    still = {name: day[name] for name in COLUMNS} | {"contents_c": np.full(3, 12.0)}
    assert "stay at 12.0 °C, " in report.day_finding(still, config)


def test_money_without_a_name_is_the_tariffs():
    plain = larder_report().found
    tariff = plain.config.tariff.model_copy(update={"per_kwh": 0.3, "currency": "money"})

    def energy_tile(tariff):
        config = plain.config.model_copy(update={"tariff": tariff})
        return dict(report._tiles(replace(plain, config=config)))["energy a day"]

    assert energy_tile(tariff).endswith(" in your tariff's currency")
    assert energy_tile(tariff.model_copy(update={"currency": "shells"})).endswith(" shells")
    named = plain.config.model_copy(
        update={"tariff": tariff.model_copy(update={"currency": "shells"})}
    )
    unnamed = plain.config.model_copy(update={"tariff": tariff})
    assert (money_per_day(named), money_per_day(unnamed)) == ("shells/day", "cost/day")


# Tables ------------------------------------------------------------------------------------


def test_a_row_of_units_joins_the_headings():
    grid = Grid(("room", "steady", ""), (("°C", "W", ""), ("16", "24", "x")), (True, True, False))
    assert with_units(grid).headings == ("room, °C", "steady, W", "")
    assert with_units(grid).rows == (("16", "24", "x"),)
    plain = Grid(("room", "steady"), (("usual", "24"),), (True, True))
    assert with_units(plain) is plain


def test_a_row_of_drives_joins_the_headings():
    """Two columns of one controller on two drives are told apart, on a phone as well."""
    rows = (("drive", "relay", "fast PWM", ""), ("energy", "0.8", "0.2", "kWh/day"))
    found = with_drives(Grid(("", "PI", "PI", ""), rows, (False, True, True, False)))
    assert found.headings == ("", "PI on relay", "PI on fast PWM", "")
    assert found.rows == rows[1:]
    heads = re.findall(r'data-label="([^"]*? on [^"]*)"', larder_page())
    chosen = larder_report().found.controllers
    assert len(set(heads)) == len(chosen) > 1


def test_the_maps_table_says_which_is_the_room():
    blocks = noted(lambda out: screen_map.show(out, larder_report().map))
    grid = next(item for item in blocks if isinstance(item, Grid))
    assert grid.headings[0] == "°C"
    assert with_rooms(grid).headings[:2] == ("contents, °C", "room 5 °C")
    assert 'data-label="contents, °C"' in larder_page()
    assert "room 22\u00a0°C</th>" in larder_page()


def test_only_a_very_long_word_may_break_anywhere():
    grid = Grid(("key", "value"), (("inside_film_fan_stopped_w_per_m2_k", "f" * 64),), (False,) * 2)
    assert re.findall(r'<t[hd][^>]*class="long"[^>]*>(\w)', table_of(grid, "t")) == ["f"]


@pytest.mark.parametrize("width_in", [NARROW_IN, WIDE_IN])
def test_no_label_of_a_gain_leaves_the_picture(width_in):
    """Also where some changes lose: the bars then begin in the middle."""
    wide = "WWWW MMMM " * 5
    gains = {"cold sink": 2.1, wide: 1.0, "in series": -3.5}
    items = [
        Bottleneck(part, "a sink and fan with 30 % less K/W", "a day", gain_k)
        for part, gain_k in gains.items()
    ]
    figure = gains_figure(items, width_in)
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    texts = [item for item in figure.axes[0].texts if ":" in item.get_text()]
    assert len(texts) == 3
    for item in texts:
        box = item.get_window_extent(canvas.get_renderer())
        assert box.x0 >= 0.0 and box.x1 <= figure.bbox.width, item.get_text()


def test_a_column_of_units_joins_values_or_names():
    one = Grid(("", "", ""), (("trip", "70", "°C"),), (False, True, False))
    assert without_unit_column(one).rows == (("trip", "70 °C"),)
    many = Grid(("", "a", "b", ""), (("trip", "70", "71", "°C"), ("x", "1", "2", "")),
                (False, True, True, False))  # fmt: skip
    assert without_unit_column(many).rows == (("trip, °C", "70", "71"), ("x", "1", "2"))
    named = Grid(("", "value", "unit", "case"), (("trip", "70", "°C", "worst"),),
                 (False, True, False, False))  # fmt: skip
    assert without_named_units(named).rows == (("trip, °C", "70", "worst"),)


def test_wide_tables_are_stacked_on_a_phone():
    narrow = Grid(("a", "b"), (("one two three", "4"),), (False, True))
    wide = Grid(tuple("abcdefgh"), (("1234567890",) * 8,), (True,) * 8)
    assert least_letters(narrow) < 20 < 80 < least_letters(wide)
    assert 'class="plain"' in table_of(narrow, "t") and 'class="stack"' in table_of(wide, "t")
    assert 'data-label="b"' in table_of(wide, "t")


def test_blocks_become_markup_in_order():
    blocks = [Heading("A<b"), Paragraph("x", strong=True), Item("1"), Item("2"), Paragraph("y")]
    assert markup_of(blocks, 3, "") == (
        "<h3>A&lt;b</h3>\n<p><strong>x</strong></p>\n<ul><li>1</li><li>2</li></ul>\n<p>y</p>"
    )


# Colours -----------------------------------------------------------------------------------

TEXTS = ("ink", "soft", "link", "good", "bad")
ON_PAPER = ("grey", "blue", "sky", "green", "red", "amber-text", "purple")


def colours(css: str) -> dict[str, tuple[float, ...]]:
    found = re.findall(r"--([\w-]+): (#[0-9a-f]{6});", css)
    return {name: tuple(int(code[k : k + 2], 16) / 255 for k in (1, 3, 5)) for name, code in found}


LIGHT = colours(CSS.split("@media", 1)[0])
DARK = colours(CSS.split("@media", 1)[1].split("* {", 1)[0])


def luminance(colour) -> float:
    parts = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in colour]
    return 0.2126 * parts[0] + 0.7152 * parts[1] + 0.0722 * parts[2]


def contrast(one, other) -> float:
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def over(colour, share, ground) -> tuple[float, ...]:
    return tuple(share * c + (1.0 - share) * g for c, g in zip(colour, ground, strict=True))


def test_contrast_of_black_on_white_is_21():
    assert contrast((0.0, 0.0, 0.0), (1.0, 1.0, 1.0)) == pytest.approx(21.0)
    grey = (0x76 / 255,) * 3  # the palest grey that passes on white, 4.54
    assert contrast(grey, (1.0, 1.0, 1.0)) == pytest.approx(4.54, abs=0.01)


@pytest.mark.parametrize("theme", [LIGHT, DARK], ids=["light", "dark"])
def test_text_has_the_contrast_of_level_aa(theme):
    assert set(LIGHT) == set(DARK)
    for name in TEXTS:
        for ground in ("paper", "card"):
            assert contrast(theme[name], theme[ground]) >= 4.5, (name, ground)
    for name in ON_PAPER:  # words beside lines in the pictures
        assert contrast(theme[name], theme["paper"]) >= 4.5, name
    for name in ("red", "ink"):  # on the grey of what cannot be held
        assert contrast(theme[name], theme["shade"]) >= 4.5, name


@pytest.mark.parametrize("theme", [LIGHT, DARK], ids=["light", "dark"])
def test_words_on_the_map_can_be_read(theme):
    """Worst ground: the deepest tint (0.56 amber) under a band of paper at three quarters."""
    tint = over(theme["amber"], 0.56, theme["paper"])
    assert contrast(theme["ink"], tint) >= 4.5
    banded = over(theme["paper"], 0.75, tint)
    for name in ("blue", "amber-text"):
        assert contrast(theme[name], banded) >= 4.5, name


def test_every_colour_of_the_pictures_is_one_of_the_page():
    svgs = re.findall(r"<svg.*?</svg>", larder_page(), re.DOTALL)
    assert len(svgs) == 6
    used = set(re.findall(r"var\(--([\w-]+)\)", "".join(svgs)))
    assert used <= set(LIGHT) and len(used) > 8
    assert not re.search(r"#[0-9a-fA-F]{6}\b", "".join(svgs))
    named = {v for k, v in vars(plot_style).items() if isinstance(v, str) and v.startswith("#")}
    assert named == set(VARIABLES)


def test_a_picture_keeps_its_ids_to_itself():
    svg = (
        '<?xml version="1.0"?><svg width="1" viewBox="0 0 1 1"><metadata>d</metadata>'
        '<path id="p" clip-path="url(#c)" style="fill: #0072b2"/><use xlink:href="#p"/></svg>'
    )
    assert themed(svg, "day") == (
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 1 1" aria-hidden="true">\n'
        '<path id="day-p" clip-path="url(#day-c)" style="fill: var(--blue)"/>'
        '<use xlink:href="#day-p"/></svg>\n'
    )


# Where numbers come from -------------------------------------------------------------------

TOML = """
[cabinet]  # a table
name = "a # b"          # invented
inside_width_mm = 300   # measured with a rule
foam = 'EPS'            # data to a standard
count = 3
[use]
target_c = 8            # assumed: not answered
"""


def test_remarks_are_read_past_hashes_in_strings():
    assert remarks_of(TOML) == {
        "cabinet.name": "invented",
        "cabinet.inside_width_mm": "measured with a rule",
        "cabinet.foam": "data to a standard",
        "cabinet.count": "",
        "use.target_c": "assumed: not answered",
    }


def test_each_case_of_a_drill_opens_with_a_bold_line():
    stuck = next(item for item in larder_report().drills if item.name == "sensor_stuck")
    markup = report._one_drill(stuck)
    for run in stuck.runs:
        assert re.search(rf"<p><strong>{run.verdict}[^<]*: {re.escape(escape(run.place))}", markup)


@pytest.mark.parametrize(
    ("remark", "kind"),
    [("measured", "measured"), ("invented, in the usual range", "assumed"), ("", "stated"),
     ("common practice, no source", "assumed"), ("sheet of a power module", "stated"),
     ("measured; before that invented", "measured"), ("unmeasured", "stated")],
)  # fmt: skip
def test_remarks_tell_what_a_number_rests_on(remark, kind):
    assert kind_of(remark) == kind


def test_keys_say_where_they_come_from():
    plain = load_config("galley_larder")
    text = report.text_of_config(plain)
    kinds = {item.key: item.kind for item in used_keys(plain, text)}
    assert kinds["cabinet.inside_width_mm"] == "assumed"  # its remark: invented
    assert kinds["cabinet.foam"] == "stated"  # its remark names a standard
    assert kinds["limits.sink_ice_blockage_pct"] == "default"
    assert "command line" not in kinds.values()
    warm = {item.key: item for item in used_keys(override(plain, ambient_c=26.0), text)}
    assert warm["climate.usual_c"].kind == "command line"
    assert warm["climate.usual_c"].value == "26"
    assert warm["climate.usual_c"].remark == "the file has 22"


def test_of_a_twin_only_what_its_log_told_is_measured():
    """Two parts of `report_page.TWIN`; not its name, hash, errors, the joint, nor a lump."""
    items = {item.key: item for item in twin_report().keys}
    measured = {key for key, item in items.items() if item.kind == "measured"}
    assert measured == {"twin.hot_sink_times", "twin.air_offset_k"}
    fitted = {key for key, item in items.items() if item.kind == "fitted"}
    assert fitted == {"twin.cold_capacity_times"}
    row = r"measured on this cabinet</th><td[^>]*>(\d+)</td>"
    assert re.search(row, report._known(twin_report())).group(1) == "2"
    assert items["twin.log_sha256"].kind == "of the twin's log"


def test_what_a_twin_replaces_is_not_assumed():
    plain = {item.key: item.kind for item in larder_report().keys}
    items = {item.key: item for item in twin_report().keys}
    replaced = {key: item for key, item in items.items() if item.kind == "replaced by the twin"}
    assert set(replaced) == {"hot_sink.fan_k_per_w", "cold_sink.heat_capacity_j_per_k"}
    assert plain["hot_sink.fan_k_per_w"] == "assumed"
    assert replaced["hot_sink.fan_k_per_w"].remark == "twin.hot_sink_times"
    # The joint was not told, so its key stays what it was.
    assert items["module.hot_contact_k_per_w"].kind == plain["module.hot_contact_k_per_w"]


def test_a_sheet_is_replaced_by_all_three_of_its_constants_only():
    assert replaced_keys(("seebeck", "resistance")) == {}
    assert "module.qmax_w" in replaced_keys(("seebeck", "resistance", "conductance"))


def test_every_key_that_a_twin_can_replace_is_one_of_the_config():
    keys = {row.key for row in config_fields()}
    assert {key for group in REPLACES.values() for key in group} | set(SHEET_KEYS) <= keys
    assert set(REPLACES) <= set(BY_NAME)


# The file ----------------------------------------------------------------------------------


def test_the_file_is_written_whole_or_not_at_all(tmp_path, monkeypatch):
    path = tmp_path / "page.html"
    report.write_report(larder_report(), "1.2.3", path)
    assert path.read_text(encoding="utf-8") == larder_page()
    monkeypatch.setattr(report, "page_of", lambda *_: "\udc00")  # cannot be encoded
    with pytest.raises(UnicodeEncodeError):
        report.write_report(larder_report(), "1.2.3", path)
    assert path.read_text(encoding="utf-8") == larder_page()
    assert [item.name for item in tmp_path.iterdir()] == ["page.html"]
    with pytest.raises(CannotWrite, match="is a folder"):
        report.write_report(larder_report(), "1.2.3", tmp_path)


@pytest.mark.parametrize(
    ("more", "expected"),
    [(["--report", "old.html"], "old.html"), (["--report", "page.pdf"], ".html"),
     (["--report", "missing/page.html"], "missing"), (["--report", ""], "--report"),
     (["--report", "new.html", "--explain", "setpoint_c"], "--explain without --report")],
)  # fmt: skip
def test_files_in_the_way_are_told_before_a_long_run(more, expected, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "old.html").write_text("mine", encoding="utf-8")
    assert cli.main(["recommend", "galley_larder", "--quick", *more]) == 2
    out, err = capsys.readouterr()
    assert err.count("\n") == 1 and expected in err and out == ""
    assert (tmp_path / "old.html").read_text(encoding="utf-8") == "mine"
    assert len(list(tmp_path.iterdir())) == 1


def test_the_command_writes_the_page(tmp_path, monkeypatch, capsys):
    """The long runs are those of the fixture; the way through the command is the real one."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "page.html").write_text("old", encoding="utf-8")
    monkeypatch.setattr("ctrl.recommend.recommend", lambda *_, **__: larder_report().found)
    monkeypatch.setattr(report, "report_of", lambda found, progress: larder_report())
    words = ["recommend", "galley_larder", "--quick", "--report", "page.html", "--force"]
    assert cli.main(words) == 0
    assert "written: page.html" in capsys.readouterr().out
    page = (tmp_path / "page.html").read_text(encoding="utf-8")
    assert page.startswith("<!DOCTYPE html>") and "coldloop\u00a01" not in page
    assert flat(page) == flat(larder_page().replace("coldloop 1.2.3", f"coldloop {cli.version()}"))
