import pytest

from lensbench.model.errors import SettingError
from lensbench.model.shot import TableRow
from lensbench.sweep.shots_table import read_shots_table, rows_by_name


def table(tmp_path, text):
    path = tmp_path / "shots.csv"
    path.write_bytes(text.encode())
    return path


def test_filled_cells_are_read_and_empty_ones_say_nothing(tmp_path):
    path = table(
        tmp_path,
        "\ufefffile,f_number,focal_length_mm,lens,use,focus_step,turned\n"
        "a.dng,f/5.6,50 mm,,no,-2,Chart\nb.dng,,,Old,,,\n",
    )
    first, second = read_shots_table(path)
    assert (first.f_number, first.focal_length_mm, first.lens, first.use, first.focus_step) == (
        5.6, 50.0, None, False, -2.0,
    )  # fmt: skip
    assert (second.f_number, second.lens, second.use) == (None, "Old", True)
    assert (first.turned, second.turned) == ("chart", None)


def test_semicolons_and_decimal_commas(tmp_path):
    (row,) = read_shots_table(table(tmp_path, "file;f_number\r\nsub\\a.dng;5,6\r\n"))
    assert (row.file, row.f_number) == ("sub/a.dng", 5.6)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("name,f_number\na,4\n", "no column `file`"),
        ("file,aperture\na,4\n", "no such column: aperture; columns"),
        ("file,focal_lenght\na,4\n", r"no such column: focal_lenght \(did you mean focal_length_mm\?\)"),
        ("file,f_number\na,3.5-5.6\n", "is a range: write one number, such as 2.8"),
        ("file,f_number\na,four\n", "line 2, column f_number: «four» is not a number: write 2.8"),
        ("file,f_number\na,0\n", "is not positive"),
        ("file,f_number\na,nan\n", "is not a number"),
        ("file,use\na,maybe\n", "neither yes nor no"),
        ("file,turned\na,lens\n", "column turned: 'lens' is neither camera nor chart"),
        ("file,use\na,yes\na,no\n", "stands in two rows"),
        ("file,f_number,\na,2,8\n", "line 2: a cell stands in a column without a name"),
    ],
)
def test_mistakes_are_told_with_their_place(tmp_path, text, told):
    with pytest.raises(SettingError, match=told):
        read_shots_table(table(tmp_path, text))


def test_a_table_that_is_no_text(tmp_path):
    path = tmp_path / "shots.csv"
    path.write_bytes(b"\xff\xfe\x00file")
    with pytest.raises(SettingError, match="cannot be read: it is no text in UTF-8"):
        read_shots_table(path)


def test_planned_shots_without_a_file_are_kept_in_order(tmp_path):
    rows = read_shots_table(table(tmp_path, "file,f_number\n,4\na.dng,\n,8\n"))
    assert [(row.file, row.f_number) for row in rows] == [("", 4.0), ("a.dng", None), ("", 8.0)]


@pytest.mark.parametrize(
    "text",
    [
        "File\tF-Number\tFocal length mm\na.dng\tf/2,8\t50 mm\n",
        "FILE;F_NUMBER;FOCAL_LENGTH_MM\na.dng;2,8;50,0\n",
        'file, f_number, focal_length_mm\na.dng, "2,8", 5cm\n',
        "file,f_number,focal_length_mm,,\na.dng,2.8,50,,\n,,,,\n",
    ],
    ids=["tabs", "semicolons", "commas", "columns left empty"],
)
def test_tables_are_read_as_programs_write_them(tmp_path, text):
    (row,) = read_shots_table(table(tmp_path, text))
    assert (row.file, row.f_number, row.focal_length_mm) == ("a.dng", 2.8, 50.0)


@pytest.mark.parametrize("cell", ["DSC_0417.NEF", "dsc_0417.nef", "DSC_0417", "dsc_0417", "Day 1/dsc_0417"])
def test_files_are_known_in_any_case_and_without_their_ending(tmp_path, cell):
    raw, finished = tmp_path / "day 1" / "DSC_0417.NEF", tmp_path / "day 1" / "DSC_0417.JPG"
    row = TableRow(file=cell)
    assert rows_by_name([(tmp_path, raw), (tmp_path, finished)], [row], second=[finished]) == {raw: row}


def test_an_unknown_file_is_answered_with_the_nearest(tmp_path):
    places = [(tmp_path, tmp_path / f"DSC_04{number}.NEF") for number in (17, 18, 23)]
    with pytest.raises(SettingError, match=r"names DSC_4018.NEF, .*; did you mean DSC_0418.NEF\?"):
        rows_by_name(places, [TableRow(file="DSC_4018.NEF")])
    with pytest.raises(SettingError, match="stands in two rows"):
        rows_by_name(places, [TableRow(file="DSC_0417.NEF"), TableRow(file="dsc_0417")])
