"""Foreign text is made harmless before it is shown or written."""

from pathlib import Path

import pytest

from lensbench.report.out.tables import spreadsheet_path, spreadsheet_text
from lensbench.report.text.words import photo_labels
from lensbench.storage.text import clean_text


def test_hidden_and_control_characters_go_and_visible_ones_stay():
    # Unicode: U+202E right-to-left override, U+2067 isolate, U+200B zero width space, U+FEFF, U+0007 bell.
    assert clean_text("a\u202eb\u2067c\u200bd\ufeffe\x07f") == "abcdef"
    assert clean_text("Größe 50 mm ƒ/2 Ω 写真") == "Größe 50 mm ƒ/2 Ω 写真"


def test_text_is_one_line_of_bounded_length():
    assert clean_text(" two\n lines\t here ") == "two lines here"
    assert len(clean_text("x" * 1000)) == 160
    assert clean_text("x" * 1000).endswith("…")


@pytest.mark.parametrize("nothing", [None, "", "  ", "\u200b", "\x00"])
def test_nothing_to_show_is_said(nothing):
    assert clean_text(nothing) == "unknown"


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t=", "\r=", "\x00=", " =", "＝", "|", "%"])
def test_no_cell_runs_as_a_formula(start):
    # OWASP ASVS 1.2.10 (CWE-1236): =, +, -, @, tab, carriage return and NUL at the start, fullwidth forms too.
    cell = spreadsheet_text(f"{start}1+1")
    assert cell.startswith("'")


def test_plain_text_stays_as_it_is():
    assert spreadsheet_text("Zoom 24-70 mm f/2.8") == "Zoom 24-70 mm f/2.8"
    assert spreadsheet_text(None) == ""


def test_a_disarmed_path_still_names_the_same_file():
    path = Path("=cmd.dng")
    assert spreadsheet_path(path) == "./=cmd.dng"
    assert Path(spreadsheet_path(path)) == path
    assert spreadsheet_path(Path("a  b/c.dng")) == str(Path("a  b/c.dng"))


def test_photographs_called_alike_are_told_apart_by_their_folder():
    labels = photo_labels((Path("one/a.dng"), Path("two/a.dng"), Path("two/b.dng")))
    assert list(labels.values()) == ["one/a.dng", "two/a.dng", "b.dng"]
