import time
from pathlib import Path

import pytest

from lensbench import photo
from lensbench.model.errors import ImageError, SettingError, SweepError
from lensbench.model.shot import Metadata
from lensbench.sweep.gather import copies_among, copies_in_words, focal_groups, gather, metadata_kept


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """A folder of empty files whose metadata the test invents; a file without any cannot be read."""
    told = {}

    def add(name, **fields):
        path = tmp_path / "shots" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.touch()
        told[path] = Metadata(**fields) if fields else None

    def read(path):
        if told[path] is None:
            raise ImageError(f"{path.name}: not a photograph")
        return told[path]

    monkeypatch.setattr(photo, "read_metadata", read)
    add.folder = tmp_path / "shots"
    add.table = tmp_path / "table.csv"
    return add


KNOWN = {"camera": "Box One", "lens": "Fennel", "f_number": 5.657, "focal_length_mm": 35.0}


def test_f_numbers_are_named_and_kept_exact(folder):
    folder("a.dng", **KNOWN)
    (shot,) = gather([folder.folder])
    assert shot.setting.f_number == 5.6
    assert shot.metadata.f_number == 5.657
    assert (shot.lens, shot.camera, shot.left_out, shot.overrides) == ("Fennel", "Box One", "", None)


def test_focal_lengths_are_grouped_lens_by_lens(folder):
    for name, focal, lens in [
        ("a", 24.0, "Fennel"),
        ("b", 24.3, "Fennel"),
        ("c", 24.3, "Fennel"),
        ("d", 25.0, "Sorrel"),
    ]:
        folder(f"{name}.dng", **(KNOWN | {"focal_length_mm": focal, "lens": lens}))
    assert [shot.setting.focal_length_mm for shot in gather([folder.folder])] == [24.3, 24.3, 24.3, 25.0]


def test_gaps_above_three_percent_divide():
    # By hand: 24 -> 24.7 is 2.9 %, 24.7 -> 25.5 is 3.2 %.
    assert focal_groups([25.5, 24.0, 24.7]) == {24.0: 24.4, 24.7: 24.4, 25.5: 25.5}


def test_unknown_lens_and_focal_length_keep_a_plain_name(folder):
    folder("a.dng", f_number=4.0)
    (shot,) = gather([folder.folder])
    assert (shot.lens, shot.camera) == ("unknown lens", "unknown camera")
    assert shot.setting.focal_length_mm is None


def test_unknown_f_number_and_unreadable_files_are_named(folder):
    folder("a.dng", **KNOWN)
    folder("b.dng", lens="Fennel")
    (folder.folder / "b.dng").write_bytes(b"anything")
    folder("c.dng")
    _, unknown, unreadable = gather([folder.folder])
    assert "f-number is unknown" in unknown.left_out
    assert "not a photograph" in unreadable.left_out
    assert not unknown.by_choice


def test_finished_picture_beside_its_raw_file_is_left_out_by_choice(folder):
    folder("a.dng", **KNOWN)
    folder("a.JPG", **KNOWN)
    folder("b.jpg", **KNOWN)
    found = {shot.path.name: shot for shot in gather([folder.folder])}
    assert found["a.JPG"].by_choice
    assert not found["a.dng"].left_out
    assert not found["b.jpg"].left_out


def test_table_overrides_and_shuts_out(folder):
    folder("a.dng", camera="Box One")
    folder("b.dng", **KNOWN)
    folder.table.write_text("file,lens,f_number,focal_length_mm,use\na.dng,Old,2.8,58,\nb.dng,,,,no\n")
    first, second = gather([folder.folder], folder.table)
    assert (first.lens, first.camera, first.setting.f_number, first.setting.focal_length_mm) == (
        "Old", "Box One", 2.8, 58.0,
    )  # fmt: skip
    assert first.overrides == Metadata(lens="Old", f_number=2.8, focal_length_mm=58.0)
    assert second.by_choice


def test_table_must_name_files_that_are_there_and_clear(folder):
    folder("one/a.dng", **KNOWN)
    folder("two/a.dng", **KNOWN)
    folder.table.write_text("file,lens\na.dng,Old\n")
    with pytest.raises(SettingError, match="2 files bear that name"):
        gather([folder.folder], folder.table)
    folder.table.write_text("file,lens\nz.dng,Old\n")
    with pytest.raises(SettingError, match="in none of the folders"):
        gather([folder.folder], folder.table)
    folder.table.write_text("file,lens\ntwo/a.dng,Old\n")
    assert [shot.lens for shot in gather([folder.folder], folder.table)] == ["Fennel", "Old"]


def test_a_table_that_names_no_file_goes_by_the_order(folder):
    for name in ("s1.dng", "s2.dng", "s2.jpg", "s10.dng"):
        folder(name, camera="Box One", lens="Fennel")
    folder.table.write_text("file,f_number,focus_step,use\n,4,,\n,8,,\n,4,2,no\n")
    shots = {shot.path.name: shot for shot in gather([folder.folder], folder.table)}
    stops = [shots[name].setting.f_number for name in ("s1.dng", "s2.dng", "s10.dng")]
    assert stops == [4.0, 8.0, 4.0]
    assert shots["s10.dng"].by_choice
    assert shots["s2.jpg"].by_choice
    folder.table.write_text("file,f_number\n,4\n,8\n")
    with pytest.raises(SettingError, match="has 2 rows, but there are 3 photographs"):
        gather([folder.folder], folder.table)


def test_the_order_must_not_contradict_the_files(folder):
    folder("a.dng", **KNOWN)
    folder.table.write_text("file,f_number\n,8\n")
    with pytest.raises(SettingError, match=r"row 1 .* says f/8, but a\.dng was taken at f/5\.66"):
        gather([folder.folder], folder.table)
    folder.table.write_text("file,f_number\n,5.6\n")
    (shot,) = gather([folder.folder], folder.table)
    assert shot.metadata.f_number == 5.657


def test_rows_still_to_be_shot_say_nothing(folder):
    folder("a.dng", **KNOWN)
    folder.table.write_text("file,lens\na.dng,Old\n,Other\n")
    assert [shot.lens for shot in gather([folder.folder], folder.table)] == ["Old"]


def test_folder_without_photographs(tmp_path):
    with pytest.raises(SweepError, match="no photographs in"):
        gather([tmp_path])


def test_nothing_usable_says_why(folder):
    folder("a.dng", lens="Old")
    (folder.folder / "a.dng").write_bytes(b"anything")
    with pytest.raises(SweepError, match=r"a\.dng: its f-number is unknown"):
        gather([folder.folder])


def filled(folder, contents):
    for name, content in contents.items():
        folder(name, **KNOWN)
        (folder.folder / name).write_bytes(content)


def test_a_photograph_counts_once_whatever_names_lead_to_it(folder, tmp_path):
    filled(folder, {"a.dng": b"one", "b.dng": b"two", "sub/c.dng": b"six"})
    (tmp_path / "link").symlink_to(folder.folder)
    twice = gather([folder.folder, folder.folder, tmp_path / "link", folder.folder / "sub"])
    assert [shot.path.name for shot in twice] == ["a.dng", "b.dng", "c.dng"]
    assert not any(shot.left_out for shot in twice)


def test_files_of_equal_content_count_once_and_are_no_rejections(folder):
    filled(folder, {"a.dng": b"one", "b.dng": b"two", "copies/a.dng": b"one", "copies/z.dng": b"one"})
    shots = {shot.path: shot for shot in gather([folder.folder])}
    counted = [path.name for path, shot in shots.items() if not shot.left_out]
    assert counted == ["a.dng", "b.dng"]
    copy = shots[folder.folder / "copies" / "z.dng"]
    assert copy.by_choice
    assert copy.copy_of == folder.folder / "a.dng"
    assert copy.left_out == "a copy of a.dng, which counts once"


@pytest.mark.parametrize(
    ("table", "reason"),
    [
        ("file,use\na.dng,no\nb.dng,yes\n", "the shots table says not to use it"),
        ("file,f_number\nb.dng,8\n", "a copy of b.dng, which counts once"),
    ],
)
def test_of_equal_files_the_one_that_the_table_uses_counts(folder, table, reason):
    filled(folder, {"a.dng": b"one", "b.dng": b"one"})
    folder.table.write_text(table)
    first, second = gather([folder.folder], folder.table)
    assert not second.left_out
    assert first.left_out == reason


def test_copies_do_not_upset_a_table_that_goes_by_the_order(folder):
    filled(folder, {"a.dng": b"one", "b.dng": b"two", "c.dng": b"one"})
    folder.table.write_text("f_number,file\n4,\n8,\n")
    told = {"f_number": None, "lens": "Fennel"}
    for name in ("a.dng", "b.dng", "c.dng"):
        folder(name, **told)
    stops = [shot.setting.f_number for shot in gather([folder.folder], folder.table) if not shot.left_out]
    assert stops == [4.0, 8.0]


def test_files_that_differ_in_one_byte_or_are_empty_are_no_copies(tmp_path):
    long = bytes(300_000)
    contents = {"a": long, "b": long[:-1] + b"1", "c": b"1" + long[1:], "d": b"", "e": b"", "f": long}
    paths = [tmp_path / name for name in contents]
    for path, content in zip(paths, contents.values(), strict=True):
        path.write_bytes(content)
    found = copies_among([*paths, tmp_path / "missing"])
    assert found == {tmp_path / "f": tmp_path / "a"}


def test_copies_are_told_by_photograph_or_all_together():
    few = {Path("b"): Path("a"), Path("c"): Path("a"), Path("e"): Path("d")}
    assert copies_in_words(few) == ["left out: 2 copies of a", "left out: a copy of d"]
    many = {Path(f"copy{number}"): Path(f"shot{number}") for number in range(9)}
    assert copies_in_words(many) == ["left out: 9 copies of 9 photographs, the first of shot0"]


@pytest.mark.parametrize(("content", "told"), [(b"", "is empty"), (b"II*\x00\xff\xff\xff\x00", "cut short")])
def test_a_damaged_file_is_not_asked_for_its_f_number(folder, content, told):
    folder("a.dng", **KNOWN)
    folder("b.dng", lens="Fennel")
    (folder.folder / "b.dng").write_bytes(content)
    assert told in gather([folder.folder])[1].left_out


def test_a_photograph_that_nobody_touched_is_not_opened_again(folder, tmp_path, monkeypatch):
    folder("a.dng", **KNOWN, lens_focal_range_mm=(24.0, 70.0))
    folder("b.dng")  # which cannot be read, and may be some day
    later_ns = time.time_ns() + 10**10
    monkeypatch.setattr(time, "time_ns", lambda: later_ns)

    def gathered():
        opened, read_file = [], photo.read_metadata
        with monkeypatch.context() as patch:
            patch.setattr(photo, "read_metadata", lambda path: opened.append(path.name) or read_file(path))
            with metadata_kept(tmp_path) as read:
                return gather([folder.folder], read=read), opened

    first, second = gathered(), gathered()
    assert first == (second[0], ["a.dng", "b.dng"])
    assert second[1] == ["b.dng"]
    (folder.folder / "a.dng").write_bytes(b"changed")
    assert gathered()[1] == ["a.dng", "b.dng"]
    (tmp_path / ".metadata.json").write_bytes(b"[")
    assert gathered()[1] == ["a.dng", "b.dng"]
