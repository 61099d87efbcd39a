"""Looking closer for pages: where the plan puts them, and not at all where none is missing."""

import numpy as np
import pytest

from lensbench.chart.find.crossing import erf_and_bell
from lensbench.chart.find.sighting import SightedPage, windows_of_missing
from lensbench.chart.find.wall_fit import CAMERA, PAGE, Observations, WallModel
from lensbench.chart.layout.wall import hanging

SIZE = (4000, 6000)


def sighted(numbers, *, px_per_mm=2.0, slant=0.03, off_mm=0.0, seed=1):
    """Pages as planned for 80 focal lengths, seen at a slant, each strayed from its place by hand."""
    random = np.random.default_rng(seed)
    pages, places = [], {}
    for planned in hanging(29, paper="A4", focal_lengths=80.0).pages:
        row, col = planned.center_mm + off_mm * random.standard_normal(2)
        depth = 1.0 + slant * col / 1000.0
        place = np.array([row, col]) * px_per_mm / depth + (1999.5, 2999.5)
        places[planned.page.number] = place
        if planned.page.number in numbers:
            pages.append(
                SightedPage(
                    page=planned.page,
                    matrix=px_per_mm / depth * np.eye(2),
                    middle_px=place,
                    markers=(0,),
                    marker_ids=(0,),
                )
            )
    return pages, places


def test_missing_pages_are_looked_for_where_they_should_hang():
    pages, places = sighted(set(range(1, 30)) - {4, 17, 29}, off_mm=20.0)
    windows = windows_of_missing(pages, SIZE)
    assert len(windows) == 3
    half_page_px = 0.5 * 297.0 * 2.0
    for window, number in zip(windows, (4, 17, 29), strict=True):
        # The whole page but what the frame cuts off.
        low, high = np.maximum(places[number] - half_page_px, 0), places[number] + half_page_px
        first, sides = np.array((window.top, window.left)), np.array((window.height, window.width))
        assert (first <= low).all()
        assert (first + sides >= np.minimum(high, SIZE)).all()


def test_none_is_looked_for_where_all_are_seen_or_out_of_the_frame():
    pages, _ = sighted(set(range(1, 30)))
    assert windows_of_missing(pages, SIZE) == []
    # Twice as large, the frame holds the inner half only.
    pages, places = sighted({1, 6, 7, 8, 9, 14, 15, 16, 17}, px_per_mm=4.0)
    assert all(not (0 < places[number][1] < SIZE[1]) for number in (2, 3, 4, 5, 11, 13))
    assert windows_of_missing(pages, SIZE) == []


def test_a_wall_hung_otherwise_is_not_guessed():
    pages, _ = sighted(set(range(1, 28)), off_mm=300.0)
    assert windows_of_missing(pages, SIZE) is None
    assert windows_of_missing(pages[:4], SIZE) is None


def test_the_quick_error_function():
    """Against SciPy's; 1.5e-7 is Abramowitz and Stegun's bound for 7.1.26, the rest single precision."""
    from scipy.special import erf  # noqa: PLC0415

    x = np.linspace(-6.0, 6.0, 2001)
    quick, bell = erf_and_bell(x.astype(np.float32))
    assert np.abs(quick - erf(x)).max() < 5e-7
    assert np.abs(bell - np.exp(-(x**2))).max() < 5e-7


@pytest.mark.parametrize("column", range(CAMERA + PAGE))
def test_the_walls_slopes_are_those_of_differences(column):
    """Central differences of what is left, parameter by parameter, at an asymmetric state."""
    random = np.random.default_rng(3)
    matrices = np.array([1.7 * np.eye(2), [[0.2, 1.8], [-1.8, 0.2]]])
    model = WallModel.starting(matrices, np.array([[900.0, 800.0], [300.0, 2100.0]]), (1600, 2400))
    parameters = model.start + 0.03 * random.standard_normal(len(model.start))
    angle = random.uniform(0, 2 * np.pi, 12)
    seen = Observations(
        page=np.repeat([0, 1], 6),
        point_mm=random.uniform(-90, 90, (12, 2)),
        normal=np.column_stack((np.cos(angle), np.sin(angle))),
        value_px=random.uniform(0, 2000, 12),
        sd_px=random.uniform(0.05, 0.5, 12),
    )
    _, slopes = model.left_and_slopes(parameters, seen)
    numeric = np.zeros(12)
    for page in (0, 1):
        step = np.zeros(len(parameters))
        step[column if column < CAMERA else column + PAGE * page] = 1e-6
        after, before = (model.left_and_slopes(parameters + s * step, seen)[0] for s in (1, -1))
        own = np.ones(12, bool) if column < CAMERA else seen.page == page
        numeric[own] = ((before - after) / 2e-6)[own]
    assert slopes[:, column] == pytest.approx(numeric, rel=1e-5, abs=1e-3)
