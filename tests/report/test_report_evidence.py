"""The page of evidence: its fields stand in the page, in the PDF and in the findings, and only where it is due."""

import json

import pypdfium2
import pytest
from invented_shoot import invented_lens, invented_shots

from lensbench.model.condition import EvidenceRow, LensEvidence, RuledOut, SideFigure
from lensbench.model.sweep import SweepFindings
from lensbench.report.out.write import write_sweep

FIELDS = ("asymmetry", "where", "at which setting", "number of repeats", "result of the turned test")


def row(f_number, *, seen):
    return EvidenceRow(
        focal_length_mm=35.0,
        f_number=f_number,
        asymmetry_percent=11.4,
        ci95_percent=(8.1, 14.6),
        softer_azimuth_deg=2.0,
        softer_side="right",
        shots=6,
        turned_shots=3,
        tilt_percent=1.2,
        source="shots",
        seen=seen,
    )


EVIDENCE = LensEvidence(
    what="The picture is 11 % softer at the right than at the side opposite.",
    main=row(2.8, seen=True),
    rows=(row(2.8, seen=True), row(8.0, seen=False)),
    sides=(SideFigure(side="right", mtf50_cypx=0.251), SideFigure(side="left", mtf50_cypx=0.283)),
    repeats="6 shots a setting, focused anew each time",
    turned_test="With the camera turned by 180 degrees, 10 ± 2 % stayed <b>there</b>.",
    ruled_out=tuple(
        RuledOut(cause=cause, ruled_out=cause != "focus", why=f"Why {cause}.")
        for cause in ("tilt", "focus", "shake", "chart and wall")
    ),
    caution="No lens is perfectly even.",
    advice="Repeat it on another body.",
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    out = tmp_path_factory.mktemp("evidence") / "report"
    write_sweep(SweepFindings(lenses=(invented_lens(evidence=EVIDENCE),)), invented_shots(), out)
    return out


def test_the_page_holds_every_field(folder):
    page = (folder / "report.html").read_text(encoding="utf-8")
    part = page[page.index('class="evidence"') :]
    for words in (
        *FIELDS,
        "11.4 % (95 %: 8.1 to 14.6 %)",
        "Why focus.",
        "ruled out",
        "No lens is perfectly even.",
    ):
        assert words in part
    assert "<b>there</b>" not in part


def test_the_pdf_gives_it_a_page_of_its_own(folder):
    pdf = pypdfium2.PdfDocument((folder / "report.pdf").read_bytes())
    texts = [" ".join(page.get_textpage().get_text_bounded().split()) for page in pdf]
    pdf.close()
    own = [text for text in texts if "Evidence on this copy of the lens" in text]
    assert len(own) == 1
    for words in (*FIELDS, "tilt", "focus", "shake", "Why shake."):
        assert words in own[0]
    assert "State of the lens" not in own[0]
    assert "Method and limits" not in own[0]


def test_the_findings_carry_it(folder):
    lens = json.loads((folder / "findings.json").read_text(encoding="utf-8"))["lenses"][0]
    assert lens["evidence"]["main"]["ci95_percent"] == [8.1, 14.6]
    assert [one["cause"] for one in lens["evidence"]["ruled_out"]] == [
        "tilt",
        "focus",
        "shake",
        "chart and wall",
    ]


def test_its_map_is_drawn_at_the_setting_that_shows_most(folder):
    assert (folder / "plots" / "lens-1-evidence-map.png").exists()


def test_without_evidence_there_is_no_such_page(sweep_folder):
    assert 'class="evidence"' not in (sweep_folder / "report.html").read_text(encoding="utf-8")
    assert (
        json.loads((sweep_folder / "findings.json").read_text(encoding="utf-8"))["lenses"][0]["evidence"]
        is None
    )
