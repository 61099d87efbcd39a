"""A photograph of the PDF itself, as another library draws it: the chart that is printed is the one measured.

pypdfium2 draws the page; a Gaussian lens and square pixels are applied here, outside the simulator.
"""

import numpy as np
import pypdfium2
import pytest
from scipy import ndimage, optimize

from lensbench.chart.draw.charts import draw
from lensbench.chart.layout.sheet import sheet
from lensbench.shot.measure import measure_shot
from lensbench.simulate import INVENTED_LENSES, Camera, Shot
from lensbench.simulate.files import write_dng

FINE = 4  # samples of the page per pixel
CAMERA = Camera(cfa="mono", rows=800, cols=1200)
SIGMA_PX = 0.8
SHOT = Shot(focal_length_mm=35.0, f_number=4.0)


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    folder = tmp_path_factory.mktemp("page")
    layout = sheet("A3")
    draw(layout, folder / "chart.pdf")
    frame_mm = next(frame.size_mm for frame in layout.frames if frame.ratio == "3:2")
    fine_per_mm = FINE * CAMERA.rows / frame_mm[0]
    page = pypdfium2.PdfDocument(folder / "chart.pdf")[0]
    # A page's unit is 1/72 inch.
    paper = page.render(scale=fine_per_mm * 25.4 / 72.0, grayscale=True).to_numpy().squeeze() / 255.0
    top, left = ((have - FINE * want) // 2 for have, want in zip(paper.shape, (800, 1200), strict=True))
    framed = paper[top : top + FINE * 800, left : left + FINE * 1200]
    blurred = ndimage.gaussian_filter(framed, FINE * SIGMA_PX, truncate=6.0)
    pixels = blurred.reshape(800, FINE, 1200, FINE).mean(axis=(1, 3))
    numbers = np.rint(CAMERA.black + 0.65 * pixels * (CAMERA.white - CAMERA.black)).astype(np.uint16)
    write_dng(folder / "page.dng", numbers, SHOT, lens=INVENTED_LENSES["sorrel"], camera=CAMERA)
    return measure_shot(folder / "page.dng")


def true_mtf50(angle_deg):
    """Gaussian times square pixel along the normal of the edge."""
    angle = np.deg2rad(angle_deg)
    return optimize.brentq(
        lambda f: (
            np.exp(-2.0 * (np.pi * SIGMA_PX * f) ** 2)
            * np.sinc(f * np.cos(angle))
            * np.sinc(f * np.sin(angle))
            - 0.5
        ),
        0.01,
        1.0,
    )


def test_the_printed_page_measures_within_two_percent(measured):
    errors = [
        edge.edge.mtf50_cypx / true_mtf50(edge.edge.angle_deg) - 1.0
        for edge in measured.edges
        if edge.edge.measured
    ]
    assert len(errors) >= 4 * 30
    assert np.median(np.abs(errors)) < 0.01
    assert np.max(np.abs(errors)) < 0.02


def test_the_printed_page_stands_where_the_layout_says(measured):
    # Half a fine sample of rounding where the page is cut out of its drawing: 0.125 px, no turn and no tilt.
    assert (measured.tilt.pitch_deg, measured.tilt.yaw_deg) == pytest.approx((0.0, 0.0), abs=0.1)
    assert measured.tilt.roll_deg == pytest.approx(0.0, abs=0.01)
    assert measured.chart.radial_distortion_percent == pytest.approx(0.0, abs=0.05)
    assert measured.magnification == pytest.approx(800 * 0.004 / 262.18, rel=1e-3)
