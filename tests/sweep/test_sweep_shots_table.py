import pytest

from lensbench.model.errors import SettingError
from lensbench.sweep.gather import read_shots_table


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
        ("file,aperture\na,4\n", "no such column: aperture"),
        ("file,f_number\na,four\n", "line 2, column f_number: 'four' is no number"),
        ("file,f_number\na,0\n", "is not positive"),
        ("file,f_number\na,nan\n", "no finite number"),
        ("file,use\na,maybe\n", "neither yes nor no"),
        ("file,turned\na,lens\n", "column turned: 'lens' is neither camera nor chart"),
        ("file,use\na,yes\na,no\n", "stands in two rows"),
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
