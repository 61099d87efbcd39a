"""The physical reading against exact edges, its own information bound, and edges of other kinds."""

from functools import cache

import numpy as np
import pytest
from exact_edges import BRIGHT, DARK, Blur, Scene, edge_samples, esf_values, noisy, samples, sites
from scipy.interpolate import CubicSpline
from scipy.ndimage import gaussian_filter1d

from lensbench import optics
from lensbench.edge import Aperture, measure_edge, measure_edges
from lensbench.edge.lens_model import edge_table
from lensbench.model.shot import Edge, PhysicalFit, Samples

STEP = BRIGHT - DARK
SCENE = Scene(angle_deg=5.0)


def in_waves(disc_px: float, q: float) -> float:
    """Wavefront error at the rim for a geometric blur disc: disc = 8 w q (blur 8 w N^2 lambda / N, Hopkins)."""
    return disc_px / (8.0 * q)


def defocused(*, q: float, disc_px: float, sigma_px: float) -> Blur:
    return Blur(q=q, waves=in_waves(disc_px, q), sigma_px=sigma_px)


def physical_of(edge: Edge) -> PhysicalFit:
    assert edge.physical is not None
    return edge.physical


def readings(regions: list[Samples], q: float) -> list[PhysicalFit]:
    return [physical_of(edge) for edge in measure_edges(regions, physical=Aperture(q=q))]


INTERIOR = [
    defocused(q=1.1, disc_px=2.0, sigma_px=0.4),
    defocused(q=0.55, disc_px=2.4, sigma_px=0.5),
    defocused(q=2.2, disc_px=4.0, sigma_px=0.6),
    defocused(q=1.1, disc_px=8.0, sigma_px=1.0),
]


@pytest.mark.parametrize("blur", INTERIOR, ids=str)
@pytest.mark.parametrize("angle_deg", [3.0, -14.036, 26.565, 40.0, 84.0])
def test_without_noise_the_parts_come_back(blur, angle_deg):
    scene = Scene(angle_deg=angle_deg, flipped=angle_deg == 40.0)
    edge = measure_edge(edge_samples(blur, scene), physical=Aperture(q=blur.q))
    found = physical_of(edge)
    assert found.mtf50_cypx == pytest.approx(blur.at(0.5, angle_deg), rel=5e-4)
    assert found.defocus_disc_px == pytest.approx(8.0 * blur.waves * blur.q, abs=0.02)
    assert found.gaussian_sigma_px == pytest.approx(blur.sigma_px, abs=0.02)
    assert found.diffraction_q == blur.q
    assert found.fits
    assert "outside_model" not in {flag.flag for flag in edge.flags}


@pytest.mark.parametrize("q", [0.25, 0.55, 1.1, 2.2])
def test_a_perfect_lens_has_no_blur_of_its_own(q):
    found = physical_of(measure_edge(edge_samples(Blur(q=q), SCENE), physical=Aperture(q=q)))
    assert found.mtf50_cypx == pytest.approx(Blur(q=q).at(0.5, 5.0), rel=1e-3)
    assert found.defocus_disc_px < 0.25
    assert found.gaussian_sigma_px < 0.05


@pytest.mark.parametrize("blur", INTERIOR[:2], ids=str)
def test_one_colour_of_an_array_reads_the_same(blur):
    present = sites("bayer green", 100, 60)
    found = physical_of(measure_edge(edge_samples(blur, SCENE, present=present), physical=Aperture(q=blur.q)))
    assert found.mtf50_cypx == pytest.approx(blur.at(0.5, 5.0), rel=1e-3)


def information_bound(blur: Blur, snr: float) -> float:
    """Cramer-Rao bound of MTF50 from derivatives by differences of exact edges: shift, angle, levels, disc^2, variance.

    Independent of the fit: the derivatives are those of pixel values made by `exact_edges`.
    """
    disc2, variance = (8.0 * blur.waves * blur.q) ** 2, blur.sigma_px**2

    def picture(d_disc2: float = 0.0, d_variance: float = 0.0, **changes: float) -> np.ndarray:
        moved = defocused(q=blur.q, disc_px=np.sqrt(disc2 + d_disc2), sigma_px=np.sqrt(variance + d_variance))
        scene = {"angle_deg": SCENE.angle_deg, "offset_px": SCENE.offset_px} | changes
        return esf_values(moved, Scene(**scene)).ravel()

    def mtf50(d_disc2: float, d_variance: float) -> float:
        moved = defocused(q=blur.q, disc_px=np.sqrt(disc2 + d_disc2), sigma_px=np.sqrt(variance + d_variance))
        return moved.at(0.5, SCENE.angle_deg)

    h = 0.02
    level = picture()
    variance_of = 2.0 * (STEP / snr) ** 2 / (DARK + BRIGHT) * (DARK + STEP * level)
    columns = [
        np.ones_like(level),
        level,
        STEP * (picture(offset_px=SCENE.offset_px + h) - picture(offset_px=SCENE.offset_px - h)) / (2 * h),
        STEP * (picture(angle_deg=SCENE.angle_deg + h) - picture(angle_deg=SCENE.angle_deg - h)) / (2 * h),
        STEP * (picture(d_disc2=h) - picture(d_disc2=-h)) / (2 * h),
        STEP * (picture(d_variance=h) - picture(d_variance=-h)) / (2 * h),
    ]
    design = np.array(columns)
    information = (design / variance_of) @ design.T
    gradient = np.zeros(6)
    gradient[4] = (mtf50(h, 0.0) - mtf50(-h, 0.0)) / (2 * h)
    gradient[5] = (mtf50(0.0, h) - mtf50(0.0, -h)) / (2 * h)
    return float(np.sqrt(gradient @ np.linalg.solve(information, gradient)))


@cache
def draws(blur: Blur, snr: float, count: int) -> tuple[PhysicalFit, ...]:
    clean = DARK + STEP * esf_values(blur, SCENE)
    return tuple(readings(noisy(clean, snr, np.random.default_rng(11), count), blur.q))


@pytest.mark.parametrize("snr", [50.0, 200.0])
@pytest.mark.parametrize("blur", [INTERIOR[0], INTERIOR[2]], ids=str)
def test_noise_stays_at_the_information_bound(blur, snr):
    found = draws(blur, snr, 250)
    mtf50 = np.array([one.mtf50_cypx for one in found])
    truth, bound = blur.at(0.5, SCENE.angle_deg), information_bound(blur, snr)
    scatter_of_ratio = 1.0 / np.sqrt(2 * 250)
    assert mtf50.std() / bound < 1.1 + 2 * scatter_of_ratio
    assert abs(mtf50.mean() / truth - 1) < 0.001 + 3 * mtf50.std() / truth / np.sqrt(250)
    stated = np.array([one.mtf50_sd_cypx for one in found])
    assert np.median(stated) == pytest.approx(bound, rel=0.04)
    inside = np.mean(np.abs(mtf50 - truth) < 1.96 * stated)
    assert inside == pytest.approx(0.95, abs=0.045)  # 3 sd of a share of 250


@pytest.mark.parametrize("snr", [20.0, 50.0, 200.0])
@pytest.mark.parametrize("blur", [INTERIOR[0], INTERIOR[2]], ids=str)
def test_false_alarms_are_rare(blur, snr):
    alarms = sum(not one.fits for one in draws(blur, snr, 250))
    assert alarms <= 20  # 5 % of 250, and two sd of chance
    assert np.mean([one.reduced_chi2 for one in draws(blur, snr, 250)]) == pytest.approx(1.0, abs=0.04)


def profile(blur: Blur, motion_px: float = 0.0):
    x = np.linspace(-80.0, 80.0, 6401)

    def transfer(f):
        return blur.transfer(f, SCENE.angle_deg) * optics.motion_mtf(f, motion_px)

    return x, optics.esf_from_mtf(x, transfer, highest_cypx=1.0 / blur.q)


def sharpened(amount: float, radius_px: float):
    x, esf = profile(INTERIOR_SHARP)
    return CubicSpline(x, esf + amount * (esf - gaussian_filter1d(esf, radius_px / 0.025, mode="nearest")))


def doubled(share: float, apart_px: float):
    esf = CubicSpline(*profile(INTERIOR_SHARP))
    return lambda d: (1 - share) * esf(d) + share * esf(d - apart_px)


INTERIOR_SHARP = defocused(q=1.1, disc_px=1.0, sigma_px=0.3)
OTHERS = {
    "sharpened by half, radius 1 px": lambda: sharpened(0.5, 1.0),
    "sharpened fully, radius 1 px": lambda: sharpened(1.0, 1.0),
    "shaken by 4 px": lambda: CubicSpline(*profile(INTERIOR_SHARP, 4.0)),
    "shaken by 8 px": lambda: CubicSpline(*profile(INTERIOR_SHARP, 8.0)),
    "doubled evenly, 2 px apart": lambda: doubled(0.5, 2.0),
    "doubled faintly, 4 px apart": lambda: doubled(0.1, 4.0),
}


@pytest.mark.parametrize("snr", [20.0, 100.0])
@pytest.mark.parametrize("kind", OTHERS)
def test_other_kinds_of_edges_are_called_out(kind, snr):
    row, col = np.indices((100, 60)) - np.array([49.5, 29.5])[:, None, None]
    clean = DARK + STEP * OTHERS[kind]()(SCENE.distance_px(row, col))
    found = readings(noisy(clean, snr, np.random.default_rng(3), 40), INTERIOR_SHARP.q)
    assert sum(not one.fits for one in found) >= 38  # 95 % of 40


def test_a_sharpened_edge_bears_its_flag():
    row, col = np.indices((100, 60)) - np.array([49.5, 29.5])[:, None, None]
    clean = DARK + STEP * sharpened(1.0, 1.0)(SCENE.distance_px(row, col))
    region = noisy(clean, 100.0, np.random.default_rng(3), 1)[0]
    remarks = {flag.flag: flag.seen for flag in measure_edge(region, physical=Aperture(q=1.1)).flags}
    assert "crisper" in remarks["outside_model"]


@pytest.mark.parametrize("slope", [0.05, -0.05])
def test_uneven_light_and_specks_change_little(slope):
    blur = INTERIOR[0]
    clean = DARK + STEP * esf_values(blur, SCENE)
    clean *= 1.0 + slope * (np.arange(60) - 29.5) / 30.0
    clean[50, 12], clean[20:22, 45:47] = 0.95, 0.2
    region = noisy(clean, 100.0, np.random.default_rng(5), 1)[0]
    found = physical_of(measure_edge(region, physical=Aperture(q=blur.q)))
    assert found.mtf50_cypx == pytest.approx(blur.at(0.5, 5.0), rel=0.008)  # 0.5 %, and the noise
    assert found.fits


def test_a_band_of_wavelengths_is_the_mean_of_its_parts():
    aperture = Aperture(q=1.1, relative_band=0.2)
    table = edge_table(aperture, 0.125)
    f = table.frequency_cypx
    parts = np.linspace(0.9, 1.1, 2001)
    mean = np.mean([optics.diffraction_mtf(f, 1.1 * part) for part in parts], axis=0)
    assert table.pupil(0.0)[0] == pytest.approx(mean, abs=3e-4)


@pytest.mark.parametrize("q", [0.25, 1.1])
@pytest.mark.parametrize("disc_px", [0.0, 0.7, 3.3, 12.0])
def test_the_tables_give_exact_edges(q, disc_px):
    table = edge_table(Aperture(q=q), 0.125)
    pixel = optics.pixel_mtf(table.frequency_cypx, 20.0)
    blur = np.array([disc_px**2, 0.2])
    otf = table.transfer(blur, pixel)

    def transfer(f):
        defocus = optics.defocused_diffraction_otf(q * f, in_waves(disc_px, q))
        return defocus * optics.pixel_mtf(f, 20.0) * np.exp(-0.4 * (np.pi * f) ** 2)

    exact = optics.esf_from_mtf(table.half_distance_px, transfer, highest_cypx=1.0 / q)
    assert table.kernels[0] @ otf[0] + 0.5 == pytest.approx(exact, abs=1e-7)
    for term in range(2):
        nudge = np.zeros(2)
        nudge[term] = 1e-4
        above = table.transfer(blur + nudge, pixel)[0]
        assert (above - otf[0]) / 1e-4 == pytest.approx(otf[1 + term], abs=5e-3 if q < 1 else 1e-3)


def test_no_physical_reading_unless_asked():
    region = edge_samples(INTERIOR[0], SCENE)
    assert measure_edge(region).physical is None
    blank = samples(np.full((60, 40), 0.3))
    assert measure_edge(blank, physical=Aperture(q=1.0)).physical is None


@pytest.mark.parametrize("wrong", [{"q": 0.0}, {"q": -1.0}, {"q": 1.0, "relative_band": 1.0}])
def test_apertures_need_sense(wrong):
    with pytest.raises(ValueError):
        Aperture(**wrong)
