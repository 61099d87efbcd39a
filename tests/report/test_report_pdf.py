"""The PDF says the answer, carries its fonts, runs nothing, and takes no foreign text for markup."""

import ctypes
import itertools
import os
import re
import shutil
import subprocess
from dataclasses import replace

import numpy as np
import pypdfium2
import pypdfium2.raw
import pytest
from invented_shoot import (
    BEST_STOP,
    FOCALS_MM,
    STOPS,
    a_result,
    asymmetry,
    decentring,
    focal_findings,
    invented_comparison,
    invented_findings,
    invented_lens,
    invented_shots,
    planned,
)

from lensbench.model.condition import Verdict
from lensbench.model.sweep import SweepFindings, SweepShot
from lensbench.report.draw.render import draw
from lensbench.report.out.pdf import pdf_of
from lensbench.report.page.compare import compare_report
from lensbench.report.page.sweep import sweep_report
from lensbench.report.text.answer import answer_sentences
from lensbench.report.text.compare import comparison_sentences


def text_of(content: bytes) -> str:
    """The text as an independent reader (PDFium) extracts it, line breaks undone."""
    pdf = pypdfium2.PdfDocument(content)
    texts = [page.get_textpage().get_text_bounded() for page in pdf]
    pdf.close()
    return " ".join(" ".join(texts).split())


def small_pdf(**changes) -> bytes:
    lens = invented_lens(**({"by_focal_length": (), "best": None} | changes))
    report = sweep_report(SweepFindings(lenses=(lens,)), [])
    return pdf_of(report)


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


def test_both_weights_are_embedded_and_nothing_runs(content):
    # A font without a FontFile is one that the reader must find elsewhere (ISO 32000-1, 9.9).
    fonts = re.findall(rb"/BaseFont /[A-Z]{6}\+([\w-]+)", content)
    assert set(fonts) == {b"DejaVuSans", b"DejaVuSans-Bold"}
    assert content.count(b"/FontFile2") == len(re.findall(rb"/Type /FontDescriptor", content)) == 2
    assert b"/BaseFont /Helvetica" not in content
    assert b"/JavaScript" not in content
    assert b"/URI" not in content


@pytest.mark.parametrize(
    "attack", ["<b>bold</b>", '<img src="/etc/hostname"/>', "<unknown>", "a & b < c", "</para>"]
)
def test_foreign_text_is_no_markup(attack):
    assert attack in text_of(small_pdf(lens=attack))


def test_the_outline_names_the_sections_and_the_document_its_title_and_language(content):
    pdf = pypdfium2.PdfDocument(content)
    levels = {entry.get_title(): entry.level for entry in pdf.get_toc()}
    sections = dict.fromkeys(("Field", "Is the copy sound?", "Figures", "Method and limits"), 1)
    assert (
        levels.items() >= {"Larkmoor Zoom 24-70 mm f/2.8 on Quarry One": 0, "Glossary": 0, **sections}.items()
    )
    assert all(entry.get_dest() is not None for entry in pdf.get_toc())
    assert pdf.get_metadata_value("Title").startswith("Larkmoor Zoom 24-70 mm f/2.8")
    pdf.close()
    # ISO 32000-1, 14.9.2 and 12.2: the language of all text, and the title in the window's head.
    assert b"/Lang (en)" in content
    assert b"/DisplayDocTitle true" in content


# ISO 216 and ANSI/ASME Y14.1, in millimetres.
@pytest.mark.parametrize(("paper", "size_mm"), [("A4", (210.0, 297.0)), ("Letter", (215.9, 279.4))])
def test_a_lens_takes_two_to_six_pages_of_its_paper_and_none_is_nearly_empty(paper, size_mm):
    pdf = pypdfium2.PdfDocument(pdf_of(sweep_report(invented_findings(), invented_shots()), paper=paper))
    assert 2 <= len(pdf) <= 6
    for page in pdf:
        # 0.1 mm: points are written with two decimals.
        assert [side / 72.0 * 25.4 for side in page.get_size()] == pytest.approx(size_mm, abs=0.1)
        pixels = page.render(scale=0.5).to_numpy().min(axis=-1)
        inked = np.flatnonzero((pixels < 200).any(axis=1))
        footer = round(0.94 * len(pixels))
        assert inked[inked < footer].max() > 0.25 * len(pixels)
    pdf.close()


def uneven_lens():
    side = asymmetry(2.8, matters=True, percent=25.2, ci95_percent=(20.0, 30.0))
    return invented_lens(condition=(decentring(side, verdict=Verdict.MATTERS),))


def test_what_matters_is_bold_and_no_letter_is_smaller_than_eight_points():
    report = sweep_report(SweepFindings(lenses=(uneven_lens(),)), invented_shots())
    pdf = pypdfium2.PdfDocument(pdf_of(report))
    sizes_pt, bold = set(), {}
    for text in (page.get_textpage() for page in pdf):
        words = text.get_text_range()
        for index in (place for place, letter in enumerate(words) if letter.strip()):
            # The size on paper: that of the font by the scale of the plot it stands in. ISO 32000-1, 9.4.4.
            matrix = pypdfium2.raw.FS_MATRIX()
            pypdfium2.raw.FPDFText_GetMatrix(text, index, matrix)
            sizes_pt.add(np.hypot(matrix.a, matrix.b) * pypdfium2.raw.FPDFText_GetFontSize(text, index))
        for word in ("matters", "within limits", "can't tell"):
            for found in re.finditer(rf"(?m)(?<=\W){word}(?=\W)", words):
                name = (ctypes.c_char * 64)()
                flags = ctypes.c_int()
                pypdfium2.raw.FPDFText_GetFontInfo(text, found.start(), name, 64, flags)
                bold.setdefault(word, []).append(b"Bold" in name.value)
    pdf.close()
    assert min(sizes_pt) >= 7.99  # written with two decimals
    assert any(bold["matters"])
    assert not any(bold.get("within limits", []) + bold.get("can't tell", []))


def pages_of(content):
    pdf = pypdfium2.PdfDocument(content)
    texts = [" ".join(page.get_textpage().get_text_bounded().split()) for page in pdf]
    pdf.close()
    return texts


def many_focal_lengths(lengths_mm):
    """An uneven zoom: figures, maps and evidence at each focal length, those of the invented one by turns."""
    turns = list(zip(lengths_mm, itertools.cycle(FOCALS_MM), strict=False))
    focals = [replace(focal_findings(own_mm), focal_length_mm=length_mm) for length_mm, own_mm in turns]
    rows = [
        replace(
            asymmetry(stop, matters=True, percent=25.2, ci95_percent=(20.0, 30.0)), focal_length_mm=length_mm
        )
        for length_mm in lengths_mm
        for stop in STOPS
    ]
    shots = []
    for number, (length_mm, own_mm) in enumerate(turns):
        plan = planned(f"z-{number:04d}.dng", own_mm, BEST_STOP[own_mm])
        setting = replace(plan.setting, focal_length_mm=length_mm)
        shots.append(SweepShot(planned=replace(plan, setting=setting), result=a_result(plan)))
    condition = (decentring(*rows, verdict=Verdict.MATTERS),)
    return invented_lens(by_focal_length=tuple(focals), condition=condition), shots


# ISO 216 and ANSI/ASME Y14.1: Letter is the lower of the two.
def test_a_zoom_of_fourteen_positions_has_all_strips_on_its_first_page_and_six_pages_with_its_evidence():
    lengths_mm = [20.0 + 5.0 * number for number in range(14)]
    lens, shots = many_focal_lengths(lengths_mm)
    first, *others = pages_of(pdf_of(sweep_report(SweepFindings(lenses=(lens,)), shots), paper="Letter"))
    assert len(others) <= 5
    strips = first.partition("How sure")[2]
    assert [re.findall(rf"\b{length_mm:g} mm", strips) for length_mm in lengths_mm] == [
        [f"{length_mm:g} mm"] for length_mm in lengths_mm
    ]
    assert others[-1].startswith("Evidence on this copy of the lens")
    for length_mm in lengths_mm:
        assert f"{length_mm:g} mm, f/2.8 25.2 % 20.0 to 30.0 %" in others[-1]


def test_each_lens_begins_on_a_page_of_its_own_below_the_list_of_all():
    lenses = tuple(
        invented_lens(lens=name, by_focal_length=(), best=None) for name in ("Sorrel 35", "Fennel 85")
    )
    first, *others = pages_of(pdf_of(sweep_report(SweepFindings(lenses=lenses), [])))
    assert first.startswith("2 lenses Sorrel 35")
    assert "Fennel 85" in first.partition("Sorrel 35 on Quarry One")[0]
    assert [page.startswith("Fennel 85 on Quarry One") for page in others].count(True) == 1


def test_plots_are_lines_and_letters_and_no_picture(content):
    pdf = pypdfium2.PdfDocument(content)
    kinds = [item.type for page in pdf for item in page.get_objects()]
    assert pypdfium2.raw.FPDF_PAGEOBJ_IMAGE not in kinds
    assert kinds.count(pypdfium2.raw.FPDF_PAGEOBJ_PATH) > 100
    # Words of a plot are words to those who search or listen.
    assert "what diffraction and pixel allow" in text_of(content)
    pdf.close()


def told(element, words):
    """Kind, alternative and words of an element of the structure, and those below it."""
    size = pypdfium2.raw.FPDF_StructElement_GetAltText(element, None, 0)
    alt = ctypes.create_string_buffer(max(size, 2))
    pypdfium2.raw.FPDF_StructElement_GetAltText(element, alt, size)
    kind = ctypes.create_string_buffer(64)
    length = pypdfium2.raw.FPDF_StructElement_GetType(element, kind, 64)
    marks = range(pypdfium2.raw.FPDF_StructElement_GetMarkedContentIdCount(element))
    own = [pypdfium2.raw.FPDF_StructElement_GetMarkedContentIdAtIndex(element, mark) for mark in marks]
    below = [
        pypdfium2.raw.FPDF_StructElement_GetChildAtIndex(element, child)
        for child in range(pypdfium2.raw.FPDF_StructElement_CountChildren(element))
    ]
    return (
        kind.raw[: length - 2].decode("utf-16-le"),
        alt.raw[: max(size - 2, 0)].decode("utf-16-le"),
        " ".join(" ".join(words.pop(mark)) for mark in own if mark >= 0 and mark in words),
        [told(child, words) for child in below if child],
    )


def structure_of(page):
    """The elements of a page in reading order, and the words that are in none of them."""
    text, words = page.get_textpage(), {}
    for item in page.get_objects(filter=[pypdfium2.raw.FPDF_PAGEOBJ_TEXT]):
        buffer = (ctypes.c_ushort * 2000)()
        length = pypdfium2.raw.FPDFTextObj_GetText(item, text, buffer, 2000)
        mark = pypdfium2.raw.FPDFPageObj_GetMarkedContentID(item)
        words.setdefault(mark, []).append("".join(map(chr, buffer[: length // 2 - 1])).strip())
    tree = pypdfium2.raw.FPDF_StructTree_GetForPage(page)
    roots = range(pypdfium2.raw.FPDF_StructTree_CountChildren(tree))
    elements = [told(pypdfium2.raw.FPDF_StructTree_GetChildAtIndex(tree, root), words) for root in roots]
    pypdfium2.raw.FPDF_StructTree_Close(tree)
    return elements, words


def test_headings_tables_and_plots_are_told_to_those_who_listen(content):
    # ISO 32000-1, 14.8: every letter is content of an element or an artifact; a table holds rows, rows hold cells.
    pdf = pypdfium2.PdfDocument(content)
    found = []
    for number, page in enumerate(pdf, 1):
        ((document, _, _, elements),), others = structure_of(page)
        assert document == "Document"
        assert others == {-1: ["Made by lensbench", f"page {number}"]}
        assert not elements[-1][0].startswith("H")
        found += elements
    pdf.close()
    heads = [(kind, words) for kind, _, words, _ in found if kind.startswith("H")]
    assert heads[:2] == [("H1", "35 mm · f/5.6"), ("H2", "Field")]
    strips = next(alt for kind, alt, _, _ in found if kind == "Figure")
    assert "35 mm: best at f/5.6" in strips
    assert all(alt for kind, alt, _, _ in found if kind == "Figure")
    tables = [rows for kind, _, _, rows in found if kind == "Table"]
    assert tables
    for rows in tables:
        cells = [[kind for kind, *_ in inner] for kind, _, _, inner in rows if kind == "TR"]
        assert set(cells[0]) == {"TH"}
        assert {tuple(row) for row in cells[1:]} == {("TD",) * len(cells[0])}


POPPLER = {name: shutil.which(name) for name in ("pdfinfo", "pdffonts", "pdftoppm")}
needs_poppler = pytest.mark.skipif(
    None in POPPLER.values() and os.environ.get("CI") != "true", reason="no poppler-utils here"
)


def asked(name, *words):
    assert POPPLER[name], "poppler-utils is needed: install Debian's package of that name"
    done = subprocess.run(
        [POPPLER[name], *map(str, words)], capture_output=True, text=True, check=True, timeout=60
    )
    assert done.stderr == ""
    return done.stdout


@needs_poppler
@pytest.mark.parametrize("name", ["report.pdf", "card.pdf"])
def test_a_second_reader_agrees(sweep_folder, tmp_path, name):
    pdf = sweep_folder / name
    fonts = [line.split() for line in asked("pdffonts", pdf).splitlines()[2:]]
    assert {font[0].partition("+")[2] for font in fonts} == {"DejaVuSans", "DejaVuSans-Bold"}
    assert all(font[-5] == "yes" for font in fonts)  # the column «emb»
    told = dict(re.findall(r"^(\w[\w ]+): +(.+)$", asked("pdfinfo", pdf), re.MULTILINE))
    assert told["Title"]
    assert (told["JavaScript"], told["Encrypted"]) == ("no", "no")
    asked("pdftoppm", "-r", "20", "-gray", pdf, tmp_path / "page")
    assert len(list(tmp_path.glob("page-*.pgm"))) == int(told["Pages"])


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
    assert r"_$\frac{1}" in text_of(pdf_of(report))
    # The page shows the name as it is, signs that the file's font lacks included.
    assert any("写真 $x$" in drawing.svg and r"_$\frac{1}" in drawing.svg for drawing in drawings.values())
