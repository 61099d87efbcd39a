"""The rendered pixels against closed forms, worked out here without the simulator's or the analyser's help.

The reference is the edge spread function of a pupil in or out of focus x Gaussian x square pixel, integrated
numerically from the published transfer functions at the true distance of each pixel from the edge.
"""

from functools import cache

import numpy as np
import pytest
from scipy import interpolate
from sim_bench import FRAME_MM, bench_scene

from lensbench.simulate import Shot, photograph
from lensbench.simulate.sensor import light_on_sensor

ROWS = 480
WAVELENGTH_UM = 0.55  # the simulator's grey channel
PITCH_UM = 4.0
RADIUS_MM = 45.0
REACH_PX = 16.0


def true_mtf(frequency_cypx, *, q, disc_px, sigma_px, normal):
    # H. H. Hopkins, Proc. R. Soc. A 231, 91 (1955): circular pupil with defocus, (4/pi) integral from 0 to 1 - nu of
    # sqrt(1 - (x + nu)^2) cos(8 pi w nu x) dx, here by plain midpoints; w = disc / (8 q) waves. In focus it is the
    # circular pupil of J. W. Goodman, Introduction to Fourier Optics. G. D. Boreman: square pixel, sinc on each axis.
    nu = np.minimum(frequency_cypx * q, 1.0)[:, None]
    x = (np.arange(4000) + 0.5) / 4000 * (1.0 - nu)
    root = np.sqrt(np.maximum(1.0 - (x + nu) ** 2, 0.0))
    pupil = 4.0 / np.pi * (root * np.cos(np.pi * disc_px / q * nu * x)).mean(axis=1) * (1.0 - nu[:, 0])
    gauss = np.exp(-2.0 * np.pi**2 * sigma_px**2 * frequency_cypx**2)
    return pupil * gauss * np.sinc(frequency_cypx * normal[0]) * np.sinc(frequency_cypx * normal[1])


def true_esf(distance_px, *, normal, **blur):
    """1/2 + (1/pi) integral of MTF(f) sin(2 pi f x) / f."""
    # The square pixel's transfer is even: opposite arms have one ESF.
    return esf_between(normal=tuple(np.abs(normal).round(12).tolist()), **blur)(distance_px)


@cache
def esf_between(**blur):
    highest = min(1.0 / blur["q"], 6.0)
    frequency = (np.arange(3000) + 0.5) * highest / 3000
    measure = true_mtf(frequency, **blur) / frequency * highest / 3000 / np.pi
    grid = np.linspace(-REACH_PX - 1.0, REACH_PX + 1.0, 1701)
    esf = 0.5 + np.sin(2.0 * np.pi * np.outer(grid, frequency)) @ measure
    return interpolate.CubicSpline(grid, esf)


def mtf50_of_samples(distance_px, esf):
    """MTF50 from samples at known distances: 1 + 2 pi i f times the transform of ESF less the ideal step."""
    order = np.argsort(distance_px)
    distance, residue = distance_px[order], (esf - (distance_px > 0.0))[order]
    frequency = np.arange(0.01, 0.9, 0.002)
    wave = np.exp(-2j * np.pi * np.outer(frequency, distance))
    sfr = np.abs(1.0 + 2j * np.pi * frequency * np.trapezoid(residue * wave, distance, axis=1))
    after = int(np.argmax(sfr < 0.5))
    return np.interp(0.5, sfr[after - 1 : after + 1][::-1], frequency[after - 1 : after + 1][::-1])


CASES = {
    # name: (turn of the target, f-number, focus error um, Gaussian um)
    "sharper than the fine grid": (20.0, 2.0, 0.0, 0.0),
    "diffraction f/5.6": (5.0, 5.6, 0.0, 0.0),
    "diffraction f/16": (-38.0, 16.0, 0.0, 0.0),
    "small disc": (11.5, 2.8, 10.0, 0.0),
    "wide disc": (5.0, 2.8, -30.0, 0.0),
    "all together": (-7.5, 4.0, 12.0, 1.5),
}


@pytest.fixture(scope="module", params=CASES.values(), ids=CASES.keys())
def bench_case(request):
    turn_deg, f_number, focus_um, gauss_um = request.param
    scene = bench_scene(((0.0, 0.0), RADIUS_MM, turn_deg), rows=ROWS, widest=f_number, residual_um=gauss_um)
    shot = Shot(
        focal_length_mm=50.0, f_number=f_number, focus_error_um=focus_um, noise=False, paper_level=1.0
    )
    light = light_on_sensor(scene.geometry(50.0), [shot], finished=False)[0]
    # The frame of 96 mm fills the picture's rows; a near subject makes the working f-number N (1 + m).
    magnification = ROWS * PITCH_UM / 1000.0 / FRAME_MM[0]
    working = f_number * (1.0 + magnification)
    blur = {
        "q": WAVELENGTH_UM * working / PITCH_UM,
        "disc_px": abs(focus_um) / working / PITCH_UM,
        "sigma_px": gauss_um / PITCH_UM,
    }
    return scene, shot, light.astype(float), turn_deg, blur


def samples_of_arm(light, turn_deg, arm, *, center_mm=(0.0, 0.0), radius_mm=RADIUS_MM):
    """Distances and ESF values of the pixels along the middle of an arm, and the edge's normal."""
    rows, cols = light.shape
    px_per_mm = rows / FRAME_MM[0]
    center = np.array([(rows - 1) / 2.0, (cols - 1) / 2.0]) + px_per_mm * np.asarray(center_mm)
    row, col = np.mgrid[:rows, :cols] - center[:, None, None]
    lean = np.deg2rad(turn_deg - 90.0 * (arm - 1))
    along_row, along_col = -np.cos(lean), np.sin(lean)
    # Arms 1 and 3 have the light quarter on their clockwise side, arms 2 and 4 on the other.
    side = 1.0 if arm in (1, 3) else -1.0
    distance = side * (-along_row * col + along_col * row)
    along = row * along_row + col * along_col
    radius_px = radius_mm * px_per_mm
    chosen = (np.abs(along - radius_px / 2.0) < 0.15 * radius_px) & (np.abs(distance) < REACH_PX)
    return distance[chosen], (light[chosen] - 0.25) / 0.75, (along_col, -along_row)


@pytest.mark.parametrize("arm", [1, 2, 3, 4])
def test_pixels_follow_the_closed_form(bench_case, arm):
    _, _, light, turn_deg, blur = bench_case
    distance, esf, normal = samples_of_arm(light, turn_deg, arm)
    reference = true_esf(distance, normal=normal, **blur)
    # 0.1 % of the step: what the target's other edges, some 100 px away, add through diffraction's tails
    # (1 - ESF falls as 2 q / (pi^3 x)).
    assert np.max(np.abs(esf - reference)) < 0.0003 + 2.0 * blur["q"] / np.pi**3 / 100.0


@pytest.mark.parametrize("arm", [1, 2, 3, 4])
def test_mtf50_is_within_a_fifth_of_a_percent(bench_case, arm):
    _, _, light, turn_deg, blur = bench_case
    distance, esf, normal = samples_of_arm(light, turn_deg, arm)
    rendered = mtf50_of_samples(distance, esf)
    reference = mtf50_of_samples(distance, true_esf(distance, normal=normal, **blur))
    assert rendered == pytest.approx(reference, rel=0.002)


def test_the_stated_truth_is_the_closed_form(bench_case):
    scene, shot, _, turn_deg, blur = bench_case
    for edge in photograph(scene, shot).edges:
        lean = np.deg2rad(turn_deg - 90.0 * (edge.arm - 1))
        normal = (np.sin(lean), np.cos(lean))
        frequency = np.linspace(1e-9, 1.0, 81)
        assert edge.sfr == pytest.approx(np.abs(true_mtf(frequency, normal=normal, **blur)), abs=1e-6)
        assert true_mtf(np.array([edge.mtf50_cypx]), normal=normal, **blur)[0] == pytest.approx(0.5, abs=1e-5)


def test_a_print_blur_is_rendered_and_told():
    # 0.1 mm on the print is 0.1 mm x 5 px/mm = 0.5 px; Gaussian MTF50 = 0.18739 / sigma (closed form), here
    # with the sigma that makes up a Gaussian of 1.5 px together with 2 px of the lens.
    print_mm = 1.5 / (ROWS / FRAME_MM[0])
    scene = bench_scene(
        ((0.0, 0.0), RADIUS_MM, 5.0), rows=ROWS, print_sigma_mm=print_mm, residual_um=2.0 * PITCH_UM
    )
    shot = Shot(focal_length_mm=50.0, f_number=2.0, noise=False, paper_level=1.0)
    light = light_on_sensor(scene.geometry(50.0), [shot], finished=False)[0].astype(float)
    distance, esf, normal = samples_of_arm(light, 5.0, 1)
    working = 2.0 * (1.0 + ROWS * PITCH_UM / 1000.0 / FRAME_MM[0])
    blur = {"q": WAVELENGTH_UM * working / PITCH_UM, "disc_px": 0.0, "sigma_px": 2.5}
    assert esf == pytest.approx(true_esf(distance, normal=normal, **blur), abs=0.001)


def test_blur_along_and_across_the_radius_differ_as_described():
    # A target down and to the right: its arms along the radius are blurred across it, and the other way round.
    height, radius_mm = 0.6, 20.0
    place_mm = tuple(0.5 * side * height for side in FRAME_MM)
    turn_deg = float(np.rad2deg(np.arctan2(place_mm[1], -place_mm[0])))  # arm 1 points outward, exactly
    scene = bench_scene(
        (place_mm, radius_mm, turn_deg), rows=ROWS, open_corner_along_um=12.0, open_corner_across_um=6.0
    )
    shot = Shot(focal_length_mm=50.0, f_number=2.0, noise=False, paper_level=1.0)
    light = light_on_sensor(scene.geometry(50.0), [shot], finished=False)[0].astype(float)
    truth = {edge.arm: edge for edge in photograph(scene, shot).edges}
    working = 2.0 * (1.0 + ROWS * PITCH_UM / 1000.0 / FRAME_MM[0])
    for arm, corner_um in ((1, 6.0), (2, 12.0)):
        distance, esf, normal = samples_of_arm(light, turn_deg, arm, center_mm=place_mm, radius_mm=radius_mm)
        blur = {"q": WAVELENGTH_UM * working / PITCH_UM, "disc_px": 0.0}
        blur["sigma_px"] = corner_um * height**2 / PITCH_UM
        assert esf == pytest.approx(true_esf(distance, normal=normal, **blur), abs=0.002)
        half = true_mtf(np.array([truth[arm].mtf50_cypx]), normal=normal, **blur)
        assert half[0] == pytest.approx(0.5, abs=1e-5)
