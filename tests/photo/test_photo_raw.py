"""Raw files: each channel's own sites, black per colour, white, clipping; what holds no samples."""

import sys
from pathlib import Path

import numpy as np
import pytest
from dng_files import BAYER_PHASES, X_TRANS, write_dng

from lensbench.model.errors import ImageError, SettingError
from lensbench.model.shot import Box
from lensbench.photo import open_photo

ROWS, COLUMNS = 66, 90
COLOUR = ("red", "green", "blue")  # the DNG's CFAPlaneColor 0, 1, 2


def unlike_codes(rows: int = ROWS, columns: int = COLUMNS, most: int = 12_000) -> np.ndarray:
    """Codes that differ at every site, so that any shift or mirror shows."""
    return np.random.default_rng(5).integers(600, most, (rows, columns)).astype(np.uint16)


def whole(photo) -> Box:
    return Box(top=0, left=0, height=photo.size_px[0], width=photo.size_px[1])


def expected_colours(pattern: tuple[int, ...], shape: tuple[int, int]) -> np.ndarray:
    side = int(np.sqrt(len(pattern)))
    rows, columns = np.indices(shape)
    return np.array(pattern).reshape(side, side)[rows % side, columns % side]


@pytest.mark.parametrize("pattern", [*BAYER_PHASES.values(), X_TRANS], ids=[*BAYER_PHASES, "X-Trans"])
def test_each_channel_is_cut_at_its_own_sites(tmp_path, pattern):
    codes = unlike_codes()
    photo = open_photo(write_dng(tmp_path / "a.dng", codes, pattern=pattern))
    assert photo.size_px == (ROWS, COLUMNS)
    assert photo.sensor_data
    assert photo.channels == ("green", "red", "blue")
    colours = expected_colours(pattern, codes.shape)
    for index, channel in enumerate(COLOUR):
        for box in (
            whole(photo),
            Box(top=7, left=12, height=31, width=23),
            Box(top=12, left=5, height=20, width=9),
        ):
            place = np.s_[box.top : box.top + box.height, box.left : box.left + box.width]
            cut = photo.cut(box, channel)
            np.testing.assert_array_equal(cut.present, colours[place] == index)
            # The linear scale: code minus black over white minus black.
            expected = (codes[place].astype(float) - 512) / (16383 - 512)
            np.testing.assert_allclose(cut.values[cut.present], expected[cut.present], rtol=1e-12)
            assert not cut.clipped.any()
            assert cut.tone_known


@pytest.mark.parametrize("margins", [(3, 5), (8, 12), (7, 11), (4, 7)])
@pytest.mark.parametrize("phase", BAYER_PHASES)
def test_margins_do_not_shift_the_colours(tmp_path, margins, phase):
    """Decoders make odd margins even; the colour must stay with the sample all the same."""
    codes = unlike_codes()
    pattern = BAYER_PHASES[phase]
    top, left = margins
    active = (top, left, top + 40, left + 60)
    photo = open_photo(write_dng(tmp_path / "a.dng", codes, pattern=pattern, active=active))
    # The pattern's phase is given from the active area's corner (DNG 1.6, CFAPattern).
    colours = np.roll(expected_colours(pattern, (ROWS + 2, COLUMNS + 2)), (top % 2, left % 2), (0, 1))[
        :ROWS, :COLUMNS
    ]
    green = photo.cut(whole(photo), "green")
    found = np.rint(green.values * (16383 - 512) + 512).astype(int)
    # Look every green code up in the file: it must lie at a green site there.
    corner = np.argwhere(codes == found[green.present.nonzero()[0][0], green.present.nonzero()[1][0]])
    first = np.array([green.present.nonzero()[0][0], green.present.nonzero()[1][0]])
    shifts = {tuple(place - first) for place in corner}
    matching = [
        shift
        for shift in shifts
        if min(shift) >= 0
        and np.array_equal(
            codes[shift[0] : shift[0] + photo.size_px[0], shift[1] : shift[1] + photo.size_px[1]], found
        )
    ]
    assert len(matching) == 1
    (down, right) = matching[0]
    assert abs(down - top) <= 1
    assert abs(right - left) <= 1
    np.testing.assert_array_equal(
        green.present, colours[down : down + photo.size_px[0], right : right + photo.size_px[1]] == 1
    )


def test_black_is_subtracted_colour_by_colour(tmp_path):
    blacks = (500, 540, 580, 620)  # by place of the pattern: red, green, green, blue
    codes = unlike_codes()
    photo = open_photo(write_dng(tmp_path / "a.dng", codes, black=blacks))
    rows, columns = np.indices(codes.shape)
    black = np.array(blacks).reshape(2, 2)[rows % 2, columns % 2]
    for channel, white_minus_black in (("red", 16383 - 500), ("green", 16383 - 560), ("blue", 16383 - 620)):
        cut = photo.cut(whole(photo), channel)
        expected = (codes - black.astype(float)) / white_minus_black
        np.testing.assert_allclose(cut.values[cut.present], expected[cut.present], rtol=1e-12)


def test_monochrome_raw_is_one_grey_channel(tmp_path):
    codes = unlike_codes()
    photo = open_photo(write_dng(tmp_path / "a.dng", codes, photometric=34892))
    assert photo.channels == ("grey",)
    assert photo.default_channel == "grey"
    cut = photo.cut(whole(photo))
    assert cut.present.all()
    np.testing.assert_allclose(cut.values, (codes.astype(float) - 512) / (16383 - 512), rtol=1e-12)


@pytest.mark.parametrize("bits", [10, 12, 14])
def test_packed_codes_come_exact(tmp_path, bits):
    codes = unlike_codes(most=2**bits - 300)
    path = write_dng(tmp_path / "a.dng", codes, bitspersample=bits, white=2**bits - 1, black=64)
    cut = open_photo(path).cut(Box(top=0, left=0, height=ROWS, width=COLUMNS), "green")
    expected = (codes.astype(float) - 64) / (2**bits - 1 - 64)
    np.testing.assert_allclose(cut.values[cut.present], expected[cut.present], rtol=1e-12)


def test_lossless_jpeg_comes_exact(tmp_path):
    imagecodecs = pytest.importorskip("imagecodecs")
    codes = unlike_codes(64, 96)
    tiles = [
        imagecodecs.ljpeg_encode(np.ascontiguousarray(codes[r : r + 32, c : c + 32]), bitspersample=14)
        for r in range(0, 64, 32)
        for c in range(0, 96, 32)
    ]
    path = write_dng(tmp_path / "a.dng", codes, encoded=iter(tiles), compression=7, tile=(32, 32))
    cut = open_photo(path).cut(Box(top=0, left=0, height=64, width=96), "red")
    np.testing.assert_array_equal(np.rint(cut.values * (16383 - 512) + 512)[cut.present], codes[cut.present])


@pytest.mark.parametrize("orientation", range(1, 9))
def test_orientation_never_turns_the_samples(tmp_path, orientation):
    codes = unlike_codes()
    photo = open_photo(write_dng(tmp_path / "a.dng", codes, orientation=orientation))
    assert photo.size_px == (ROWS, COLUMNS)
    assert photo.metadata.orientation == orientation
    cut = photo.cut(Box(top=0, left=1, height=1, width=1), "green")
    assert cut.values[0, 0] == pytest.approx((codes[0, 1] - 512) / (16383 - 512))


def test_samples_at_the_white_level_and_at_zero_are_clipped(tmp_path):
    codes = unlike_codes()
    codes[10, 11], codes[10, 13], codes[11, 10] = 16383, 0, 16382
    cut = open_photo(write_dng(tmp_path / "a.dng", codes)).cut(
        Box(top=0, left=0, height=20, width=20), "green"
    )
    assert {tuple(place) for place in np.argwhere(cut.clipped)} == {(10, 11), (10, 13)}


def noisy_frame(*, plateau: float, noise: float, top: int) -> np.ndarray:
    """Left half dark, right half at a plateau, with noise, cut off at a code."""
    level = np.where(np.arange(400) < 200, 3000.0, plateau)
    codes = np.random.default_rng(3).normal(level, noise, (300, 400))
    return np.minimum(np.rint(codes), top).astype(np.uint16)


def test_a_pile_up_below_the_white_level_counts_as_clipped(tmp_path):
    """Cameras saturate below the white level on record; then all bright samples stand at one code."""
    path = write_dng(tmp_path / "a.dng", noisy_frame(plateau=15_500, noise=60, top=15_000))
    cut = open_photo(path).cut(Box(top=0, left=150, height=100, width=100), "green")
    bright = cut.present & (np.arange(100) >= 50)
    assert cut.clipped[bright].all()
    assert not cut.clipped[cut.present & (np.arange(100) < 50)].any()


@pytest.mark.parametrize(("plateau", "noise"), [(13_500, 60.0), (13_500, 1.0), (14_000, 0.0)])
def test_an_even_bright_plateau_is_not_clipped(tmp_path, plateau, noise):
    """Paper white with noise, with hardly any, and the exact plateau of a computed picture."""
    path = write_dng(tmp_path / "a.dng", noisy_frame(plateau=plateau, noise=noise, top=16_383))
    assert not open_photo(path).cut(Box(top=0, left=150, height=100, width=100), "green").clipped.any()


@pytest.mark.parametrize(
    ("black", "seen"), [(0, "black 0 on record, white 16383"), (2000, "black 2000, darkest samples 6")]
)
def test_a_doubtful_black_level_is_remarked(tmp_path, black, seen):
    photo = open_photo(write_dng(tmp_path / "a.dng", unlike_codes(), black=black))
    assert [(r.flag, r.seen.startswith(seen)) for r in photo.remarks] == [("black_level_doubtful", True)]


def test_linear_and_reduced_raws_are_refused(tmp_path):
    path = write_dng(tmp_path / "linear.dng", np.zeros((40, 60, 3), np.uint16) + 900, photometric=34892)
    with pytest.raises(ImageError, match=r"linear\.dng: this raw holds demosaiced.*shoot full-size raw"):
        open_photo(path)


@pytest.mark.parametrize("share", [0.999, 0.5, 0.05])
def test_a_raw_cut_short_is_refused(tmp_path, share, capfd):
    path = write_dng(tmp_path / "a.dng", unlike_codes())
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * share)])
    with pytest.raises(ImageError, match=r"a\.dng: the raw data are damaged or cut short; copy the file"):
        open_photo(path)
    assert capfd.readouterr().err == ""


def test_regions_and_channels_that_are_not_there_are_refused(tmp_path):
    photo = open_photo(write_dng(tmp_path / "a.dng", unlike_codes()))
    with pytest.raises(SettingError, match=r"region 60,0,10,10 .* 66 rows and 90 columns"):
        photo.cut(Box(top=60, left=0, height=10, width=10))
    with pytest.raises(SettingError, match="no channel «luminance» in it; choose one of green, red, blue"):
        photo.cut(Box(top=0, left=0, height=10, width=10), "luminance")


@pytest.mark.parametrize(
    ("pattern", "factor"), [(BAYER_PHASES["GBRG"], 2), (X_TRANS, 3)], ids=["Bayer", "X-Trans"]
)
def test_the_overview_evens_out_the_colours(tmp_path, pattern, factor):
    """A scene of one grey whose colours differ in the raw (unlike filters) must come out even."""
    colours = expected_colours(pattern, (360, 480))
    codes = np.array([4000, 9000, 2500], np.uint16)[colours]
    codes[120:240, 160:320] //= 4
    photo = open_photo(write_dng(tmp_path / "a.dng", codes, pattern=pattern, black=0))
    for most, expected in ((360 * 480, 1), (360 * 480 // 3, factor)):
        view = photo.overview(most)
        assert view.factor == expected
        assert view.grey.dtype == np.uint8
        assert view.grey.shape == (360 // expected, 480 // expected)
        bright = view.grey[3 : 100 // expected, 3 : 140 // expected]
        dark = view.grey[140 // expected : 220 // expected, 180 // expected : 300 // expected]
        assert np.ptp(bright) <= 1
        assert np.ptp(dark) <= 1
        assert bright.mean() > dark.mean() + 100
        assert bright.mean() < 255
        # Blocks are whole: the step of brightness lies where the block grid says.
        middle = view.grey[view.grey.shape[0] // 2].astype(int)
        assert np.argmin(np.diff(middle)) == pytest.approx(160 / expected - 1, abs=3 if expected == 1 else 1)


def test_a_filter_without_one_of_the_colours_is_refused(tmp_path):
    path = write_dng(tmp_path / "a.dng", unlike_codes(), pattern=(0, 2, 2, 0))
    with pytest.raises(ImageError, match=r"a\.dng: this sensor's colour filters are laid out in a way"):
        open_photo(path)


def resident_kb() -> int:
    """Memory that this process holds: proc(5), VmRSS."""
    lines = Path("/proc/self/status").read_text(encoding="ascii").splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmRSS:"))


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="reads the memory from proc(5)")
def test_pieces_of_a_frame_are_cut_as_from_the_whole_and_let_the_decoder_s_memory_go(tmp_path):
    codes = unlike_codes(4000, 5000)
    path = write_dng(tmp_path / "a.dng", codes, black=(500, 520, 510, 505))
    photo, box = open_photo(path), Box(top=1201, left=37, height=41, width=53)
    before = {channel: photo.cut(box, channel) for channel in photo.channels}
    pieces, held_kb = photo.only([box]), resident_kb()
    del photo
    assert held_kb - resident_kb() > 0.9 * codes.nbytes / 1024
    for channel, expected in before.items():
        cut = pieces.cut(box, channel)
        for name in ("values", "present", "clipped"):
            assert np.array_equal(getattr(cut, name), getattr(expected, name))
