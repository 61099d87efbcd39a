"""Small text files that a user names: only regular ones of bounded size are read, and reasons are plain words."""

import os

import pytest

from lensbench.capture.print_profile import kept_profile
from lensbench.model.errors import LensError, LibraryError, SettingError, SweepError, TextFileError
from lensbench.simulate import lens_described
from lensbench.storage.store import read_library_document, read_sweep
from lensbench.storage.text import json_in, read_text, table_in
from lensbench.sweep import read_shots_table


def sweep_of(path):
    """Read a sweep's folder whose document is this file."""
    folder = path.parent / "sweep"
    folder.mkdir(exist_ok=True)
    (folder / "sweep.json").unlink(missing_ok=True)
    (folder / "sweep.json").symlink_to(path)
    return read_sweep(folder)


READERS = {
    "shots table": (read_shots_table, SettingError),
    "sweep": (sweep_of, SweepError),
    "print profile": (lambda path: kept_profile(str(path)), SettingError),
    "lens description": (lambda path: lens_described(str(path)), SettingError),
    "exported library": (read_library_document, LibraryError),
}


@pytest.mark.parametrize("reader", READERS)
@pytest.mark.parametrize("kind", ["pipe", "device", "folder", "nothing", "binary", "deep", "long number"])
def test_whatever_is_named_costs_one_sentence(tmp_path, kind, reader):
    path = tmp_path / "file.json"
    if kind == "pipe":
        os.mkfifo(path)  # nobody will ever write to it
    elif kind == "device":
        path.symlink_to("/dev/zero")
    elif kind == "folder":
        path.mkdir()
    elif kind == "binary":
        path.write_bytes(b"file\n\xff\xfe\x00\n")
    elif kind == "deep":
        path.write_text("[" * 100_000)
    elif kind == "long number":
        path.write_text('{"lenses": %s, "positions": [{"focal_length_mm": %s}]}' % (("9" * 5000,) * 2))
    read, error_kind = READERS[reader]
    with pytest.raises(error_kind) as caught:
        read(path)
    said = str(caught.value)
    for raw in ("[Errno", "codec", "Traceback", "0x", "recursion"):
        assert raw not in said


def test_the_size_is_bounded_before_anything_is_read(tmp_path):
    path = tmp_path / "table.csv"
    path.write_bytes(b"x" * 101)
    with pytest.raises(TextFileError, match=r"larger than 0\.0001 MB"):
        read_text(path, most_bytes=100)
    assert read_text(path, most_bytes=101) == "x" * 101


def test_the_line_of_a_fault_is_told(tmp_path):
    path = tmp_path / "table.csv"
    path.write_bytes("file\nGröße\n".encode("latin-1"))
    with pytest.raises(TextFileError, match="from line 2 on"):
        read_text(path)
    with pytest.raises(TextFileError, match="at line 3"):
        json_in('{\n"a": 1,\n]')


def test_a_name_that_no_system_takes(tmp_path):
    with pytest.raises(TextFileError, match="its name is not valid"):
        read_text(tmp_path / "a\0b")
    with pytest.raises(TextFileError, match="name too long"):
        read_text(tmp_path / ("a" * 300))


def test_tables_keep_what_stands_in_quotes_and_fill_what_lacks():
    text = 'file, "note",more\na.dng, "two, one cell"\n,,\n" b.dng ",x,y\n'
    assert list(table_in(text)) == [
        (2, {"file": "a.dng", "note": "two, one cell", "more": ""}),
        (4, {"file": "b.dng", "note": "x", "more": "y"}),
    ]


@pytest.mark.parametrize("text", ["file\n" + "x" * 200_000 + "\n", '"' + "y" * 200_000])
def test_a_cell_without_end_is_no_table(text):
    # csv's own limit of a field is 131072 characters (Python, csv.field_size_limit).
    with pytest.raises(LensError, match="no table"):
        list(table_in(text))


def test_too_many_rows_are_refused_before_they_are_kept(tmp_path):
    path = tmp_path / "shots.csv"
    path.write_text("file\n" + "a\n" * 150_000)
    with pytest.raises(SettingError, match="more than 100000 rows"):
        read_shots_table(path)


@pytest.mark.parametrize(("cell", "told"), [("1e9", "beyond"), ("0.01", "beyond"), ("-4", "not positive")])
def test_no_lens_has_such_an_f_number(tmp_path, cell, told):
    path = tmp_path / "shots.csv"
    path.write_text(f"file,f_number\na.dng,{cell}\n")
    with pytest.raises(SettingError, match=told):
        read_shots_table(path)
