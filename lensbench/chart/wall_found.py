"""A wall as a picture shows it: upright, in the plan's coordinates, in the form of any other chart."""

from dataclasses import dataclass
from math import atan2, cos, degrees, hypot, radians, sin, sqrt
from typing import Final

import numpy as np

from lensbench.chart.crossing import Crossings
from lensbench.chart.found import ChartFound, chart_found, kept_of
from lensbench.chart.locating import LARGEST_STRAY, predict
from lensbench.chart.mapping import Mapping
from lensbench.chart.pages import SightedPage
from lensbench.chart.places import PLACES
from lensbench.chart.wall import arrow_turn_deg, hung, wall_layout
from lensbench.chart.wall_fit import WallFit
from lensbench.errors import ChartError
from lensbench.units import FloatArray

__all__ = ["assembled"]

_ARROW_SD_DEG: Final = 2.0
"""Of a page hung by hand, where only its arrow tells which way is up."""
_USUAL_RATIO: Final = 1.5


@dataclass(frozen=True, slots=True, kw_only=True)
class _Upright:
    """How the plan lies in the fit's coordinates."""

    turn_deg: float
    sd_deg: float
    middle_mm: tuple[float, float]


def assembled(
    pages: list[SightedPage], crossings: Crossings, fit: WallFit, *, size_px: tuple[int, int]
) -> ChartFound:
    """Put the wall together as one chart.

    Raises
    ------
    ChartError
        No target lies where camera and pages together put it.
    """
    standing = _standing(pages, fit)
    to_fit = _to_fit(standing)
    mapping = Mapping(
        homography=fit.homography @ to_fit,
        center_px=((size_px[0] - 1.0) / 2.0, (size_px[1] - 1.0) / 2.0),
        half_diagonal_px=hypot(*size_px) / 2.0,
        radial=fit.radial,
        spread=_spread(fit, standing),
    )
    places = (np.linalg.inv(to_fit) @ np.column_stack((fit.places_mm, np.ones(len(pages)))).T).T
    layout = wall_layout(
        [
            hung(
                page.page,
                (float(place[0]), float(place[1])),
                turn_deg=float(turn) - standing.turn_deg,
                scale=float(scale),
            )
            for page, place, turn, scale in zip(pages, places, fit.turns_deg, fit.scales, strict=True)
        ],
        size_mm=_size_mm(places, 2.0 * pages[0].page.target.radius_mm),
    )
    expected = predict(layout.targets, mapping)
    stray = np.hypot(*(expected.center_px - crossings.position_px).T)
    good = stray <= LARGEST_STRAY * expected.radius_px
    if not good.any():
        raise ChartError("the pages seen do not lie as on one wall: show them whole, in focus and evenly lit")
    return chart_found(
        layout,
        mapping,
        kept_of(expected, crossings, good, mapping),
        marker_ids=tuple(marker_id for page in pages for marker_id in page.marker_ids),
        size_px=size_px,
        targets_on_chart=max(page.page.number for page in pages),
    )


def _size_mm(places: FloatArray, more_mm: float) -> tuple[float, float]:
    height_mm, width_mm = (2.0 * np.abs(places[:, :2]).max(axis=0) + more_mm).tolist()
    return height_mm, width_mm


def _standing(pages: list[SightedPage], fit: WallFit) -> _Upright:
    """Tell which way is up: from where the pages hang by their numbers, else from their arrows."""
    shares = np.array([PLACES[page.page.number - 1].share for page in pages])
    design = np.column_stack((shares, np.ones(len(pages))))
    if len(pages) >= 4 and np.linalg.matrix_rank(design) == 3:
        terms, *_ = np.linalg.lstsq(design, fit.places_mm, rcond=None)
        stretch = terms[:2].T
        freedom = 2 * len(pages) - 6
        left = np.sqrt(((fit.places_mm - design @ terms) ** 2).sum() / max(freedom, 1))
        reach = float(np.linalg.norm(fit.places_mm - terms[2], axis=1).max())
        if np.linalg.det(stretch) > 0.0 and left < 0.2 * reach:
            across, along = stretch[0, 1] - stretch[1, 0], stretch[0, 0] + stretch[1, 1]
            centred = shares - shares.mean(axis=0)
            doubt = float(np.trace(np.linalg.inv(centred.T @ centred)))
            # With few pages the scatter itself is known badly: Student's t is wider than the normal.
            wider = freedom / max(freedom - 2.0, 0.5)
            return _Upright(
                turn_deg=degrees(atan2(across, along)),
                sd_deg=degrees(left * sqrt(doubt * wider) / hypot(across, along)),
                middle_mm=(float(terms[2, 0]), float(terms[2, 1])),
            )
    return _by_arrows(pages, fit)


def _by_arrows(pages: list[SightedPage], fit: WallFit) -> _Upright:
    off = [
        radians(turn - arrow_turn_deg((down, _USUAL_RATIO * right)))
        for page, turn in zip(pages, fit.turns_deg.tolist(), strict=True)
        for down, right in (PLACES[page.page.number - 1].share,)
    ]
    turn = atan2(sum(map(sin, off)), sum(map(cos, off)))
    middle = fit.places_mm.mean(axis=0)
    return _Upright(
        turn_deg=degrees(turn),
        sd_deg=_ARROW_SD_DEG / float(np.sqrt(len(pages))),
        middle_mm=(float(middle[0]), float(middle[1])),
    )


def _to_fit(standing: _Upright, more_deg: float = 0.0) -> FloatArray:
    """Give the way from the plan's coordinates to the fit's, shape (3, 3)."""
    angle = radians(standing.turn_deg + more_deg)
    row, col = standing.middle_mm
    return np.array([[cos(angle), sin(angle), row], [-sin(angle), cos(angle), col], [0.0, 0.0, 1.0]])


def _spread(fit: WallFit, standing: _Upright) -> FloatArray:
    """Give the homography's spread in the plan's coordinates; which way is up adds its own."""
    to_fit = _to_fit(standing)
    turned = fit.homography @ (_to_fit(standing, standing.sd_deg) - to_fit)
    return np.concatenate((fit.homography_spread @ to_fit, turned[None]))
