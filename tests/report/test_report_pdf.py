"""The PDF says the answer, carries its fonts, runs nothing, and takes no foreign text for markup."""

import pypdfium2
import pytest
from invented_shoot import invented_comparison, invented_findings, invented_lens

from lensbench.model.sweep import SweepFindings
from lensbench.report.answer import answer_sentences
from lensbench.report.compare import comparison_sentences
from lensbench.report.compare_page import compare_report
from lensbench.report.pages import pdf_of
from lensbench.report.render import draw
from lensbench.report.sweep import sweep_report


def text_of(content: bytes) -> str:
    """The text as an independent reader (PDFium) extracts it, line breaks undone."""
    pdf = pypdfium2.PdfDocument(content)
    texts = [page.get_textpage().get_text_bounded() for page in pdf]
    pdf.close()
    return " ".join(" ".join(texts).split())


def small_pdf(**changes) -> bytes:
    lens = invented_lens(**({"by_focal_length": (), "best": None} | changes))
    report = sweep_report(SweepFindings(lenses=(lens,)), [])
    return pdf_of(report, {plot.key: draw(plot) for plot in report.plots})


@pytest.fixture(scope="module")
def content(sweep_folder):
    return (sweep_folder / "report.pdf").read_bytes()


def test_the_pdf_begins_with_the_plain_answer(content):
    text = text_of(content)
    sentences = answer_sentences(invented_findings())
    assert "Sharpest whole frame 35 mm · f/5.6" in text[:200]
    for sentence in sentences:
        assert sentence in text


def test_the_pdf_holds_the_tables_and_the_method(content):
    text = text_of(content)
    for words in (
        "Sharpness by stop, outer third",
        "no chart was found in the picture",
        "Method and limits",
        "lp/mm",
    ):
        assert words in text


def test_every_font_is_embedded_and_nothing_runs(content):
    # A font without a FontFile is one that the reader must find elsewhere (ISO 32000-1, 9.9).
    assert b"/FontFile2" in content
    assert b"/BaseFont /Helvetica" not in content
    assert b"/JavaScript" not in content
    assert b"/URI" not in content


@pytest.mark.parametrize(
    "attack", ["<b>bold</b>", '<img src="/etc/hostname"/>', "<unknown>", "a & b < c", "</para>"]
)
def test_foreign_text_is_no_markup(attack):
    assert attack in text_of(small_pdf(lens=attack))


def test_the_same_findings_give_the_same_bytes():
    assert small_pdf() == small_pdf()


def test_a_comparison_begins_with_its_answer(compare_folder):
    text = text_of((compare_folder / "report.pdf").read_bytes())
    first, *others = comparison_sentences(invented_comparison())
    assert text.startswith(first)
    for sentence in others:
        assert sentence in text


@pytest.mark.filterwarnings("error")
def test_a_lens_name_is_no_formula_in_a_plot():
    comparison = invented_comparison(first=r"_$\frac{1}", second="写真 $x$")
    report = compare_report(comparison)
    drawings = {plot.key: draw(plot) for plot in report.plots}
    assert all(drawing.png.startswith(b"\x89PNG") for drawing in drawings.values())
    assert r"_$\frac{1}" in text_of(pdf_of(report, drawings))
    # The page shows the name as it is, signs that the file's font lacks included.
    assert any("写真 $x$" in drawing.svg and r"_$\frac{1}" in drawing.svg for drawing in drawings.values())
