"""The page in headless Chromium: a phone's and a desktop's width, light and dark, and paper.

Debian's packages chromium and chromium-driver; without them these tests are skipped, and
.ci/run takes no skips.  Accessibility rules are those of axe-core, WCAG 2.1 A and AA.
"""

import base64
import json
import re
import shutil
from functools import partial
from importlib import resources

import pytest
from report_page import hostile_page, larder_page, twin_page
from small_map import small_map

from ctrl import report
from ctrl.cli import main
from ctrl.config import load_config
from ctrl.twin import BY_NAME

CHROMIUM, DRIVER = (shutil.which(name) for name in ("chromium", "chromedriver"))
pytestmark = pytest.mark.skipif(
    None in (CHROMIUM, DRIVER), reason="needs Debian's packages chromium and chromium-driver"
)
FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
)  # fmt: skip
PHONE, TABLET, DESKTOP = 360, 768, 1280
VIEWS = [(PHONE, "light"), (PHONE, "dark"), (DESKTOP, "light"), (DESKTOP, "dark")]
# Elements that are wider inside than they are; words inside pictures have no box of their own.
TOO_WIDE = """
return [...document.querySelectorAll('body *')].filter(e =>
    !e.closest('svg') && !e.closest('.hidden') && getComputedStyle(e).display !== 'inline'
    && e.clientWidth > 0 && e.scrollWidth > e.clientWidth + 1
    || e.matches('table, tr, td, th, p, li, svg') && !e.closest('.hidden, .skip')
    && e.getBoundingClientRect().right > document.documentElement.clientWidth + 0.5
).map(e => e.tagName + ': ' + e.textContent.slice(0, 40))
"""
BROKEN_PICTURE = """
return [...document.querySelectorAll('figure svg')].filter(e => e.clientWidth > 0).flatMap(svg => {
    const box = svg.getBoundingClientRect();
    return [...svg.querySelectorAll('text')].filter(t => {
        const b = t.getBoundingClientRect();
        return b.left < box.left - 1 || b.right > box.right + 1;
    }).map(t => t.textContent.trim());
})
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("page")
    (folder / "larder.html").write_text(larder_page(), encoding="utf-8")
    (folder / "hostile.html").write_text(hostile_page(), encoding="utf-8")
    (folder / "twin.html").write_text(twin_page(), encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def browser(tmp_path_factory):
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    options.binary_location = CHROMIUM
    for flag in (*FLAGS, f"--user-data-dir={tmp_path_factory.mktemp('profile')}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    found = webdriver.Chrome(options=options, service=Service(DRIVER))
    yield found
    found.quit()


def show(browser, path, width, scheme, media="screen"):
    """Open a page as a phone or a desktop would, all its folded parts open."""
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", {
        "width": width, "height": 800, "deviceScaleFactor": 1, "mobile": width == PHONE,
    })  # fmt: skip
    features = [{"name": "prefers-color-scheme", "value": scheme}]
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": media, "features": features})
    for kind in ("browser", "performance"):
        browser.get_log(kind)
    browser.get(path.as_uri())
    browser.execute_script("document.querySelectorAll('details').forEach(e => e.open = true)")


def broken_rules(browser):
    """Return (rule, first places) of what axe-core finds; some rules must have applied."""
    axe = resources.files("axe_core_python").joinpath("axe.min.js").read_text(encoding="utf-8")
    browser.execute_script(axe)
    found = browser.execute_async_script(
        "const done = arguments[arguments.length - 1];"
        "axe.run({resultTypes: ['violations']}).then(done)"
    )
    assert len(found["passes"]) > 20
    return [
        (rule["id"], [node["target"] for node in rule["nodes"]][:3]) for rule in found["violations"]
    ]


def ground(browser):
    return browser.execute_script("return getComputedStyle(document.body).backgroundColor")


@pytest.mark.parametrize(
    ("name", "width", "scheme"),
    [(name, *view) for name in ("larder", "hostile") for view in VIEWS]
    + [("twin", width, "light") for width in (PHONE, TABLET, DESKTOP)],
)
def test_nothing_is_wider_than_the_screen(browser, folder, name, width, scheme):
    show(browser, folder / f"{name}.html", width, scheme)
    root = "document.documentElement"
    scroll, client = browser.execute_script(
        f"return [{root}.scrollWidth, {root}.clientWidth]"
    )  # fmt: skip
    assert client > 0.9 * width and scroll <= client
    assert browser.execute_script(TOO_WIDE) == []
    assert browser.execute_script(BROKEN_PICTURE) == []


@pytest.fixture(scope="module")
def calibrated(tmp_path_factory):
    """The page of `calibrate`, then `recommend --quick --report`: one drill, a map made by rule."""
    folder = tmp_path_factory.mktemp("calibrated")
    twin, page = folder / "twin.toml", folder / "page.html"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(report, "drill_all", partial(report.drill_all, only="tick_late"))
        patch.setattr(report, "setpoint_map", lambda config, **options: small_map())
        words = ["calibrate", "galley_larder", "galley_larder_log.csv", "--starts", "1"]
        assert main([*words, "--out", str(twin)]) == 0
        assert main(["recommend", str(twin), "--quick", "--report", str(page)]) == 0
    return load_config(str(twin)), page


@pytest.mark.parametrize(("width", "scheme"), [(PHONE, "dark"), (DESKTOP, "light")])
def test_a_calibrated_cabinet_shows_its_measured_parts(browser, calibrated, width, scheme):
    config, page = calibrated
    show(browser, page, width, scheme)
    root = "document.documentElement"
    assert browser.execute_script(f"return {root}.scrollWidth <= {root}.clientWidth")
    assert browser.execute_script(TOO_WIDE) == []
    rows = dict(browser.execute_script(
        "return [...document.querySelectorAll('#known tr')].map(e => [...e.children]"
        ".map(c => c.textContent)).filter(cells => cells.length == 2)"
    ))  # fmt: skip
    twin = config.twin
    told = [name for name in twin.values if name not in twin.unknown]
    assert "hot_sink" in told and len(told) > 5
    for name in told:
        value, error, unit = re.fullmatch(r"(-?[\d.]+) ± ([\d.]+)\s(.+)",
                                          rows[BY_NAME[name].words]).groups()  # fmt: skip
        assert float(value) == pytest.approx(twin.values[name], abs=0.06 * twin.errors[name])
        assert float(error) == pytest.approx(twin.errors[name], rel=0.06)
        assert unit == ("times the file's" if BY_NAME[name].is_factor else "K")
    assert not {BY_NAME[name].words for name in twin.unknown} & set(rows)


def test_the_measure_of_overflow_can_fail(browser, folder):
    show(browser, folder / "larder.html", PHONE, "light")
    browser.execute_script("document.querySelector('td').innerHTML = '<pre>' + 'x'.repeat(99)")
    assert browser.execute_script(TOO_WIDE) != []


@pytest.mark.parametrize(("width", "scheme"), VIEWS)
def test_no_word_on_the_console_and_no_request_beyond_the_file(browser, folder, width, scheme):
    path = folder / "larder.html"
    show(browser, path, width, scheme)
    assert browser.get_log("browser") == []
    events = [json.loads(item["message"])["message"] for item in browser.get_log("performance")]
    asked = {
        event["params"]["request"]["url"]
        for event in events
        if event["method"] == "Network.requestWillBeSent"
    }
    assert path.as_uri() in asked
    assert {url for url in asked if not url.startswith("data:")} == {path.as_uri()}


@pytest.mark.parametrize(("width", "scheme"), VIEWS)
def test_one_picture_of_each_pair_is_shown_in_the_theme(browser, folder, width, scheme):
    show(browser, folder / "larder.html", width, scheme)
    shown = browser.execute_script(
        "return [...document.querySelectorAll('.narrow, .wide')].filter(e => e.clientWidth)"
        ".map(e => e.className)"
    )
    assert shown == ["narrow" if width == PHONE else "wide"] * 3
    red, green, blue = (int(x) for x in re.findall(r"\d+", ground(browser))[:3])
    assert (red + green + blue > 600) == (scheme == "light")
    ink = browser.execute_script(
        "return getComputedStyle(document.querySelector('figure svg text')).fill"
    )
    assert (sum(int(x) for x in re.findall(r"\d+", ink)[:3]) < 300) == (scheme == "light")


def test_nothing_is_drawn_black_on_dark(browser, folder):
    """SVG's own default is black: what leaves its colour out must still follow the page."""
    show(browser, folder / "larder.html", DESKTOP, "dark")
    drawn = browser.execute_script(
        "return [...document.querySelectorAll('figure .wide svg *')].flatMap(e => {"
        "const s = getComputedStyle(e); return [s.fill, s.stroke]; })"
    )
    assert len(drawn) > 500 and "rgb(0, 0, 0)" not in drawn


def test_accessibility_rules_can_fail(browser, folder):
    show(browser, folder / "larder.html", PHONE, "light")
    browser.execute_script(
        "document.querySelector('main p').style.color = '#999';"
        "document.querySelector('figure [role=img]').removeAttribute('aria-label')"
    )
    assert {"color-contrast", "role-img-alt"} <= {rule for rule, _ in broken_rules(browser)}


@pytest.mark.parametrize(("width", "scheme"), VIEWS)
def test_words_in_pictures_are_large_enough(browser, folder, width, scheme):
    """At least 9 px as shown, on a phone as well."""
    show(browser, folder / "larder.html", width, scheme)
    heights = browser.execute_script(
        "return [...document.querySelectorAll('figure svg')].filter(e => e.clientWidth).map(e => "
        "e.clientWidth / e.viewBox.baseVal.width * Math.min(...[...e.querySelectorAll('text')]"
        ".map(t => parseFloat(getComputedStyle(t).fontSize))))"
    )
    assert len(heights) == 3 and min(heights) >= 9.0


@pytest.mark.parametrize(("width", "scheme"), VIEWS[1:3])
def test_accessibility_rules_find_nothing(browser, folder, width, scheme):
    show(browser, folder / "larder.html", width, scheme)
    assert broken_rules(browser) == []


def test_the_first_tab_shows_the_way_past_the_links(browser, folder):
    from selenium.webdriver.common.keys import Keys

    show(browser, folder / "larder.html", PHONE, "light")
    browser.switch_to.active_element.send_keys(Keys.TAB)
    link = browser.switch_to.active_element
    assert link.get_attribute("class") == "skip" and link.rect["x"] >= 0
    style = "getComputedStyle(document.activeElement)"
    assert browser.execute_script(f"return {style}.outlineStyle") == "solid"
    link.send_keys(Keys.ENTER)
    assert browser.execute_script("return document.activeElement.id") == "main"


def test_a_long_word_breaks_and_leaves_its_neighbours_room_on_paper(browser, folder):
    """A4 less its margins of 15 mm is 680 px wide."""
    show(browser, folder / "twin.html", 680, "light", media="print")
    widths = browser.execute_script(
        "const row = [...document.querySelectorAll('#config tr')]"
        ".find(e => e.textContent.startsWith('log_sha256'));"
        "return [...row.children].map(e => e.getBoundingClientRect().width)"
    )
    assert len(widths) == 3 and sum(widths) <= 681
    assert widths[1] < 400 and widths[2] > 120


def test_it_prints_on_a4_with_dark_ink(browser, folder):
    show(browser, folder / "larder.html", DESKTOP, "dark", media="print")
    assert ground(browser) == "rgb(255, 255, 255)"
    browser.execute_script("document.querySelectorAll('details').forEach(e => e.open = false)")
    height = "return document.querySelector('{}').getBoundingClientRect().height"
    kept = browser.execute_script(height.format("#config details table"))
    assert kept > 100  # the config is printed though it is folded on the screen
    kept_whole = browser.execute_script(
        "return [...document.querySelectorAll('table')].map(e => [e.querySelectorAll('tbody tr')"
        ".length, getComputedStyle(e).breakInside])"
    )
    assert {inside for rows, inside in kept_whole if rows <= 16} == {"avoid"}
    assert {inside for rows, inside in kept_whole if rows > 16} == {"auto"}
    printed = browser.execute_cdp_cmd("Page.printToPDF", {"preferCSSPageSize": True})
    pdf = base64.b64decode(printed["data"])
    assert pdf.startswith(b"%PDF")
    pages = len(re.findall(rb"/Type\s*/Page\b", pdf))
    assert 5 <= pages <= 25
    width, height_pt = (float(x) for x in re.search(
        rb"/MediaBox\s*\[\s*0 0 ([\d.]+) ([\d.]+)", pdf).groups())  # fmt: skip
    assert (width, height_pt) == pytest.approx((595.3, 841.9), abs=1.0)  # 210 x 297 mm
