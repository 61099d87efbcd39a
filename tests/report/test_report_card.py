"""The pocket card: its size and cut marks, what its bars say, its warnings, from a sweep and from the library."""

import dataclasses
import re

import numpy as np
import pypdfium2
import pypdfium2.raw
import pytest
from invented_shoot import asymmetry, decentring, invented_findings, invented_lens, invented_shots
from measured_lenses import kept_session
from typer.testing import CliRunner

from lensbench.cli.main import app
from lensbench.library import Library
from lensbench.model.condition import Verdict
from lensbench.model.errors import Note
from lensbench.model.measured import BestOfSweep, PocketRow
from lensbench.model.setting import Setting
from lensbench.model.sweep import SharpEnough, Unclaimed
from lensbench.report.out.card_sheet import cards_pdf
from lensbench.report.page.card import PocketCard, kept_pocket_card, lens_pocket_card
from lensbench.storage.store import SWEEP_FILE, sweep_document
from lensbench.sweep import measured_lenses

PIXELS_PER_MM = 6.0
STOPS = (2.8, 4.0, 5.6, 8.0, 11.0, 16.0)
PAPERS_MM = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}  # ISO 216, ANSI/ASME Y14.1
BEST = BestOfSweep(
    setting=Setting(focal_length_mm=50.0, f_number=5.6), mtf50_cypx=0.3, ci95_cypx=(0.29, 0.31)
)


def row(focal_mm=35.0, *, best=4.0, surely=(4.0, 5.6), probably=(4.0, 5.6), claimed=True):
    return PocketRow(
        focal_length_mm=focal_mm,
        zone="frame",
        stops={stop: stop for stop in STOPS},
        best_f_number=best,
        enough=SharpEnough(level_percent=90.0, surely=surely, probably=probably),
        percent=100.0,
        claimed=claimed,
    )


def card(*rows, lens="Fennel", warnings=()):
    return PocketCard(lens=lens, about="Box One", rows=rows or (row(),), warnings=warnings)


def pages_of(content):
    """Pixels of every page, and its text."""
    pdf = pypdfium2.PdfDocument(content)
    scale = PIXELS_PER_MM * 25.4 / 72.0
    pages = [
        (page.render(scale=scale).to_numpy()[..., ::-1], page.get_textpage().get_text_bounded())
        for page in pdf
    ]
    pdf.close()
    return pages


def is_ink(pixels, row_mm, col_mm):
    """Whether anything dark stands within half a millimetre."""
    at = [round(mm * PIXELS_PER_MM) for mm in (row_mm - 0.5, row_mm + 0.5, col_mm - 0.5, col_mm + 0.5)]
    return bool((pixels[at[0] : at[1], at[2] : at[3]].max(axis=-1) < 200).any())


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_eight_cards_stand_on_a_page_in_actual_size_with_cut_marks_around(paper):
    pages = pages_of(cards_pdf([card(lens=f"Lens {number}") for number in range(9)], paper=paper))
    assert [text.count("Lens ") for _, text in pages] == [8, 1]
    # Two cards of 85 mm across and four of 54 mm down, in the middle of the sheet. Derived.
    width_mm, height_mm = PAPERS_MM[paper]
    left_mm, top_mm = (width_mm - 2 * 85.0) / 2.0, (height_mm - 4 * 54.0) / 2.0
    pixels = pages[0][0]
    for edge_mm in (left_mm, left_mm + 85.0, left_mm + 170.0):
        assert is_ink(pixels, top_mm - 4.0, edge_mm)
        assert is_ink(pixels, top_mm + 4 * 54.0 + 4.0, edge_mm)
        assert not is_ink(pixels, top_mm - 4.0, edge_mm + 3.0)
    for number in range(5):
        assert is_ink(pixels, top_mm + 54.0 * number, left_mm - 4.0)
        assert is_ink(pixels, top_mm + 54.0 * number, left_mm + 174.0)
    # No mark stands within a card.
    assert not is_ink(pixels, top_mm + 1.0, left_mm + 85.0)


def test_cut_marks_stand_85_and_54_millimetres_apart():
    page = pypdfium2.PdfDocument(cards_pdf([card(lens=f"Lens {number}") for number in range(8)]))[0]
    paths = page.get_objects(filter=[pypdfium2.raw.FPDF_PAGEOBJ_PATH])
    boxes_mm = np.array([path.get_bounds() for path in paths]) * 25.4 / 72.0
    left, bottom, right, top = boxes_mm.T
    # A mark is 5 mm long, and its hairline a quarter of a point.
    upright = (abs(top - bottom - 5.0) < 0.2) & (right - left < 0.2)
    level = (abs(right - left - 5.0) < 0.2) & (top - bottom < 0.2)
    for marks, starts, ends, apart_mm, count in (
        (upright, left, right, 85.0, 2),
        (level, bottom, top, 54.0, 4),
    ):
        places_mm = np.unique(((starts + ends) / 2.0)[marks].round(3))
        assert np.diff(places_mm) == pytest.approx([apart_mm] * count, abs=0.01)


def test_a_card_is_told_to_those_who_listen_and_names_whole_stops_first():
    thirds = {stop: stop for stop in (2.0, 2.2, 2.5, 2.8, 3.2, 3.5, 4.0, 4.5, 5.0, 5.6, 6.3, 7.1, 8.0)}
    content = cards_pdf(
        [card(dataclasses.replace(row(surely=(4.0, 4.5), probably=(4.0, 4.5)), stops=thirds))]
    )
    # The alternative text of a figure, ISO 32000-1, 14.9.3.
    assert b"/Alt (35 mm: best f/4; keeps 90 %: f/4 and f/4.5" in content
    ((_, text),) = pages_of(content)
    assert re.findall(r"f/[\d.]+", text.partition("35 mm")[0]) == ["f/2", "f/2.8", "f/4", "f/5.6", "f/8"]


def columns_and_row(content, focal_length):
    """Where each stop's name stands across the page, and a row's name down it, by the words themselves. [px]"""
    page = pypdfium2.PdfDocument(content)[0]
    text, scale = page.get_textpage(), PIXELS_PER_MM * 25.4 / 72.0

    def middle(words):
        index, count = text.search(words, match_case=True).get_next()
        boxes = np.array([text.get_charbox(each) for each in range(index, index + count)])
        left, bottom, right, top = boxes[:, 0].min(), boxes[:, 1].min(), boxes[:, 2].max(), boxes[:, 3].max()
        return scale * (page.get_height() - (top + bottom) / 2.0), scale * (left + right) / 2.0

    names = [f"f/{stop:g}" for stop in STOPS]
    return {stop: middle(name)[1] for stop, name in zip(STOPS, names, strict=True)}, middle(focal_length)[0]


@pytest.mark.parametrize(
    ("surely", "probably", "solid", "hollow"),
    [
        ((4.0, 5.6, 8.0), (4.0, 5.6, 8.0), {5.6, 8.0}, set()),
        ((4.0, 5.6), (4.0, 5.6, 8.0, 11.0), {5.6}, {8.0, 11.0}),
        ((), (2.8, 4.0, 5.6), set(), {2.8, 5.6}),
    ],
)
def test_a_bar_reaches_from_the_first_to_the_last_stop_that_keeps_nine_tenths(
    surely, probably, solid, hollow
):
    content = cards_pdf([card(row(surely=surely, probably=probably))])
    columns, middle = columns_and_row(content, "35 mm")
    pixels = pages_of(content)[0][0].astype(int)
    # The ring of the best stop, f/4, covers its bar.
    for stop in set(STOPS) - {4.0}:
        strip = pixels[round(middle) - 10 : round(middle) + 10, round(columns[stop])]
        colourful = np.ptp(strip, axis=-1) > 60
        kind = "none" if not colourful.any() else "solid" if colourful.mean() > 0.3 else "hollow"
        expected = "solid" if stop in solid else "hollow" if stop in hollow else "none"
        assert (stop, kind) == (stop, expected)


def test_a_stop_within_the_bar_that_falls_below_is_said():
    kept = (2.8, 4.0, 8.0)
    lens = dataclasses.replace(invented_lens(), by_focal_length=invented_lens().by_focal_length[:1])
    (focal,) = lens.by_focal_length
    frame = dataclasses.replace(
        focal.best_by_zone["frame"],
        f_number=4.0,
        sharp_enough=(SharpEnough(level_percent=90.0, surely=kept, probably=kept),),
    )
    focal = dataclasses.replace(focal, best_by_zone={"frame": frame})
    found = lens_pocket_card(dataclasses.replace(lens, by_focal_length=(focal,)))
    assert found.warnings == ("×: f/5.6 falls below 90 %, though stops on both sides keep it.",)


def uneven_lens():
    side = asymmetry(2.8, matters=True, percent=25.2, ci95_percent=(20.0, 30.0))
    return invented_lens(condition=(decentring(side, verdict=Verdict.MATTERS),))


def test_an_uneven_copy_is_said_on_its_card_from_the_sweep_and_from_the_library(tmp_path):
    words = "This copy is uneven: the right side is 25 % softer at 35 mm, f/2.8."
    assert words in lens_pocket_card(uneven_lens()).warnings
    assert words not in lens_pocket_card(invented_lens()).warnings
    findings = dataclasses.replace(invented_findings(), lenses=(uneven_lens(),))
    (tmp_path / "report").mkdir()
    document = sweep_document(measured_lenses(findings, invented_shots()))
    (tmp_path / "report" / SWEEP_FILE).write_bytes(document)
    kept = ["--library", str(tmp_path / "library.sqlite")]
    run = CliRunner()
    assert run.invoke(app, ["library", "add", str(tmp_path / "report"), *kept]).exit_code == 0
    done = run.invoke(app, ["library", "card", str(tmp_path / "cards.pdf"), "--paper", "letter", *kept])
    assert done.exit_code == 0, done.output
    pages = pages_of((tmp_path / "cards.pdf").read_bytes())
    assert len(pages) == 1
    assert words in " ".join(pages[0][1].split())
    # 215.9 mm across: Letter.
    assert pages[0][0].shape[1] == pytest.approx(215.9 * PIXELS_PER_MM, abs=2)


def test_the_library_prints_the_stops_that_keep_nine_tenths_of_the_true_curve(tmp_path):
    # Nine tenths of 0.30 are 0.27: of 0.24, 0.29, 0.30, 0.275, 0.23 and 0.18 three keep them. Derived.
    session = kept_session(best=BEST, sd=0.002, repeats=4)
    rows = {each.zone: each for each in kept_pocket_card(session).rows}
    assert set(rows) == {"inner", "frame", "outer"}
    assert rows["frame"].best_f_number == 5.6
    assert rows["frame"].enough.surely == (4.0, 5.6, 8.0)
    # The long end is a fifth softer throughout.
    zoom = kept_session(
        best=BEST,
        sd=0.002,
        curves={24.0: {2.8: 0.24, 4.0: 0.30, 5.6: 0.28}, 70.0: {2.8: 0.192, 4.0: 0.24, 5.6: 0.224}},
    )
    short, long = kept_pocket_card(zoom).rows
    assert (short.percent, short.best_f_number, long.best_f_number) == (100.0, 4.0, 4.0)
    assert long.percent == pytest.approx(80.0, abs=0.5)


def test_of_several_sessions_the_newest_has_the_card_and_other_files_stay(tmp_path):
    place = tmp_path / "library.sqlite"
    old = kept_session(best=BEST, session="winter", added_at="2025-12-01T10:00:00+00:00")
    Library(place=place).add([old, kept_session(best=BEST), kept_session("Sorrel", best=None)])
    run = CliRunner()
    words = ["library", "card", str(tmp_path / "cards.pdf"), "--library", str(place)]
    assert run.invoke(app, words).exit_code == 0
    text = pages_of((tmp_path / "cards.pdf").read_bytes())[0][1]
    assert "spring" in text
    assert "winter" not in text
    assert "No best stop was found." in text
    foreign = tmp_path / "mine.pdf"
    foreign.write_bytes(b"%PDF-1.4 mine")
    refused = run.invoke(app, ["library", "card", str(foreign), "--library", str(place)])
    assert refused.exit_code != 0
    assert foreign.read_bytes() == b"%PDF-1.4 mine"


def test_a_lens_of_many_focal_lengths_takes_as_many_cards_as_it_needs():
    rows = [row(float(focal_mm)) for focal_mm in range(20, 44)]
    ((_, text),) = pages_of(cards_pdf([card(*rows)]))
    # Every focal length once, in its order.
    assert re.findall(r"\b\d+ mm", text) == [f"{each.focal_length_mm:g} mm" for each in rows]
    assert "1 of 4" in text
    assert "4 of 4" in text


def test_no_best_stop_is_claimed_without_repeats():
    (warning,) = kept_pocket_card(kept_session(best=BEST, repeats=1)).warnings
    assert warning.startswith("Not yet sure which stop is best: repeat")
    lens = invented_lens()
    first, *others = lens.by_focal_length
    frame = dataclasses.replace(first.best_by_zone["frame"], reservations=(Note(Unclaimed.ONE_FOCUS),))
    unsure = dataclasses.replace(first, best_by_zone={**first.best_by_zone, "frame": frame})
    mixed = lens_pocket_card(dataclasses.replace(lens, by_focal_length=(unsure, *others)))
    assert [word for word in mixed.warnings if word.startswith("A dashed ring is not yet sure: repeat there")]


def test_the_same_cards_give_the_same_bytes():
    assert cards_pdf([card()]) == cards_pdf([card()])


def test_where_a_row_is_not_yet_sure_its_card_says_so_in_words_and_nothing_is_smaller_than_eight_points():
    content = cards_pdf([card(row(claimed=False), row(50.0))])
    ((_, text),) = pages_of(content)
    assert "not yet sure" in text
    assert "not yet sure" not in pages_of(cards_pdf([card(row(), row(50.0))]))[0][1]
    page = pypdfium2.PdfDocument(content)[0].get_textpage()
    sizes_pt = {
        pypdfium2.raw.FPDFText_GetFontSize(page, index)
        for index in range(page.count_chars())
        if page.get_text_range(index, 1).strip()
    }
    assert min(sizes_pt) >= 8.0
