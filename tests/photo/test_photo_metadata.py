"""Metadata: real camera files, what adapted lenses leave behind, malformed blocks, pixel pitch."""

import struct
import time
from pathlib import Path

import cv2
import numpy as np
import pytest
from dng_files import ascii_tag, jpeg_with_exif, rational_tag, short_tag, write_dng
from hypothesis import given, settings
from hypothesis import strategies as st

from lensbench.model.errors import ImageError
from lensbench.model.shot import Metadata
from lensbench.photo import open_photo, pixel_pitch_um, read_metadata

SAMPLES = Path(__file__).resolve().parents[3] / "shared" / "samples"

# Source: the same blocks read by Pillow 13, which shares no code with the reader used here. Camera, lens,
# f-number, focal length, ISO, exposure.
REAL = {
    "Canon-R6-pruned.CR3": ("Canon EOS R6", "RF70-200mm F2.8 L IS USM", 25.0, 200.0, 100, 0.25),
    "CanonRaw.cr2": ("Canon EOS 350D DIGITAL", None, 8.0, 55.0, 400, 1 / 15),
    "FujiFilm.raf": ("FUJIFILM FinePix S5Pro", None, 8.0, 70.0, 100, 1 / 250),
    "Panasonic.rw2": ("Panasonic DMC-LX3", None, 4.0, 5.1, 80, 1 / 250),
    "247-1.nef": ("NIKON D70s", None, 2.8, 50.0, None, 1 / 60),
    "6d.dng": ("Canon EOS 6D", "EF24-105mm f/4L IS USM", 5.6, 65.0, 1000, 1 / 60),
    "DSC_3079.jpg": ("Sony D5803", None, 2.0, 4.6, 64, 1 / 32),
    "colorchart.dng": ("Canon EOS Kiss X4", None, None, None, None, None),
}


def sample(name: str) -> Path:
    path = SAMPLES / name
    if not path.exists():
        pytest.skip(f"the sample {name} is not here")
    return path


@pytest.mark.parametrize("name", REAL)
def test_real_files_say_what_their_cameras_wrote(name):
    found = read_metadata(sample(name))
    camera, lens, f_number, focal, iso, exposure = REAL[name]
    assert (found.camera, found.lens, found.f_number, found.focal_length_mm) == (
        camera,
        lens,
        f_number,
        focal,
    )
    assert found.iso == iso
    assert found.exposure_s == (None if exposure is None else pytest.approx(exposure, rel=1e-3))


def test_the_moment_is_kept_with_its_fraction_and_zone():
    """Source: Pillow 13 on the same block."""
    assert read_metadata(sample("Canon-R6-pruned.CR3")).taken_at == "2021-05-12T12:21:21.92+02:00"


def test_the_real_raw_mosaic_opens_at_its_visible_size():
    photo = open_photo(sample("colorchart.dng"))
    assert photo.size_px == (1156, 1734)  # the file's own DefaultCropSize
    assert photo.channels == ("green", "red", "blue")


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("6d.dng", "demosaiced, reduced or merged"),
        ("Panasonic.rw2", "cannot hold 10090656 samples"),
        ("Canon-R6-pruned.CR3", "damaged or cut short"),
        ("FujiFilm.raf", "damaged or cut short"),
        ("CanonRaw.cr2", "no photograph that the raw decoder"),
    ],
)
def test_stripped_and_reduced_raws_are_refused(name, words, capfd):
    with pytest.raises(ImageError, match=words):
        open_photo(sample(name))
    assert capfd.readouterr().err == ""


FULL_EXIF = {
    33434: rational_tag((1, 125)),
    33437: rational_tag((56, 10)),
    34855: short_tag(200),
    36867: ascii_tag("2024:02:03 04:05:06"),
    37386: rational_tag((355, 10)),
    41986: short_tag(0),
    41989: short_tag(53),
    41486: rational_tag((6000, 1)),
    41487: rational_tag((6000, 1)),
    41488: short_tag(3),
    40962: (4, 1, struct.pack("<I", 1440)),
    37521: ascii_tag("07"),
    42036: ascii_tag("Example 35mm f/1.4"),
}


def small_dng(tmp_path: Path, exif: dict) -> Path:
    return write_dng(tmp_path / "a.dng", np.full((96, 144), 900, np.uint16), exif=exif)


def small_jpeg(tmp_path: Path, exif: dict, **names: str) -> Path:
    jpeg = cv2.imencode(".jpg", np.full((96, 144, 3), 90, np.uint8))[1].tobytes()
    (tmp_path / "a.jpg").write_bytes(jpeg_with_exif(jpeg, exif, **names))
    return tmp_path / "a.jpg"


@pytest.mark.parametrize("make", [small_dng, small_jpeg])
def test_all_fields_are_read(tmp_path, make):
    found = read_metadata(make(tmp_path, FULL_EXIF))
    assert found.camera == "Testmaker Model 7"
    assert found.lens == "Example 35mm f/1.4"
    assert found.f_number == 5.6
    assert found.focal_length_mm == 35.5
    assert found.focal_length_35mm_mm == 53.0
    assert found.iso == 200
    assert found.exposure_s == pytest.approx(0.008)
    assert found.taken_at == "2024-02-03T04:05:06.07"
    # 1440 px at 6000 px/cm.
    assert found.sensor_width_mm == pytest.approx(2.4)
    assert found.sensor_width_px == 1440


@pytest.mark.parametrize("f_number", [(0, 1), (0, 0), (4294967295, 1), (1, 1), (1000, 1)])
def test_an_f_number_that_cannot_be_true_is_none(tmp_path, f_number):
    """What lenses without contacts leave: 0, 0/0, all ones, and 1 beside a focal length of 0."""
    exif = FULL_EXIF | {33437: rational_tag(f_number), 37386: rational_tag((0, 1))}
    found = read_metadata(small_jpeg(tmp_path, exif))
    assert found.f_number is None
    assert found.focal_length_mm is None


@pytest.mark.parametrize(("f_number", "focal"), [((95, 100), 50), ((1, 1), 50), ((128, 1), 50)])
def test_unusual_but_true_f_numbers_are_kept(tmp_path, f_number, focal):
    exif = FULL_EXIF | {33437: rational_tag(f_number), 37386: rational_tag((focal, 1))}
    assert read_metadata(small_jpeg(tmp_path, exif)).f_number == pytest.approx(f_number[0] / f_number[1])


def test_apex_values_stand_in_for_missing_ones(tmp_path):
    """N = 2^(Av/2) and t = 2^-Tv (EXIF 2.32, Annex C)."""
    exif = {
        37378: rational_tag((5, 1)),
        37377: (10, 1, struct.pack("<ii", 7, 1)),
        37386: rational_tag((50, 1)),
    }
    found = read_metadata(small_jpeg(tmp_path, exif))
    assert found.f_number == pytest.approx(2**2.5)
    assert found.exposure_s == pytest.approx(1 / 128)


@pytest.mark.parametrize("name", ["----", "", " ", "None", "n/a", "DT 0mm F0 SAM", "0.0 mm f/0.0"])
def test_a_lens_name_that_is_none_is_none(tmp_path, name):
    exif = {tag: entry for tag, entry in FULL_EXIF.items() if tag != 42036} | {42036: ascii_tag(name)}
    assert read_metadata(small_jpeg(tmp_path, exif)).lens is None


@pytest.mark.parametrize(
    ("parts", "name", "reach"),
    [
        (((18, 1), (70, 1), (35, 10), (45, 10)), "18-70mm f/3.5-4.5", (18.0, 70.0)),
        (((50, 1), (50, 1), (18, 10), (18, 10)), "50mm f/1.8", (50.0, 50.0)),
        (((50, 1), (50, 1), (0, 0), (0, 0)), "50mm", (50.0, 50.0)),
        (((0, 1), (0, 1), (0, 1), (0, 1)), None, None),
        (((70, 1), (18, 1), (0, 1), (0, 1)), None, None),
    ],
)
def test_a_lens_without_name_is_described_by_its_specification(tmp_path, parts, name, reach):
    exif = {42034: rational_tag(*parts)}
    found = read_metadata(small_jpeg(tmp_path, exif))
    assert found.lens == name
    assert found.lens_focal_range_mm == reach


def test_names_are_freed_of_control_and_direction_marks(tmp_path):
    path = small_jpeg(tmp_path, {42036: ascii_tag("A\x07B\u202ec " + "x" * 500)}, model="M\n1")
    found = read_metadata(path)
    assert found.lens is not None
    assert found.lens.isprintable()
    assert len(found.lens) <= 80
    assert found.camera == "Testmaker M 1"


@settings(max_examples=40, deadline=None, derandomize=True)
@given(changes=st.lists(st.tuples(st.integers(4, 520), st.integers(0, 255)), min_size=1, max_size=12))
def test_malformed_blocks_never_raise(tmp_path_factory, changes):
    jpeg = cv2.imencode(".jpg", np.full((16, 16, 3), 90, np.uint8))[1].tobytes()
    data = bytearray(jpeg_with_exif(jpeg, FULL_EXIF))
    for place, value in changes:
        data[place] = value
    path = tmp_path_factory.getbasetemp() / "harmed.jpg"
    path.write_bytes(data)
    found = read_metadata(path)
    assert found.f_number is None or 0.5 <= found.f_number <= 128
    assert found.lens is None or found.lens.isprintable()


@pytest.mark.parametrize("head", [b"FUJIFILMCCD-RAW", b"\0\0\0\x18ftypcrx ", b"IIU\0\x08\0\0\0"])
def test_harmed_containers_give_no_metadata(tmp_path, head):
    for tail in (b"", b"\xff" * 40, bytes(200), np.random.default_rng(7).bytes(300)):
        (tmp_path / "a.raw").write_bytes(head + tail)
        assert read_metadata(tmp_path / "a.raw").camera is None


def test_directories_that_chain_almost_without_end_are_given_up(tmp_path):
    """A thousand directories of 65535 entries each, laid over each other in one megabyte."""
    data = bytearray(b"II*\x00\x08\x00\x00\x00" + bytes(800_000))
    for number in range(1000):
        at = 8 + 4 * number
        struct.pack_into("<H", data, at, 65535)
        struct.pack_into("<I", data, at + 2 + 12 * 65535, at + 4)
    (tmp_path / "a.dng").write_bytes(data)
    begun = time.process_time()
    assert read_metadata(tmp_path / "a.dng").camera is None
    assert time.process_time() - begun < 5.0  # minutes without the limit


def described(**values: float) -> Metadata:
    return Metadata(**values)


def test_the_pitch_comes_from_the_sensor_width():
    """X-E1: 820 px/cm at 1920 px, on a sensor of 23.4 mm (sensor width from the maker's specification)."""
    metadata = described(sensor_width_mm=1920 / 82.0, sensor_width_px=1920)
    assert pixel_pitch_um(metadata, (3264, 4896)) == pytest.approx(1000 * 23.41 / 4896, rel=1e-3)


def test_a_few_more_columns_than_the_picture_do_not_move_the_pitch():
    # 5472 px at 5472000/899 px an inch: 4.1728 um, while the raw shows 5496 columns.
    width = 5472 / (5_472_000 / 899) * 25.4
    metadata = described(sensor_width_mm=width, sensor_width_px=5472)
    assert pixel_pitch_um(metadata, (3670, 5496)) == pytest.approx(1000 * width / 5472)


def test_the_equivalent_focal_length_gives_the_pitch():
    """75 mm for 50 mm on 23.7 mm x 15.6 mm with 3008 columns: 7.88 um by the maker; integers are coarse."""
    metadata = described(focal_length_mm=50.0, focal_length_35mm_mm=75.0)
    assert pixel_pitch_um(metadata, (2000, 3008)) == pytest.approx(7.88, rel=0.02)


@pytest.mark.parametrize(("width_mm", "believed"), [(23.5, True), (24.4, True), (13.2, False), (36.0, False)])
def test_two_sources_that_disagree_give_no_pitch(width_mm, believed):
    metadata = described(
        sensor_width_mm=width_mm, sensor_width_px=6000, focal_length_mm=50.0, focal_length_35mm_mm=75.0
    )
    pitch = pixel_pitch_um(metadata, (4000, 6000))
    assert pitch == (pytest.approx(1000 * width_mm / 6000) if believed else None)


def test_a_digital_zoom_makes_the_equivalent_useless(tmp_path):
    exif = FULL_EXIF | {41988: rational_tag((2, 1))}
    assert read_metadata(small_jpeg(tmp_path, exif)).focal_length_35mm_mm is None


def test_nothing_known_gives_no_pitch():
    assert pixel_pitch_um(Metadata(), (4000, 6000)) is None
