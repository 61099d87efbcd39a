import math
from dataclasses import replace

import exact_pupils
import numpy as np
import pytest

from lensbench import optics, simulate
from lensbench.chart.layout.sheet import sheet
from lensbench.optics import LensBlur, working_q
from lensbench.simulate.truth import true_edges


def test_in_focus_it_gives_back_what_was_measured():
    for mtf50_cypx in (0.08, 0.2, 0.33):
        q = working_q(5.6, magnification=0.02, pixel_pitch_um=4.0)
        assert LensBlur.in_focus(mtf50_cypx, q).mtf50_cypx == pytest.approx(mtf50_cypx, rel=1e-6)


def test_perfect_lens_loses_what_hopkins_says():
    # Hopkins 1955, derived: 1, 2, 5 % of MTF50 go at a focus shift of 0.588, 0.415, 0.937 wavelength N^2 for a
    # perfect lens with a square pixel at q = 1.1 (0.415 -> 1 %, 0.588 -> 2 %, 0.937 -> 5 %).
    q, f_number, pitch_um = 1.1, 8.0, 4.0
    top = optics.frequency_at(lambda f: optics.diffraction_mtf(f, q) * optics.pixel_mtf(f), 0.5)
    blur = LensBlur.in_focus(top, q)
    for shift, loss in ((0.415, 0.01), (0.588, 0.02), (0.937, 0.05)):
        disc_px = shift * 0.55 * f_number / pitch_um
        assert 1.0 - replace(blur, disc_px=disc_px).mtf50_cypx / top == pytest.approx(loss, rel=0.02)


def test_motion_is_the_sinc_of_its_length():
    # Boreman: sinc(f w) alone has its half at 0.603355 / w; at 40 px all else is negligible.
    assert replace(LensBlur.in_focus(0.3, 0.5), motion_px=40.0).mtf50_cypx == pytest.approx(
        0.603355 / 40.0, rel=0.01
    )


def test_disc_for_a_share_leaves_that_share():
    blur = LensBlur.in_focus(0.28, 0.77)
    disc_px = blur.disc_px_for(0.9)
    assert replace(blur, disc_px=disc_px).mtf50_cypx == pytest.approx(0.9 * 0.28, rel=1e-3)


def simulated(lens, f_number, focus_um):
    """The true MTF50 that the simulator renders at the edge nearest to the picture's centre, and q."""
    scene = simulate.Scene(layout=sheet("A3"), lens=lens, camera=simulate.Camera(cfa="mono", pitch_um=4.0))
    shot = simulate.Shot(focal_length_mm=50.0, f_number=f_number, focus_error_um=focus_um)
    geometry = scene.geometry(50.0)
    center_px = np.array(scene.camera.center_px)
    edges = true_edges(geometry, shot, channels=("grey",))
    edge = min(edges, key=lambda one: np.hypot(*(np.array(one.center_px) - center_px)))
    return edge.mtf50_cypx, geometry.view.magnification


# The simulator takes the exact integral (Hopkins 1955); what is left is the stand-in for what the lens itself adds.
@pytest.mark.parametrize("f_number", [2.0, 2.8, 4.0, 8.0])
def test_through_focus_curve_follows_the_simulator(f_number):
    lens = simulate.prime(
        "Bench 50", simulate.ZoomPosition(focal_length_mm=50.0, residual_um=1.6), widest_f_number=2.0
    )
    top, magnification = simulated(lens, f_number, 0.0)
    working = f_number * (1.0 + magnification)
    blur = LensBlur.in_focus(top, working_q(f_number, magnification=magnification, pixel_pitch_um=4.0))
    for focus_um in (4.0, 8.0, 16.0, 32.0, 64.0):
        true, _ = simulated(lens, f_number, focus_um)
        ratio = replace(blur, disc_px=focus_um / working / 4.0).mtf50_cypx / true
        assert abs(ratio - 1.0) <= 0.02, (focus_um, ratio)


def exact_mtf50(wavefront, q, sigma_px, w20_waves):
    """MTF50 of an aberrated pupil, mean of two directions, by the overlap integral."""
    frequency = np.linspace(0.0, 0.6, 61)
    sensor = optics.pixel_mtf(frequency) * optics.gaussian_mtf(frequency, sigma_px)
    shifted = exact_pupils.Wavefront(
        w20_waves=w20_waves, coma_rms_waves=wavefront[0], spherical_rms_waves=wavefront[1]
    )
    found = []
    for azimuth in (0.0, 90.0):
        otf = exact_pupils.aberrated_otf(
            np.minimum(frequency * q, 1.0), shifted, azimuth_deg=azimuth, nodes=32
        )
        transfer = np.abs(otf) * sensor
        after = int(np.argmax(transfer < 0.5))
        share = (transfer[after - 1] - 0.5) / (transfer[after - 1] - transfer[after])
        found.append(frequency[after - 1] + share * (frequency[after] - frequency[after - 1]))
    return float(np.mean(found))


@pytest.mark.parametrize(
    ("f_number", "within"), [(2.8, 0.045), (5.6, 0.015)], ids=["wide open", "two stops down"]
)
def test_through_focus_curve_follows_exact_pupils(f_number, within):
    # Overlap integrals of a pupil with coma and spherical aberration know nothing of the Gaussian that stands for
    # them; the mean of both sides of the focus counts, for spherical aberration makes them differ.
    opening = 2.8 / f_number
    wavefront, q, sigma_px = (0.08 * opening**3, 0.12 * opening**4), 0.55 * f_number / 4.0, 0.3
    shifts = np.linspace(-0.3, 0.3, 13)
    tops = [exact_mtf50(wavefront, q, sigma_px, shift) for shift in shifts]
    focus = float(shifts[int(np.argmax(tops))])
    blur = LensBlur.in_focus(max(tops), q)
    for disc_px in (1.0, 2.0, 4.0):
        waves = disc_px / (8.0 * q)
        sides = [exact_mtf50(wavefront, q, sigma_px, focus + sign * waves) for sign in (-1.0, 1.0)]
        predicted = replace(blur, disc_px=disc_px).mtf50_cypx
        assert math.log(predicted / np.mean(sides)) == pytest.approx(0.0, abs=within)
