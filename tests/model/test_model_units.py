"""Conversions against their definitions."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lensbench.model import units


def test_line_pairs_per_millimetre():
    # Definition: 0.25 cycles a pixel at 4 um is 62.5 line pairs a millimetre; Nyquist is 1/(2 p).
    assert units.lpmm_from_cypx(0.25, 4.0) == 62.5
    assert units.lpmm_from_cypx(0.5, 6.25) == pytest.approx(1.0 / (2.0 * 0.00625))


def test_line_widths_per_picture_height():
    # Definition, as in ISO 12233: two line widths a cycle, so Nyquist is the number of rows.
    assert units.lwph_from_cypx(0.5, 4160) == 4160.0


@given(frequency=st.floats(min_value=0.001, max_value=2.0), pitch_um=st.floats(min_value=0.7, max_value=12.0))
def test_line_pairs_are_cycles_over_the_pitch(frequency, pitch_um):
    # By definition: one line pair is one cycle, and a millimetre holds 1000 / pitch pixels.
    pixels_in_mm = 1000.0 / pitch_um
    assert units.lpmm_from_cypx(frequency, pitch_um) == pytest.approx(frequency * pixels_in_mm, rel=1e-12)


def test_arrays_keep_their_shape():
    frequency = np.array([[0.1, 0.2], [0.3, 0.4]])
    assert units.lpmm_from_cypx(frequency, 5.0) == pytest.approx(np.array([[20.0, 40.0], [60.0, 80.0]]))


def test_pitch_from_the_35mm_equivalent():
    # By hand: a frame of 24 mm x 36 mm has itself as equivalent; 4000 x 6000 pixels are 6 um each.
    assert units.pixel_pitch_um_from_equivalent(50.0, 50.0, (4000, 6000)) == pytest.approx(6.0, rel=1e-5)
    # Half the diagonal (equivalent twice the focal length), same pixels: half the pitch.
    assert units.pixel_pitch_um_from_equivalent(25.0, 50.0, (4000, 6000)) == pytest.approx(3.0, rel=1e-5)
    # Pythagoras: the diagonal of 36 mm x 24 mm.
    assert pytest.approx(np.hypot(36.0, 24.0), abs=1e-4) == units.FULL_FRAME_DIAGONAL_MM


# Common practice, no source: engraved f-numbers are rounded powers of the square root of two.
@pytest.mark.parametrize(
    ("recorded", "engraved"),
    [
        (2.8284, 2.8),
        (5.6569, 5.6),
        (11.3137, 11.0),
        (3.5636, 3.5),
        (6.3496, 6.3),
        (1.7818, 1.8),
        (22.6274, 22.0),
    ],
)
def test_engraved_f_numbers(recorded, engraved):
    assert units.nominal_f_number(recorded) == engraved


def test_an_f_number_far_from_any_engraved_one_is_kept():
    assert units.nominal_f_number(0.5) == 0.5
    assert units.nominal_f_number(90.0) == 90.0
