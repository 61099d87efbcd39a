"""Pictures that would fill the memory are refused by their headers, and want of memory is called by its name."""

import errno
import os
import struct
import zlib

import cv2
import numpy as np
import pytest
import rawpy
import tifffile
from dng_files import write_dng

from lensbench.model.errors import ImageError, MemoryShortError, UnreadableError
from lensbench.photo import open_photo, refusal


def png_that_says(path, *, rows, columns, depth, colours):
    """A small PNG whose header says another size, bit depth and colour type (W3C PNG, 11.2.1)."""
    png = bytearray(cv2.imencode(".png", np.full((40, 60, 3), 90, np.uint8))[1].tobytes())
    struct.pack_into(">IIBB", png, 16, columns, rows, depth, colours)
    struct.pack_into(">I", png, 29, zlib.crc32(png[12:29]))
    path.write_bytes(png)
    return path


@pytest.fixture
def no_decoder(monkeypatch):
    """Nothing may be decoded."""
    monkeypatch.setattr(cv2, "imdecode", lambda *_: pytest.fail("decoded"))


@pytest.mark.parametrize(
    ("header", "words"),
    [
        # 15 800 x 15 800 x 3 samples x 2 bytes are 1498 MB; 12 000 x 12 000 x 1 are 144 MB, 200 times 0.7 MB.
        (
            {"rows": 15_800, "columns": 15_800, "depth": 16, "colours": 2},
            "1498 MB of samples are more than the 1000",
        ),
        (
            {"rows": 12_000, "columns": 12_000, "depth": 8, "colours": 0},
            r"0\.0 MB cannot hold a photograph of 144 meg",
        ),
    ],
)
def test_a_picture_is_bounded_by_its_header(tmp_path, no_decoder, header, words):
    with pytest.raises(ImageError, match=words):
        open_photo(png_that_says(tmp_path / "a.png", **header))


def test_a_tiff_is_bounded_by_its_bytes(tmp_path):
    path = tmp_path / "a.tif"
    # 14 000 x 14 000 x 3 samples x 2 bytes: 1176 MB; the tiles' codes stand in for all of them.
    tifffile.imwrite(
        path, np.zeros((16, 16, 3), np.uint16), photometric="rgb", tile=(16, 16), compression="zlib"
    )
    data = bytearray(path.read_bytes())
    for tag in (256, 257):  # ImageWidth, ImageLength: TIFF 6.0, section 8; a SHORT or a LONG
        (entry,) = (at for kind in (3, 4) if (at := data.find(struct.pack("<HH", tag, kind))) >= 0)
        struct.pack_into("<HII", data, entry + 2, 4, 1, 14_000)
    path.write_bytes(data)
    with pytest.raises(ImageError, match="1176 MB of samples are more than the 1000"):
        open_photo(path)


@pytest.mark.parametrize("suffix", ["dng", "jpg"])
def test_a_file_too_large_for_any_photograph_is_not_read(tmp_path, suffix, monkeypatch):
    path = tmp_path / f"a.{suffix}"
    path.touch()
    os.truncate(path, 1_500_000_000)  # sparse: no byte of it is on the disk
    monkeypatch.setattr(type(path), "open", lambda *_, **__: pytest.fail("read"))
    with pytest.raises(ImageError, match="1500 MB are more than the 1000 MB that are taken"):
        open_photo(path)


def test_a_raw_file_is_bounded_before_it_is_unpacked(tmp_path, monkeypatch):
    path = write_dng(tmp_path / "a.dng", np.full((40, 60), 900, np.uint16))
    monkeypatch.setattr("lensbench.photo.pixels.MOST_PIXELS", 2000)
    monkeypatch.setattr("lensbench.photo.raw._layout", lambda _: pytest.fail("unpacked"))
    with pytest.raises(ImageError, match="0 megapixels are more than the 0 that are taken"):
        open_photo(path)


OPENCV = cv2.error("Failed to allocate")
OPENCV.code = -4  # cv::Error::StsNoMem, OpenCV's error codes


@pytest.mark.parametrize(
    ("error", "kind", "words"),
    [
        (MemoryError(), MemoryShortError, "the memory does not suffice"),
        (OPENCV, MemoryShortError, "the memory does not suffice"),
        (rawpy.LibRawUnsufficientMemoryError(), MemoryShortError, "the memory does not suffice"),
        (OSError(errno.ENOMEM, "Cannot allocate memory"), MemoryShortError, "the memory does not suffice"),
        (OSError(errno.EIO, "Input/output error"), UnreadableError, r"cannot be read \(Input/output error\)"),
        (OSError("image file is truncated"), ImageError, "damaged or cut short"),
        (ZeroDivisionError(), ImageError, "damaged or cut short"),
    ],
)
def test_damage_is_told_from_want_of_memory_in_one_place(tmp_path, error, kind, words):
    told = refusal(tmp_path / "a.dng", error)
    assert type(told) is kind
    assert str(told).startswith("a.dng: ")
    with pytest.raises(kind, match=words):
        raise told


@pytest.mark.parametrize("suffix", [".png", ".dng"])
def test_a_decoder_without_memory_does_not_blame_the_file(tmp_path, suffix, monkeypatch):
    path = tmp_path / f"a{suffix}"
    if suffix == ".dng":
        write_dng(path, np.full((40, 60), 900, np.uint16))
        monkeypatch.setattr(
            "lensbench.photo.raw._from_decoder", raising(rawpy.LibRawUnsufficientMemoryError())
        )
    else:
        cv2.imwrite(str(path), np.full((40, 60, 3), 90, np.uint8))
        monkeypatch.setattr(cv2, "imread", lambda *_: None)  # which is all that OpenCV says of it
        monkeypatch.setattr("lensbench.photo.raster.check_memory", raising(MemoryError()))
    with pytest.raises(MemoryShortError, match="the memory does not suffice"):
        open_photo(path)


def raising(error):
    def fail(*_, **__):
        raise error

    return fail
