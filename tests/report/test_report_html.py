"""The page is one file, opens offline, runs nothing, and shows foreign text as text."""

import base64
import hashlib
import html
import re
from functools import cache

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from invented_shoot import CAMERA, invented_findings, invented_lens, invented_shots, planned
from page_reader import read_page

from lensbench.model.shot import RejectedShot
from lensbench.model.sweep import SweepFindings
from lensbench.report.draw.render import draw
from lensbench.report.out.html import page_of as whole_page
from lensbench.report.page.sweep import sweep_report
from lensbench.report.text.answer import lens_sentences

ATTACKS = [
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "</style><script>alert(1)</script>",
    "</svg><script>alert(1)</script>",
    "{{ 7 * 7 }}",
    "' onmouseover='alert(1)",
    "&lt;script&gt;",
]
ALLOWED = {
    *("html", "head", "meta", "title", "style", "body", "main", "section", "p"),
    *("h1", "h2", "h3", "table", "caption", "thead", "tbody", "tr", "th"),
    *("td", "small", "span", "div", "figure", "figcaption", "details", "summary", "svg", "img"),
    *("desc", "rect", "circle", "path", "text", "clippath"),
    *("ol", "li", "dl", "dt", "dd", "footer", "header", "nav", "a", "b", "button", "fieldset", "legend"),
    *("label", "input"),
}


@pytest.fixture(scope="module")
def page(sweep_folder):
    return read_page((sweep_folder / "report.html").read_text(encoding="utf-8"))


drawn_once = cache(draw)


def page_from(report, drawn=drawn_once):
    return whole_page(report, {plot.key: drawn(plot) for plot in report.plots})


def page_of(**changes):
    lens = invented_lens(**changes)
    return page_from(sweep_report(SweepFindings(lenses=(lens,)), []))


def test_the_first_screen_is_the_plain_answer_and_the_full_one_stands_below():
    headline = re.search(r'<h1 class="set">(.*?)</h1>', page_of(), re.DOTALL).group(1)
    assert (
        " ".join(re.sub("<.*?>", "", headline).replace("\N{NO-BREAK SPACE}", " ").split())
        == "Sharpest whole frame 35 mm · f/5.6"
    )
    # A word that is explained is a button within its sentence.
    text = html.unescape(re.sub("<[^>]*>", "", page_of())).replace("\N{NO-BREAK SPACE}", " ")
    for sentence in lens_sentences(invented_lens()):
        assert sentence in text


def test_nothing_is_loaded_from_outside_and_nothing_runs(page):
    assert {tag for tag, _ in page.elements} <= ALLOWED
    for _, attributes in page.elements:
        assert attributes.get("src", "data:image/png;base64,").startswith("data:image/png;base64,")
        assert not {"srcset", "style", "action", "data"} & set(attributes)
        assert attributes.get("href", "#").startswith("#")
        assert not [name for name in attributes if name.startswith("on")]
    assert "url(" not in page.style
    assert "@import" not in page.style


def test_the_content_policy_allows_this_style_sheet_and_the_pages_own_pictures_alone(page):
    (policy,) = [meta["content"] for meta in page.named("meta") if "http-equiv" in meta]
    digest = base64.b64encode(hashlib.sha256(page.style.encode()).digest()).decode()
    own = (
        f"default-src 'none'; style-src 'sha256-{digest}'; img-src data:; base-uri 'none'; form-action 'none'"
    )
    assert policy == own


def test_every_plot_has_a_name_a_description_and_its_figures_as_a_table(sweep_folder, page):
    text = (sweep_folder / "report.html").read_text(encoding="utf-8")
    figures = re.findall(r"<figure.*?</figure>", text, re.DOTALL)
    # Three maps, one of responses; the strips stand in the first screen.
    assert len(figures) == 4
    for figure in figures:
        part = read_page(figure)
        svg = part.named("svg")[0]
        assert svg["role"] == "img"
        ids = {attributes["id"] for tag, attributes in part.elements if tag in {"title", "desc"}}
        assert set(svg["aria-labelledby"].split()) <= ids
        assert len(part.named("table")) == 1
    assert len({attributes["id"] for _, attributes in page.elements if "id" in attributes}) == sum(
        "id" in attributes for _, attributes in page.elements
    )


def test_lines_differ_in_style_as_well_as_in_colour(page):
    dashes = {}
    for attributes in page.named("path"):
        dashes.setdefault(attributes["class"], attributes.get("stroke-dasharray"))
    zones = [dashes[f"curve {zone}"] for zone in ("inner", "middle", "outer", "frame")]
    assert len(set(zones)) == 4


def test_rejected_photographs_and_remarks_are_listed_with_reason_and_advice(page):
    assert "q-0099.dng no chart was found in the picture" in page.text
    assert "q-0098.dng out of focus: 41 % below its repeats Nothing: the other 3 of this setting" in page.text
    assert "9 photographs the light falls unevenly (18 % across, limit 10 %)" in page.text
    assert "light the chart from both sides at 45 degrees" in page.text
    assert "decentring within limits 1 %, right (0 to 3 %) 35 mm, f/2.8 5 %" in page.text


@pytest.mark.parametrize("attack", ATTACKS)
def test_foreign_text_is_shown_and_never_run(attack):
    lens = invented_lens(
        lens=attack,
        camera=attack,
        rejected=(
            RejectedShot(path=planned(f"{attack.replace('/', '_')}.dng", 35.0, 5.6).path, reason=attack),
        ),
    )
    text = page_from(sweep_report(SweepFindings(lenses=(lens,), version=attack), invented_shots(lens=attack)))
    page = read_page(text)
    assert {tag for tag, _ in page.elements} <= ALLOWED
    assert not [name for _, attributes in page.elements for name in attributes if name.startswith("on")]
    assert f"{attack}: set 35 mm and f/5.6" in page.text
    assert f"{attack} on {attack} ·" in page.text


def test_hidden_characters_are_left_out():
    # Right-to-left override, isolates, zero-width space, escape sequence: Unicode categories Cf and Cc.
    text = page_of(lens="Zoom\u202egnp.exe\u2066\u200b\x1b[31m\x00")
    page = read_page(text)
    assert f"Zoomgnp.exe[31m on {CAMERA}" in page.text
    assert not set("\u202e\u2066\u200b\x1b\x00") & set(text)


@settings(max_examples=25, deadline=None)
@given(name=st.text(max_size=300))
def test_any_name_gives_a_valid_page(name):
    page = read_page(page_of(lens=name, by_focal_length=()))
    assert {tag for tag, _ in page.elements} <= ALLOWED


def test_units_are_left_out_where_they_are_not_known():
    text = page_of(pixel_pitch_um=None)
    assert "lp/mm on the sensor" not in text
    assert "LW/PH" in text
    assert "lp/mm on the sensor" in page_of()


def test_lp_mm_and_line_widths_follow_from_their_definitions():
    # lp/mm = 1000 f / pitch and LW/PH = 2 f x picture height; here 4 um and 4000 px.
    cell = r'u-lpmm"><span>(\d+)</span>.*?u-lwph"><span>(\d+)</span>.*?u-cypx"><span>(0\.\d+)</span>'
    shown = re.findall(cell, page_of(), re.DOTALL)
    assert len(shown) == 3 * 6 * 4  # three focal lengths, six stops, four zones
    for lpmm, lwph, figure in shown:
        # Half the last digit of each.
        assert float(lpmm) == pytest.approx(250.0 * float(figure), abs=0.7)
        assert float(lwph) == pytest.approx(8000.0 * float(figure), abs=4.6)


def test_a_sweep_without_any_lens_says_so():
    page = read_page(page_from(sweep_report(SweepFindings(lenses=()), [])))
    assert "No photograph could be measured." in page.text


def test_a_lens_without_a_best_setting_still_gets_a_page():
    page = read_page(page_of(best=None, by_focal_length=(), condition=(), remarks=()))
    assert "no setting could be measured." in page.text


def test_two_lenses_each_have_their_answer_and_their_own_ids():
    findings = SweepFindings(lenses=(invented_lens(), invented_lens(lens="Other")))
    page = read_page(page_from(sweep_report(findings, invented_shots())))
    assert "Other: set 35 mm and f/5.6" in page.text
    ids = [attributes["id"] for _, attributes in page.elements if "id" in attributes]
    assert len(ids) == len(set(ids))


def test_the_same_findings_give_the_same_page():
    report = sweep_report(invented_findings(), invented_shots())
    again = sweep_report(invented_findings(), invented_shots())
    assert page_from(report) == page_from(again, drawn=draw)
