"""Finished pictures: the way back to linear light, orientation, depth, and what is refused."""

import os
import shutil
import struct
import sys
import zlib

import cv2
import numpy as np
import pytest
import tifffile
from dng_files import jpeg_with_exif

from lensbench.model.errors import ImageError, SettingError
from lensbench.model.shot import Box
from lensbench.photo import open_photo

SIZE = (40, 60)
BOX = Box(top=3, left=5, height=20, width=30)
PLACE = np.s_[3:23, 5:35]


def srgb_to_linear(code: np.ndarray) -> np.ndarray:
    """IEC 61966-2-1, the inverse of the transfer function."""
    return np.array(
        [v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in code.ravel()]
    ).reshape(code.shape)


def unlike_rgb(kind: type = np.uint8) -> np.ndarray:
    most = int(np.iinfo(kind).max)
    return np.random.default_rng(2).integers(1, most, (*SIZE, 3)).astype(kind)


def icc_profile(curve: bytes) -> bytes:
    """A profile that holds a green tone curve and nothing else (ICC.1:2022, clause 7)."""
    table = struct.pack(">I", 1) + struct.pack(">4sII", b"gTRC", 144, len(curve))
    body = bytes(128) + table + curve
    return struct.pack(">I", len(body)) + body[4:]


SRGB_PARAMETRIC = struct.pack(
    ">4sIHH5i",
    b"para",
    0,
    3,
    0,
    *(round(v * 65536) for v in (2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)),
)
STRAIGHT = struct.pack(">4sII", b"curv", 0, 0)
GAMMA_1_8 = struct.pack(">4sIIH", b"curv", 0, 1, round(1.8 * 256)) + b"\0\0"


@pytest.mark.parametrize("suffix", [".png", ".tif"])
@pytest.mark.parametrize("kind", [np.uint8, np.uint16])
def test_srgb_codes_become_linear_light(tmp_path, suffix, kind):
    rgb = unlike_rgb(kind)
    path = tmp_path / f"a{suffix}"
    cv2.imwrite(str(path), rgb[:, :, ::-1])
    photo = open_photo(path)
    assert photo.size_px == SIZE
    assert photo.channels == ("green", "red", "blue", "luminance")
    assert not photo.sensor_data
    assert [r.flag for r in photo.remarks] == ["not_sensor_data", "tone_unknown"]
    light = srgb_to_linear(rgb / np.iinfo(kind).max)
    for index, channel in enumerate(("red", "green", "blue")):
        cut = photo.cut(BOX, channel)
        np.testing.assert_allclose(cut.values, light[PLACE][:, :, index], rtol=1e-4, atol=1e-6)
        assert cut.present.all()
        assert not cut.tone_known
    # ITU-R BT.709-6, item 3.2.
    luminance = light @ np.array([0.2126, 0.7152, 0.0722])
    np.testing.assert_allclose(photo.cut(BOX, "luminance").values, luminance[PLACE], rtol=1e-4, atol=1e-6)


@pytest.mark.parametrize(
    ("encoding", "to_light"),
    [("linear", lambda v: v), ("gamma:2.2", lambda v: v**2.2), ("srgb", srgb_to_linear)],
)
def test_the_named_encoding_counts_and_is_held_for_known(tmp_path, encoding, to_light):
    grey = unlike_rgb(np.uint16)[:, :, 0]
    tifffile.imwrite(tmp_path / "a.tif", grey)
    photo = open_photo(tmp_path / "a.tif", encoding=encoding)
    assert photo.channels == ("grey",)
    cut = photo.cut(BOX)
    np.testing.assert_allclose(cut.values, to_light(grey / 65535.0)[PLACE], rtol=1e-4, atol=1e-6)
    assert cut.tone_known
    assert [r.flag for r in photo.remarks] == ["not_sensor_data"]


@pytest.mark.parametrize("kind", [np.uint8, np.uint16])
def test_a_plane_a_colour_holds_the_same_picture(tmp_path, kind):
    rgb = unlike_rgb(kind)
    planes = {"photometric": "rgb", "planarconfig": "separate"}
    tifffile.imwrite(tmp_path / "a.tif", np.moveaxis(rgb, 2, 0), **planes)
    photo = open_photo(tmp_path / "a.tif", encoding="linear")
    for index, name in enumerate(("red", "green", "blue")):
        light = rgb[:, :, index][PLACE] / np.iinfo(kind).max
        np.testing.assert_allclose(photo.cut(BOX, name).values, light, rtol=1e-4, atol=1e-6)
    tifffile.imwrite(
        tmp_path / "b.tif", np.moveaxis(rgb.astype(np.uint16), 2, 0), compression="zlib", **planes
    )
    with pytest.raises(ImageError, match="interleaved"):
        open_photo(tmp_path / "b.tif")


@pytest.mark.parametrize("compression", [None, "zlib"])
@pytest.mark.parametrize(
    ("curve", "to_light"),
    [(STRAIGHT, lambda v: v), (SRGB_PARAMETRIC, srgb_to_linear), (GAMMA_1_8, lambda v: v ** (461 / 256))],
    ids=["straight", "sRGB", "gamma 1.8"],
)
def test_a_16_bit_tiff_is_read_by_its_profile(tmp_path, curve, to_light, compression):
    rgb = unlike_rgb(np.uint16)
    tifffile.imwrite(
        tmp_path / "a.tif", rgb, photometric="rgb", iccprofile=icc_profile(curve), compression=compression
    )
    cut = open_photo(tmp_path / "a.tif").cut(BOX, "red")
    np.testing.assert_allclose(cut.values, to_light(rgb[:, :, 0] / 65535.0)[PLACE], rtol=1e-3, atol=1e-5)
    assert cut.tone_known


@pytest.mark.parametrize(
    "profile", [b"", b"nonsense", icc_profile(b"curv" + bytes(2)), icc_profile(b"para\0\0")]
)
def test_a_useless_profile_leaves_the_tone_unknown(tmp_path, profile):
    tifffile.imwrite(tmp_path / "a.tif", unlike_rgb(np.uint16), photometric="rgb", iccprofile=profile)
    photo = open_photo(tmp_path / "a.tif")
    assert "tone_unknown" in [r.flag for r in photo.remarks]


def test_a_png_that_states_gamma_1_is_linear(tmp_path):
    """gAMA holds 100000 times the encoding exponent (W3C PNG, 11.3.2.2)."""
    grey = unlike_rgb(np.uint16)[:, :, 0]
    png = cv2.imencode(".png", grey)[1].tobytes()
    chunk = b"gAMA" + struct.pack(">I", 100_000)
    chunk = struct.pack(">I", 4) + chunk + struct.pack(">I", zlib.crc32(chunk))
    (tmp_path / "a.png").write_bytes(png[:33] + chunk + png[33:])
    cut = open_photo(tmp_path / "a.png").cut(BOX)
    np.testing.assert_allclose(cut.values, grey[PLACE] / 65535.0, rtol=1e-9)
    assert cut.tone_known


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_exif_orientation_never_turns_a_jpeg(tmp_path, orientation):
    rgb = np.full((*SIZE, 3), 40, np.uint8)
    rgb[:16, :16] = 230
    jpeg = cv2.imencode(".jpg", rgb)[1].tobytes()
    (tmp_path / "a.jpg").write_bytes(jpeg_with_exif(jpeg, {}, orientation=orientation))
    photo = open_photo(tmp_path / "a.jpg")
    assert photo.size_px == SIZE
    assert photo.metadata.orientation == orientation
    corner = photo.cut(Box(top=0, left=0, height=8, width=8)).values.mean()
    assert corner == pytest.approx(float(srgb_to_linear(np.array([230 / 255]))[0]), rel=0.02)
    assert photo.cut(Box(top=SIZE[0] - 8, left=SIZE[1] - 8, height=8, width=8)).values.mean() < 0.1


def test_white_and_black_codes_are_clipped(tmp_path):
    rgb = unlike_rgb()
    rgb[4, 6], rgb[5, 9, 2], rgb[6, 8, 1] = 255, 0, 255
    cv2.imwrite(str(tmp_path / "a.png"), rgb[:, :, ::-1])
    photo = open_photo(tmp_path / "a.png")
    assert {tuple(p) for p in np.argwhere(photo.cut(BOX, "green").clipped)} == {(1, 1), (3, 3)}
    assert {tuple(p) for p in np.argwhere(photo.cut(BOX, "luminance").clipped)} == {(1, 1), (2, 4), (3, 3)}


@pytest.mark.parametrize(("kind", "channels"), [(np.uint8, 4), (np.uint16, 4)])
def test_an_alpha_plane_is_left_out(tmp_path, kind, channels):
    rgba = np.dstack([unlike_rgb(kind), np.full(SIZE, 7, kind)])
    tifffile.imwrite(tmp_path / "a.tif", rgba, photometric="rgb", extrasamples=["unassalpha"])
    cut = open_photo(tmp_path / "a.tif", encoding="linear").cut(BOX, "blue")
    np.testing.assert_allclose(cut.values, rgba[PLACE][:, :, 2] / np.iinfo(kind).max, rtol=1e-9)


def test_the_overview_averages_whole_blocks(tmp_path):
    codes = np.zeros((90, 121), np.uint8)
    codes[30:60, 60:] = 200
    cv2.imwrite(str(tmp_path / "a.png"), codes)
    view = open_photo(tmp_path / "a.png").overview(90 * 121 // 30)
    assert view.factor == 6
    np.testing.assert_array_equal(view.grey, codes[:90, :120].reshape(15, 6, 20, 6).mean((1, 3)))


@pytest.mark.parametrize("encoding", ["loglike", "gamma:", "gamma:0", "gamma:nan", "gamma:9"])
def test_an_unknown_encoding_is_refused(tmp_path, encoding):
    cv2.imwrite(str(tmp_path / "a.png"), unlike_rgb())
    with pytest.raises(SettingError, match=f"encoding «{encoding}»"):
        open_photo(tmp_path / "a.png", encoding=encoding)


@pytest.mark.parametrize("colours", [(), (3,)])
def test_a_tiff_that_does_not_say_what_its_zero_is_is_refused(tmp_path, colours):
    """TIFF 6.0, section 8: PhotometricInterpretation, tag 262, is asked for and has no default."""
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, np.full((*SIZE, *colours), 6000, np.uint16), byteorder="<", metadata=None)
    content = path.read_bytes()
    path.write_bytes(content.replace(struct.pack("<HH", 262, 3), struct.pack("<HH", 261, 3), 1))
    with pytest.raises(ImageError, match="does not say whether its zero is black or white"):
        open_photo(path)


@pytest.mark.parametrize("compression", [None, "zlib"])
@pytest.mark.parametrize("kind", [np.uint8, np.uint16])
def test_a_tiff_whose_zero_is_white_holds_the_same_light(tmp_path, kind, compression):
    # TIFF 6.0, section 8: with PhotometricInterpretation 0, 0 is imaged as white.
    grey = unlike_rgb(kind)[:, :, 0]
    tifffile.imwrite(tmp_path / "a.tif", ~grey, photometric="miniswhite", compression=compression)
    cut = open_photo(tmp_path / "a.tif").cut(BOX)
    light = srgb_to_linear(grey / np.iinfo(kind).max)[PLACE]
    np.testing.assert_allclose(cut.values, light, rtol=1e-4, atol=1e-6)


def test_a_compression_that_is_not_decoded_is_named(tmp_path):
    tifffile.imwrite(tmp_path / "a.tif", unlike_rgb(np.uint16), photometric="rgb", compression="zlib")
    with tifffile.TiffFile(tmp_path / "a.tif", mode="r+b") as file:
        file.pages[0].tags[259].overwrite(50000)  # Zstandard, in the register of the TIFF library
    with pytest.raises(
        ImageError, match=r"a\.tif: a TIFF compressed by ZSTD is not measured; save it uncomp"
    ):
        open_photo(tmp_path / "a.tif")


@pytest.mark.parametrize("kind", [np.float32, np.uint32, bool])
def test_depths_that_are_not_measured_are_refused(tmp_path, kind):
    tifffile.imwrite(tmp_path / "a.tif", np.ones(SIZE, kind))
    with pytest.raises(ImageError, match=r"a\.tif: TIFF with \d+ bits .* save it with 8 or 16 bits"):
        open_photo(tmp_path / "a.tif")


@pytest.mark.parametrize("suffix", [".jpg", ".png", ".tif"])
@pytest.mark.parametrize("share", [0.98, 0.5, 0.02])
def test_a_picture_cut_short_is_refused(tmp_path, suffix, share, capfd):
    path = tmp_path / f"a{suffix}"
    rgb = np.random.default_rng(1).integers(0, 255, (200, 300, 3)).astype(np.uint8)
    cv2.imwrite(str(path), rgb)
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * share)])
    with pytest.raises(ImageError, match=rf"a\{suffix}: this .* (damaged|cut short)"):
        open_photo(path)
    assert capfd.readouterr().err == ""


def test_a_png_with_a_wrong_checksum_is_refused(tmp_path, capfd):
    cv2.imwrite(str(tmp_path / "a.png"), unlike_rgb())
    data = bytearray((tmp_path / "a.png").read_bytes())
    data[len(data) // 2] ^= 0xFF
    (tmp_path / "a.png").write_bytes(data)
    with pytest.raises(ImageError, match=r"a\.png: the picture is damaged"):
        open_photo(tmp_path / "a.png")
    assert capfd.readouterr().err == ""


def test_a_picture_too_large_is_refused_before_it_is_decoded(tmp_path):
    png = bytearray(cv2.imencode(".png", unlike_rgb())[1].tobytes())
    struct.pack_into(">II", png, 16, 100_000, 60_000)
    struct.pack_into(">I", png, 29, zlib.crc32(png[12:29]))
    (tmp_path / "a.png").write_bytes(png)
    with pytest.raises(ImageError, match=r"a\.png: 6000 megapixels are more than the 250"):
        open_photo(tmp_path / "a.png")


@pytest.mark.parametrize(
    ("kind", "told"),
    [(np.int16, "16 bits a channel \\(signed\\)"), (np.float32, "32 bits a channel \\(floating point\\)")],
)
def test_a_tiff_of_another_kind_of_numbers_is_called_what_it_is(tmp_path, kind, told):
    tifffile.imwrite(tmp_path / "a.tif", np.ones((32, 32), kind))
    with pytest.raises(ImageError, match=told):
        open_photo(tmp_path / "a.tif")


@pytest.mark.skipif(sys.platform in {"win32", "darwin"}, reason="every name is Unicode there")
def test_a_picture_opens_alike_by_a_name_that_is_no_unicode(tmp_path):
    path, other = tmp_path / "a.png", tmp_path / os.fsdecode(b"a\xff.png")
    cv2.imwrite(str(path), unlike_rgb(np.uint16))
    shutil.copy(path, other)
    first, second = (open_photo(each).cut(BOX, "red").values for each in (path, other))
    assert np.array_equal(first, second)
