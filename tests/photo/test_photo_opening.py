"""Files that are no photographs, and the walk through a folder."""

import contextlib
import os

import numpy as np
import pytest
from dng_files import write_dng

from lensbench.model.errors import ImageError
from lensbench.photo import list_photos, open_photo, passed_over


def test_a_missing_file_a_folder_an_empty_and_a_text_file_get_one_sentence_each(tmp_path, capfd):
    (tmp_path / "empty.dng").touch()
    (tmp_path / "text.dng").write_text("dear diary " * 100)
    (tmp_path / "text.jpg").write_text("dear diary " * 100)
    (tmp_path / "short.jpg").write_text("dear diary")
    (tmp_path / "phone.heic").write_text("ftypheic" * 100)
    for path, words in {
        tmp_path / "none.dng": r"none\.dng: there is no such photograph \(No such file or directory\)",
        tmp_path: "this is no file; give one photograph",
        tmp_path / "empty.dng": r"empty\.dng: the file is empty; copy it",
        tmp_path / "text.dng": r"text\.dng: this is no photograph .* convert it to DNG",
        tmp_path / "short.jpg": r"short\.jpg: its content is not what its name says",
        tmp_path / "text.jpg": r"text\.jpg: this is no photograph .* convert it to DNG",
        tmp_path / "phone.heic": r"phone\.heic: .* photograph as raw",
        "nul\0byte.dng": "there is no such photograph",
    }.items():
        with pytest.raises(ImageError, match=words) as caught:
            open_photo(path)
        assert "\n" not in str(caught.value)
    assert capfd.readouterr().err == ""


@pytest.mark.parametrize("seed", range(12))
def test_bytes_changed_at_random_give_a_photo_or_one_image_error(tmp_path, seed):
    path = write_dng(tmp_path / "a.dng", np.full((40, 60), 900, np.uint16))
    rng = np.random.default_rng(seed)
    data = bytearray(path.read_bytes())
    # The pixels stand at one end, the tags at the other: harm the tags.
    for place in np.r_[rng.integers(0, 400, 6), rng.integers(len(data) - 300, len(data), 6)]:
        data[place] = rng.integers(256)
    path.write_bytes(data)
    with contextlib.suppress(ImageError):  # anything else that is raised fails the test
        assert len(open_photo(path).size_px) == 2


def test_photos_are_listed_in_natural_order_and_nothing_else(tmp_path):
    (tmp_path / "sub").mkdir()
    (tmp_path / ".hidden").mkdir()
    (tmp_path / "sub-lensbench" / "plots").mkdir(parents=True)
    for name in (
        "shot10.dng",
        "shot2.DNG",
        "a.jpg",
        "notes.txt",
        "._shot2.dng",
        "sub/b.NEF",
        ".hidden/c.dng",
        "sub-lensbench/.lensbench-report-files.json",
        "sub-lensbench/plots/strips.png",
    ):
        (tmp_path / name).write_bytes(b"x")
    (tmp_path / "folder.jpg").mkdir()
    (tmp_path / "link.jpg").symlink_to(tmp_path / "a.jpg")
    (tmp_path / "round").symlink_to(tmp_path, target_is_directory=True)
    os.mkfifo(tmp_path / "pipe.dng")
    names = [str(path.relative_to(tmp_path)) for path in list_photos(tmp_path)]
    assert names == ["a.jpg", "shot2.DNG", "shot10.dng", "sub/b.NEF"]
    assert [path.name for path in passed_over(tmp_path)] == ["link.jpg", "pipe.dng", "round"]


def test_a_folder_that_is_not_there_is_refused(tmp_path):
    with pytest.raises(ImageError, match="there is no such folder; give the folder"):
        list_photos(tmp_path / "nowhere")
    assert list_photos(tmp_path) == []
    (tmp_path / ".lensbench-report-files.json").write_text("{}")
    with pytest.raises(ImageError, match="this is a report; give the folder that holds the photographs"):
        list_photos(tmp_path)
