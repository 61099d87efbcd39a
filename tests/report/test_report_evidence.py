"""The page of evidence: its fields stand in the page, in the PDF and in the findings, and only where it is due."""

import dataclasses
import json

import pypdfium2
import pytest
from invented_shoot import asymmetry, decentring, invented_lens, invented_shots

from lensbench.model.condition import (
    Cause,
    OtherCause,
    Reason,
    Side,
    SideFigure,
    TurnedOutcome,
    TurnedTest,
    Verdict,
)
from lensbench.model.sweep import Refocusing, SweepFindings
from lensbench.report.out.pdf import pdf_of
from lensbench.report.out.write import write_sweep
from lensbench.report.page.sweep import sweep_report

FIELDS = ("asymmetry", "where", "photographs", "result of the turned test")
OFF = decentring(
    asymmetry(2.8, matters=True, percent=11.4, ci95_percent=(8.1, 14.6)),
    asymmetry(8.0),
    verdict=Verdict.MATTERS,
    turned=TurnedTest(
        outcome=TurnedOutcome.STAYED, stayed_percent=10.0, moved_percent=1.0, reach_percent=2.0
    ),
    sides=(SideFigure(side=Side.RIGHT, mtf50_cypx=0.251), SideFigure(side=Side.LEFT, mtf50_cypx=0.283)),
    other_causes=(
        OtherCause(cause=Cause.TILT, ruled_out=True, reason=Reason.IN_INTERVAL, figure=1.2),
        OtherCause(cause=Cause.FOCUS, ruled_out=False, reason=Reason.REFOCUSED_ONLY, shots=6),
        OtherCause(cause=Cause.SHAKE, ruled_out=True, reason=Reason.NONE_SHAKEN, figure=0.0, shots=12),
        OtherCause(cause=Cause.CHART, ruled_out=True, reason=Reason.TURNED_TEST),
    ),
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    out = tmp_path_factory.mktemp("evidence") / "report"
    write_sweep(SweepFindings(lenses=(invented_lens(condition=(OFF,)),)), invented_shots(), out)
    return out


def test_the_page_holds_every_field(folder):
    page = (folder / "report.html").read_text(encoding="utf-8")
    part = page[page.index('class="evidence"') :]
    for words in (
        *FIELDS,
        "11.4 % (95 %: 8.1 to 14.6 %) at 35 mm, f/2.8",
        "It stayed through 6 shots focused anew",
        "ruled out",
        "no lens is perfectly even",
        "10 ± 2 % stayed on the same side",
        "Repeat one setting on another body",
    ):
        assert words in part
    assert '<a href="#lens-1-evidence">Evidence</a>' in page
    assert 'id="lens-1-evidence"' in page


def test_the_pdf_gives_it_a_page_of_its_own(folder):
    pdf = pypdfium2.PdfDocument((folder / "report.pdf").read_bytes())
    texts = [" ".join(page.get_textpage().get_text_bounded().split()) for page in pdf]
    pdf.close()
    own = [text for text in texts if "Evidence on this copy of the lens" in text]
    assert len(own) == 1
    for words in (*FIELDS, "tilt", "focus", "shake", "None of 12 photographs"):
        assert words in own[0]
    assert "Is the copy sound?" not in own[0]
    assert "Method and limits" not in own[0]


def printed(*rows, paper):
    off = dataclasses.replace(OFF, details=dataclasses.replace(OFF.details, rows=rows))
    report = sweep_report(SweepFindings(lenses=(invented_lens(condition=(off,)),)), invented_shots())
    pdf = pypdfium2.PdfDocument(pdf_of(report, paper=paper))
    texts = [" ".join(page.get_textpage().get_text_bounded().split()) for page in pdf]
    pdf.close()
    return texts


def test_a_setting_beyond_the_limit_is_within_limits_only_with_its_whole_interval():
    rows = (
        asymmetry(2.8, matters=True, percent=11.4, ci95_percent=(8.1, 14.6), matters_from_percent=9.2),
        # Limit 5 %: above it, across it, below it.
        asymmetry(4.0, percent=7.6, ci95_percent=(6.1, 9.1), matters_from_percent=7.8),
        asymmetry(5.6, percent=4.1, ci95_percent=(2.0, 6.2), matters_from_percent=8.0),
        asymmetry(8.0, percent=1.1, ci95_percent=(0.0, 3.1), matters_from_percent=8.1),
    )
    sheet = printed(*rows, paper="A4")[-1]
    for said in (
        "f/2.8 11.4 % 8.1 to 14.6 % 9.2 % matters",
        "f/4 7.6 % 6.1 to 9.1 % 7.8 % can't tell",
        "f/5.6 4.1 % 2.0 to 6.2 % 8.0 % can't tell",
        "f/8 1.1 % 0.0 to 3.1 % 8.1 % within limits",
    ):
        assert said in sheet


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_of_many_settings_the_printed_sheet_has_what_matters_on_one_page(paper):
    rows = [asymmetry(1.0 + number / 10.0, matters=number == 5) for number in range(40)]
    *_, before, sheet = printed(*rows, paper=paper)
    assert "Evidence on this copy" not in before
    assert sheet.count("1.1 %") == 2  # the one that matters, and the widest
    assert "whole table has 38 more" in sheet
    assert "no lens is perfectly even" in sheet


def test_the_findings_carry_it(folder):
    lens = json.loads((folder / "findings.json").read_text(encoding="utf-8"))["lenses"][0]
    (found,) = lens["condition"]
    # The keys and words that the outside relies on.
    assert {key: found[key] for key in ("subject", "verdict", "limit", "value", "unit", "ci95", "side")} == {
        "subject": "decentring",
        "verdict": "matters",
        "limit": 5.0,
        "value": 11.4,
        "unit": "%",
        "ci95": [8.1, 14.6],
        "side": "right",
    }
    assert "the right side is 11 % softer at 35 mm, f/2.8 (8 to 15 %)" in found["text"]
    causes = [one["cause"] for one in found["details"]["other_causes"]]
    assert causes == ["tilt", "focus", "shake", "chart and wall"]


def test_its_map_is_drawn_at_the_setting_that_shows_most(folder):
    assert (folder / "plots" / "lens-1-evidence-map.png").exists()


def test_without_a_decentring_that_matters_there_is_no_such_page(sweep_folder):
    page = (sweep_folder / "report.html").read_text(encoding="utf-8")
    assert 'class="evidence"' not in page
    assert "<span>within limits</span>" in page


@pytest.mark.parametrize("refocusing", [Refocusing.OPEN, Refocusing.SAID_ONE, Refocusing.CONTRADICTED])
def test_shots_are_called_refocused_only_where_table_or_data_say_so(refocusing):
    lens = invented_lens()
    basis = dataclasses.replace(lens.basis, refocusing=refocusing)
    findings = SweepFindings(
        lenses=(dataclasses.replace(lens, basis=basis),), version="0.1.0", method="refined"
    )
    assert "refocused shot" not in repr(sweep_report(findings, invented_shots())).lower()
