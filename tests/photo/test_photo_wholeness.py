"""Cut-off raw files are seen from their directories: held against LibRaw, which decodes the whole of them."""

from pathlib import Path

import numpy as np
import pytest
import rawpy
from dng_files import rational_tag, write_dng

from lensbench.model.errors import ImageError
from lensbench.photo import check_whole
from lensbench.photo.raw import is_cut_short

SAMPLES = Path(__file__).resolve().parents[3] / "shared" / "samples"


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    codes = np.random.default_rng(1).integers(600, 9000, (90, 120)).astype(np.uint16)
    path = tmp_path_factory.mktemp("whole") / "whole.dng"
    return write_dng(path, codes, exif={33437: rational_tag((56, 10))})


def decodes(path):
    try:
        with rawpy.imread(str(path)) as raw:
            return bool(raw.raw_image_visible.size)
    except rawpy.LibRawError:
        return False


@pytest.mark.parametrize("share", [1.0, 0.97, 0.9, 0.5, 0.1, 0.01])
def test_a_cut_file_is_seen_without_decoding_it(whole, tmp_path, share):
    content = whole.read_bytes()
    path = tmp_path / "cut.dng"
    path.write_bytes(content[: int(len(content) * share)])
    assert is_cut_short(path) is (share < 1.0)
    # LibRaw does not miss the EXIF directory at the file's end; wherever it misses pixels, so do we.
    assert decodes(path) or is_cut_short(path)


def test_check_tells_what_is_wrong(whole, tmp_path):
    check_whole(whole)
    path = tmp_path / "some.dng"
    for content, told in ((b"", "is empty"), (whole.read_bytes()[:500], "damaged or cut short")):
        path.write_bytes(content)
        with pytest.raises(ImageError, match=told):
            check_whole(path)


def test_no_damage_leads_into_a_loop_or_a_fault(whole, tmp_path):
    content, random = bytearray(whole.read_bytes()), np.random.default_rng(7)
    path = tmp_path / "spoiled.dng"
    for _ in range(150):
        spoiled = content.copy()
        for place in random.integers(4, 900, 6):
            spoiled[place] = random.integers(256)
        path.write_bytes(spoiled)
        assert is_cut_short(path) in {True, False}
    content[-4:] = content[4:8]  # the last directory leads back to the first one
    path.write_bytes(content)
    assert is_cut_short(path) in {True, False}


@pytest.mark.skipif(not SAMPLES.is_dir(), reason="sample files lie beside the project")
def test_files_of_cameras_are_whole():
    names = ["6d.dng", "colorchart.dng", "247-1.nef", "DC50.KDC", "FujiFilm.raf", "DSC_3079.jpg"]
    assert [name for name in names if is_cut_short(SAMPLES / name)] == []
