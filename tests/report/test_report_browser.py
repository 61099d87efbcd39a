"""The pages in a real browser, opened from their file with the network off: calm at every width, usable by keyboard."""

import io
import itertools
import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import matplotlib.image
import pypdfium2
import pytest
from effect_shots import series
from invented_shoot import invented_lens, invented_shots
from measured_lenses import CURVE, sharper, sweep_lens
from readme_picture import PICTURE, first_screen

from lensbench.compare.compare import compare_lenses
from lensbench.effect.effect import find_effect
from lensbench.model.sweep import SweepFindings
from lensbench.report.draw import Drawing
from lensbench.report.draw.render import draw
from lensbench.report.draw.strips import Strips
from lensbench.report.out.html import page_of
from lensbench.report.page.compare import compare_report
from lensbench.report.page.effect import effect_report
from lensbench.report.page.sweep import sweep_report

ROOT = Path(__file__).resolve().parents[2]
BROWSER = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
pytestmark = pytest.mark.skipif(
    BROWSER is None and os.environ.get("CI") != "true", reason="no browser here; Debian's chromium will do"
)
HOSTILE = "<img src=x onerror=alert(1)> Z\u202eoom </style><script>document.title='run'</script>"
# What reaches over the right border, the table heads that only readers of the screen meet left out.
STICKING_OUT = """() => [...document.querySelectorAll("body *")]
    .filter(e => e.getBoundingClientRect().right > document.documentElement.clientWidth + 0.5)
    .filter(e => !e.closest("svg") && !e.closest(".folding thead") && !e.closest(".shots thead")).length"""
SMALLEST_WORDS = """() => Math.min(...[...document.querySelectorAll("svg text")]
    .filter(e => e.checkVisibility() && e.getBoundingClientRect().height > 0)
    .map(e => parseFloat(getComputedStyle(e).fontSize) * Math.hypot(e.getScreenCTM().a, e.getScreenCTM().b)))"""
# Words of plots that leave their drawing, and are cut off there.
CUT_OFF = """() => [...document.querySelectorAll("svg text")]
    .filter(e => e.checkVisibility() && e.getBoundingClientRect().height > 0)
    .filter(e => { const own = e.getBoundingClientRect(), all = e.closest("svg").getBoundingClientRect();
        return own.right > all.right + 1 || own.left < all.left - 1; }).map(e => e.textContent)"""
SHOWN = """css => [...document.querySelectorAll(css)].filter(e => getComputedStyle(e).visibility == "visible"
    && e.getBoundingClientRect().width > 0).map(e => e.textContent)"""


@pytest.fixture(scope="module")
def browser():
    """One browser for all tests of this file."""
    from playwright.sync_api import sync_playwright  # noqa: PLC0415  not there, not needed, where no browser is

    with sync_playwright() as player:
        started = player.chromium.launch(executable_path=BROWSER, args=["--no-sandbox"])
        yield started
        started.close()


@pytest.fixture
def opened(browser) -> Iterator:
    """Open a page at a width; nothing may reach the network, and the console must stay silent."""
    contexts, said = [], []

    def open_page(path, *, width=1440, height=900, dark=False):
        context = browser.new_context(
            viewport={"width": width, "height": height},
            color_scheme="dark" if dark else "light",
            offline=True,
        )
        contexts.append(context)
        page = context.new_page()
        page.on("console", lambda message: said.append(message.text))
        page.on("pageerror", lambda error: said.append(str(error)))
        page.on("request", lambda request: said.append(request.url) if request.url[:5] == "http:" else None)
        page.goto(path.as_uri())
        return page

    yield open_page
    for context in contexts:
        context.close()
    assert said == []


@pytest.fixture(scope="module")
def hostile(tmp_path_factory):
    """Page of two lenses whose names would run, hide and break out, one of a single focal length."""
    lens = invented_lens(lens=HOSTILE, camera=HOSTILE)
    other = invented_lens(by_focal_length=lens.by_focal_length[1:2])
    report = sweep_report(SweepFindings(lenses=(lens, other), version=HOSTILE), invented_shots(lens=HOSTILE))
    path = tmp_path_factory.mktemp("hostile") / "report.html"
    unseen = Drawing(svg="", png=b"")  # maps and responses bear no name of a lens
    drawings = {plot.key: draw(plot) if isinstance(plot, Strips) else unseen for plot in report.plots}
    path.write_text(page_of(report, drawings), encoding="utf-8")
    return path


def page_file(report, tmp_path_factory, name):
    """Page of a report, of whose plots the first alone is drawn."""
    drawings = dict.fromkeys((plot.key for plot in report.plots), Drawing(svg="", png=b""))
    drawings[report.plots[0].key] = draw(report.plots[0])
    path = tmp_path_factory.mktemp(name) / "report.html"
    path.write_text(page_of(report, drawings), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def three_lenses(tmp_path_factory):
    """Page of three lenses compared, the second the sharpest by a fifth."""
    shares = {"Sorrel 35 mm f/2.8": 0.0, "Tansy with a rather long name 35 mm f/1.8": 0.2, "Clover 35": 0.05}
    lenses = [
        sweep_lens(name, sharper(share), seed=seed, sd=0.004)
        for seed, (name, share) in enumerate(shares.items())
    ]
    return page_file(compare_report(compare_lenses(lenses)), tmp_path_factory, "three")


@pytest.fixture(scope="module")
def five_levels(tmp_path_factory):
    """Page of an effect of five levels, of which the last alone is visible."""
    effect = dict(
        zip(("ISO 100", "ISO 400", "ISO 1600", "ISO 6400", "ISO 25600"), (0, 0, 0, 0, -0.2), strict=True)
    )
    found = find_effect(series([*effect] * 4, effect=effect, sd=0.004), by="condition")
    return page_file(effect_report(found), tmp_path_factory, "levels")


@pytest.mark.parametrize("which", ["sweep_folder", "compare_folder", "five_levels"])
def test_no_barrier_is_found(request, opened, which):
    from axe_playwright_python.sync_playwright import Axe  # noqa: PLC0415

    path = request.getfixturevalue(which)
    page = opened(path / "report.html" if path.is_dir() else path)
    folded_too = {(1440, "light"), (360, "dark")}
    every = itertools.product((360, 768, 1440), ("light", "dark"))
    for width, scheme in every if which == "sweep_folder" else [(360, "dark")]:
        # What is folded is looked at on the widest and on the narrowest page.
        fold = str((width, scheme) in folded_too).lower()
        page.evaluate(f"document.querySelectorAll('details').forEach(fold => {{ fold.open = {fold}; }})")
        page.set_viewport_size({"width": width, "height": 900})
        page.emulate_media(color_scheme=scheme)
        # What axe runs is put in from outside: the page's own policy lets nothing run.
        found = Axe().run(page, options={"resultTypes": ["violations"]}).response
        assert [(one["id"], one["nodes"][0]["html"]) for one in found["violations"]] == []
        assert len(found["passes"]) > 20


@pytest.mark.parametrize(
    "which", ["sweep_folder", "compare_folder", "hostile", "three_lenses", "five_levels"]
)
def test_nothing_sticks_out_and_words_in_plots_stay_large_from_320_px_on(request, opened, which):
    path = request.getfixturevalue(which)
    page = opened(path / "report.html" if path.is_dir() else path, width=320)
    page.evaluate("document.querySelectorAll('details').forEach(fold => { fold.open = true; })")
    for width in (320, 360, 641, 768, 960, 1200, 1440):
        page.set_viewport_size({"width": width, "height": 900})
        assert page.evaluate("document.documentElement.scrollWidth") == width
        assert page.evaluate(STICKING_OUT) == 0
        assert page.evaluate(SMALLEST_WORDS) >= 11.0
        assert page.evaluate(CUT_OFF) == []


@pytest.mark.parametrize(("width", "height"), [(1440, 900), (360, 740)])
def test_the_first_screen_answers_which_stop_which_position_and_whether_the_copy_is_sound(
    opened, sweep_folder, width, height
):
    page = opened(sweep_folder / "report.html", width=width, height=height)
    # The first strip wholly: the bars on its base line are its lowest part.
    for css in (".setting", ".beside", ".copy", ".strips svg:visible .best", ".strips svg:visible .good"):
        box = page.locator(css).first.bounding_box()
        assert box["y"] + box["height"] <= height, css
    strips = page.locator(".strips svg:visible").bounding_box()
    if width == 1440:
        assert strips["y"] + strips["height"] <= height
    assert (
        page.locator("h1").inner_text().split("\n")[-1].replace("\N{NO-BREAK SPACE}", " ") == "35 mm · f/5.6"
    )


def test_switches_of_unit_and_third_work_by_keyboard(opened, sweep_folder):
    page = opened(sweep_folder / "report.html")
    assert page.evaluate(SHOWN, ".strips .small") == ["95 %", "100 %", "88 %"]
    page.locator("input[name=lens-1-unit]").first.focus()
    page.keyboard.press("ArrowRight")
    # 0.307 cycles/pixel and 4 um: lp/mm = 1000 f / pitch.
    assert page.evaluate(SHOWN, ".strips .small") == ["73", "77", "68"]
    page.keyboard.press("Tab")
    page.keyboard.press("ArrowRight")
    assert page.evaluate("document.activeElement.value") == "inner"
    assert len(page.evaluate(SHOWN, ".strips .curve.inner")) == 3
    assert page.evaluate(SHOWN, ".strips .curve.of-frame") == []


def test_a_comparison_fills_its_width_shows_a_plot_at_once_and_has_its_own_switch(opened, compare_folder):
    page = opened(compare_folder / "report.html")
    frame, said, main = (
        page.locator(css).bounding_box() for css in ("#pair-1-frame svg:visible", ".answered", "main")
    )
    assert frame["y"] + frame["height"] <= 900
    assert frame["x"] > said["x"] + said["width"]
    assert frame["width"] + said["width"] > 0.85 * main["width"]
    ticks = page.evaluate(SHOWN, "#pair-1-frame .tick, #pair-1-frame .name")
    page.locator("input[name=pair-1-unit]").first.focus()
    page.keyboard.press("ArrowRight")
    changed = page.evaluate(SHOWN, "#pair-1-frame .tick, #pair-1-frame .name")
    assert "100 %" in ticks
    assert "100 %" not in changed
    page.set_viewport_size({"width": 360, "height": 740})
    base = page.locator("#pair-1-frame svg:visible .axis").first.bounding_box()
    assert base["y"] < 740


@pytest.mark.parametrize("which", ["hostile", "three_lenses", "five_levels"])
def test_answer_and_a_whole_first_plot_stand_on_a_telephones_first_screen(request, opened, which):
    page = opened(request.getfixturevalue(which), width=360, height=740)
    # Of strips the first: its base line ends it.
    for css in ("h1", ":is(.cards .setting, h1)", ".strips svg:visible .axis"):
        box = page.locator(css).first.bounding_box()
        assert 0.0 <= box["y"] <= box["y"] + box["height"] <= 740.0, css


@pytest.mark.parametrize("which", ["compare_folder", "three_lenses", "five_levels", "hostile"])
def test_a_line_of_anchors_leads_to_every_part(request, opened, which):
    path = request.getfixturevalue(which)
    page = opened(path / "report.html" if path.is_dir() else path)
    (line, *_) = page.locator(".bar nav").all()
    links = line.locator("a").all()
    assert len(links) >= 3
    assert links[-1].inner_text() == "Glossary"
    for link in links:
        assert page.locator(link.get_attribute("href")).count() == 1
    assert page.evaluate("() => new Set([...document.querySelectorAll('[id]')].map(e => e.id)).size") == (
        page.locator("[id]").count()
    )


def test_three_lenses_begin_with_one_plot_of_them_all(opened, three_lenses):
    page = opened(three_lenses)
    first = page.locator("#overview svg:visible")
    box = first.bounding_box()
    assert box["y"] + box["height"] <= 900
    assert (
        page.locator("table:visible").count() == 0
        or page.locator("table:visible").first.bounding_box()["y"] > 900
    )
    # The sharpest by a fifth alone has solid bars, at every stop of it.
    assert (first.locator("path.good").count(), first.locator("path.untold").count()) == (len(CURVE) + 1, 0)


def test_a_word_tells_its_meaning_on_a_tap(opened, sweep_folder):
    page = opened(sweep_folder / "report.html", width=360)
    word = page.locator(".opening .term").first
    word.click()
    assert "circles about its centre" in page.locator(".word:popover-open").inner_text()
    page.keyboard.press("Escape")
    assert page.locator(".word:popover-open").count() == 0


def test_foreign_names_are_text_and_lenses_have_a_card_each(opened, hostile):
    page = opened(hostile)
    assert page.locator("script, img[src=x]").count() == 0
    assert page.title() != "run"
    assert "<img src=x onerror=alert(1)> Zoom </style><script>" in page.locator(".cards a").first.inner_text()
    page.locator(".cards a").nth(1).click()
    assert page.evaluate("document.querySelector('#lens-2').getBoundingClientRect().top") < 5.0


def test_on_paper_no_page_is_nearly_empty(opened, sweep_folder):
    page = opened(sweep_folder / "report.html")
    pdf = pypdfium2.PdfDocument(page.pdf(format="A4", print_background=True))
    filled = []
    for sheet in pdf:
        grey = sheet.render(scale=0.5).to_numpy()[..., :3].mean(axis=2)
        rows = (grey < 200.0).any(axis=1).nonzero()[0]
        filled.append((rows.max() - rows.min()) / len(grey) if len(rows) else 0.0)
    pdf.close()
    # All but the last one hold something over half their height.
    assert min(filled[:-1]) > 0.5
    assert filled[-1] > 0.05


def test_the_readmes_picture_is_todays_first_screen(browser):
    fresh, kept = (
        matplotlib.image.imread(io.BytesIO(content))[..., :3]
        for content in (first_screen(browser), PICTURE.read_bytes())
    )
    assert fresh.shape == kept.shape
    # Fonts differ from one computer to the next; what stands where does not. Blocks of 24 pixels, levels from 0 to 1.
    fresh, kept = (
        picture.mean(axis=2).reshape(30, 24, 60, 24).mean(axis=(1, 3)) for picture in (fresh, kept)
    )
    assert abs(fresh - kept).max() < 0.25
    assert abs(fresh - kept).mean() < 0.01
    assert "docs/pictures/report.png" in (ROOT / "README.md").read_text(encoding="utf-8")
