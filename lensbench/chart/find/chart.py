"""Finding the chart in a photograph: markers, then crossings, then geometry, then the regions to measure.

Markers tell which chart it is and roughly where it lies; blur shifts their corners, so nothing is measured on
them. Crossings are located on the full picture's own sites, and only a target whose four quarters look as
they must counts.

Every page of a wall set gives its crossing, four pieces of its arms and six of its rim; the markers' centres, which
blur does not move, hold the scale until the rims are found. Camera and pages are fitted to all of them, so that a page
with one marker in sight, or half of its rim, is as good as the others. The result has the form of any other chart:
upright, in the plan's coordinates.
"""

from dataclasses import dataclass, replace
from itertools import compress
from math import atan2, cos, degrees, hypot, radians, sin, sqrt
from typing import Final

import numpy as np

from lensbench.chart.find.crossing import Crossings, Picture, locate_strips
from lensbench.chart.find.mapping import Mapping, with_strain
from lensbench.chart.find.sighting import SightedPage, SightedWall, Sighting, sight
from lensbench.chart.find.targets import (
    BORDER_PX,
    FEWEST_TARGETS,
    LARGEST_STRAY,
    ChartFound,
    Expected,
    arms_mm,
    chart_found,
    expect,
    locate_finely,
    locate_roughly,
    plausible,
    predict,
    refit,
    typical_blur_px,
)
from lensbench.chart.find.wall_fit import SETTLED, Observations, WallFit, fit_wall
from lensbench.chart.layout.parts import Target
from lensbench.chart.layout.wall import Hung, arrow_turn_deg, wall_layout
from lensbench.model.errors import ChartError
from lensbench.model.shot import BoolArray, Overview
from lensbench.model.units import FloatArray

_OVERVIEW_PX: Final = 2_000_000


def find_chart(picture: Picture) -> ChartFound:
    """The chart in a photograph, whichever way up, and the regions that hold one edge each.

    Of a sheet at least four targets, nearest to the chart's centre first; of a wall set at least one, by their numbers.
    A target whose crossing lies outside the picture, or that is covered or spoilt by glare, is left out.

    Raises
    ------
    ChartError
        No chart, not one of ours, or too little of it.
    """
    overview = picture.overview(_OVERVIEW_PX)
    sighted = sight(picture, overview)
    if isinstance(sighted, Sighting):
        return _find_sheet(picture, sighted, overview)
    wall = _located(picture, sighted, overview)
    seen = Observations.joined(wall.middles(), wall.markers(sighted), wall.arms())
    fit = wall.fit(seen, settled=_ROUGHLY_SETTLED)
    fit = wall.fit(Observations.joined(seen, wall.rims(fit)), start=fit.parameters)
    return _assembled(wall, fit)


def _find_sheet(picture: Picture, sighting: Sighting, overview: Overview) -> ChartFound:
    size_px = picture.size_px
    expected = expect(sighting.layout, sighting.mapping, size_px)
    _demand_targets(len(expected.targets))
    rough = locate_roughly(expected, overview)
    mapping, _ = refit(sighting.mapping, expected, rough, size_px=size_px)
    blur_px = typical_blur_px(expected, rough)
    expected = expect(sighting.layout, mapping, size_px)
    crossings = locate_finely(expected, picture, blur_px=blur_px)
    mapping, good = refit(mapping, expected, crossings, size_px=size_px)
    _demand_targets(int(good.sum()))
    targets, crossings = tuple(compress(expected.targets, good)), crossings.where(good)
    mapping = with_strain(
        mapping,
        np.array([target.center_mm for target in targets]),
        crossings.position_px,
        noise_px=float(np.median(crossings.position_sd_px)),
        size_px=size_px,
    )
    return chart_found(sighting.layout, mapping, targets, crossings, size_px=size_px)


def _demand_targets(seen: int) -> None:
    if seen < FEWEST_TARGETS:
        raise ChartError(
            f"a chart was found, but only {seen} of its targets can be used and at least {FEWEST_TARGETS} must: "
            "show more of it, in focus and evenly lit"
        )


_ON_ARM: Final = 0.62  # of the radius: where a piece of an arm is looked at
_IN_QUARTER_DEG: Final = (20.0, 45.0, 70.0)  # where a dark quarter's rim is looked at, from its first arm
_PIECE: Final = 0.08  # of the radius: half the length of a piece, to know its direction and bend
_RAGGED_MM: Final = 0.03  # of a printed edge
_REACH_PX: Final = 4.0
_FLOOR_PX: Final = 0.02  # standard deviation below which no place is believed
_MIDDLE_OVERVIEW_PX: Final = 0.4  # standard deviation of a marker's middle, in pixels of the overview
_ROUGHLY_SETTLED: Final = 1e-4  # in half-diagonals: enough to look for rims
_ENOUGH_FOR_TWO, _FAR_ENOUGH_FOR_TWO = 9, 0.7


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Wall:
    """Pages whose crossings were located, and what else of them is seen in the picture."""

    picture: Picture
    pages: list[SightedPage]
    crossings: Crossings

    @property
    def targets(self) -> tuple[Target, ...]:
        return tuple(page.page.target for page in self.pages)

    @property
    def matrices(self) -> FloatArray:
        return np.array([page.matrix for page in self.pages])

    def middles(self) -> Observations:
        """Crossings, in both directions."""
        seen_px, page = self.crossings.position_px, np.arange(len(self.pages))
        sd_px = np.hypot(self.crossings.position_sd_px, _FLOOR_PX)
        return Observations.both_ways(page, np.zeros(seen_px.shape), seen_px, sd_px)

    def markers(self, sighted: SightedWall) -> Observations:
        """Markers' centres: blur moves their corners, but not these."""
        page, point_mm, seen_px = [], [], []
        for index, own in enumerate(self.pages):
            by_id = {marker.marker_id: marker.center_mm for marker in own.page.markers}
            page += [index] * len(own.markers)
            point_mm += [by_id[marker_id] for marker_id in own.marker_ids]
            seen_px += [sighted.corners_px[read].mean(axis=0) for read in own.markers]
        sd_px = np.full(len(page), _MIDDLE_OVERVIEW_PX * sighted.factor)
        return Observations.both_ways(np.array(page), np.array(point_mm), np.array(seen_px), sd_px)

    def arms(self) -> Observations:
        """Find a piece of every arm."""
        arms_px = _arms_as_seen(_expected(self.pages).arms_px, self.crossings)
        places = np.array([_ON_ARM - _PIECE, _ON_ARM, _ON_ARM + _PIECE])
        curves = self.crossings.position_px[:, None, None] + places[:, None] * arms_px[:, :, None]
        return self._strips(curves, _ON_ARM * arms_mm(self.targets))

    def rims(self, fit: WallFit) -> Observations:
        """Find pieces of the dark quarters' rims, where the first fit puts them."""
        steps = np.radians([90.0 * arm + deg for arm in (0, 2) for deg in _IN_QUARTER_DEG])
        radius_mm, turn_deg = np.array([(target.radius_mm, target.turn_deg) for target in self.targets]).T
        angles = np.radians(turn_deg)[:, None, None] - steps[:, None] + np.array([-_PIECE, 0.0, _PIECE])
        points_mm = radius_mm[:, None, None, None] * np.stack((-np.cos(angles), np.sin(angles)), axis=-1)
        curves = fit.to_px(np.arange(len(self.pages))[:, None, None], points_mm)
        return self._strips(curves, points_mm[:, :, 1])

    def _strips(self, curves: FloatArray, points_mm: FloatArray) -> Observations:
        """Find edges: curves of shape (pages, pieces, 3, 2), their middles on the page (pages, pieces, 2)."""
        count, pieces = curves.shape[:2]
        blur_px = np.repeat(self.crossings.blur_px, pieces)
        strips = locate_strips(self.picture, curves.reshape(-1, 3, 2), blur_px=blur_px, reach_px=_REACH_PX)
        ragged_px = np.repeat(_RAGGED_MM * np.sqrt(np.linalg.det(self.matrices)), pieces)
        kept = strips.good
        return Observations(
            page=np.repeat(np.arange(count), pieces)[kept],
            point_mm=points_mm.reshape(-1, 2)[kept],
            normal=strips.normal[kept],
            value_px=(strips.normal * strips.point_px).sum(axis=1)[kept],
            sd_px=np.hypot(np.hypot(strips.sd_px, _FLOOR_PX), ragged_px)[kept],
        )

    def fit(
        self, seen: Observations, *, settled: float = SETTLED, start: FloatArray | None = None
    ) -> WallFit:
        """Fit camera and pages to what was seen."""
        size_px = self.picture.size_px
        middle = (np.asarray(size_px) - 1.0) / 2.0
        reach = np.hypot(*(self.crossings.position_px - middle).T).max() / np.hypot(*middle)
        return fit_wall(
            seen,
            matrices=self.matrices,
            middles_px=self.crossings.position_px,
            size_px=size_px,
            settled=settled,
            start=start,
            second_term=len(self.pages) >= _ENOUGH_FOR_TWO and bool(reach >= _FAR_ENOUGH_FOR_TWO),
        )


def _located(picture: Picture, sighted: SightedWall, overview: Overview) -> _Wall:
    """Locate the crossings of the pages that show theirs."""
    middles = np.array([page.middle_px for page in sighted.pages])
    to_border = np.minimum(middles, np.asarray(picture.size_px) - 1.0 - middles).min(axis=1)
    pages = _kept(sighted.pages, to_border >= BORDER_PX)
    expected = _expected(pages)
    rough = locate_roughly(expected, overview)
    good = plausible(expected, rough)
    blur_px = typical_blur_px(expected, rough)
    pages, rough = _kept(pages, good), rough.where(good)
    expected = _expected(pages)
    expected = replace(expected, center_px=rough.position_px, arms_px=_arms_as_seen(expected.arms_px, rough))
    fine = locate_finely(expected, picture, blur_px=blur_px)
    good = plausible(expected, fine)
    return _Wall(picture=picture, pages=_kept(pages, good), crossings=fine.where(good))


def _kept(pages: list[SightedPage], good: BoolArray) -> list[SightedPage]:
    if not good.any():
        raise ChartError(
            "markers of a wall set were found, but none of its targets can be used: "
            "show the pages whole, in focus and evenly lit"
        )
    return list(compress(pages, good))


def _expected(pages: list[SightedPage]) -> Expected:
    """Targets as the markers alone place them."""
    return Expected.of(
        tuple(page.page.target for page in pages),
        np.array([page.middle_px for page in pages]),
        np.array([page.matrix for page in pages]),
    )


def _arms_as_seen(arms_px: FloatArray, crossings: Crossings) -> FloatArray:
    """Arms of the lengths expected, along the lines that were fitted."""
    along = np.stack((np.cos(crossings.line_rad), np.sin(crossings.line_rad)), axis=-1)
    arms: FloatArray = np.linalg.norm(arms_px, axis=2)[:, :, None] * np.concatenate((along, -along), axis=1)
    return arms


_ARROW_SD_DEG: Final = 2.0  # of a page hung by hand, where only its arrow tells which way is up
_USUAL_RATIO: Final = 1.5


@dataclass(frozen=True, slots=True, kw_only=True)
class _Upright:
    """How the plan lies in the fit's coordinates."""

    turn_deg: float
    sd_deg: float
    middle_mm: FloatArray

    def to_fit(self, more_deg: float = 0.0) -> FloatArray:
        """Way from the plan's coordinates to the fit's, shape (3, 3)."""
        angle = radians(self.turn_deg + more_deg)
        row, col = self.middle_mm
        return np.array([[cos(angle), sin(angle), row], [-sin(angle), cos(angle), col], [0.0, 0.0, 1.0]])


def _assembled(wall: _Wall, fit: WallFit) -> ChartFound:
    """Put the wall together as one chart; a ChartError where no target lies where camera and pages together put it."""
    pages, size_px = wall.pages, wall.picture.size_px
    standing = _standing(np.array([page.page.place.share for page in pages]), fit)
    to_fit = standing.to_fit()
    turned = fit.homography @ (
        standing.to_fit(standing.sd_deg) - to_fit
    )  # which way is up adds its own doubt
    mapping = Mapping(
        homography=fit.homography @ to_fit,
        center_px=((size_px[0] - 1.0) / 2.0, (size_px[1] - 1.0) / 2.0),
        half_diagonal_px=hypot(*size_px) / 2.0,
        radial=fit.radial,
        spread=np.concatenate((fit.homography_spread @ to_fit, turned[None])),
    )
    places_mm = np.column_stack((fit.pages[:, :2], np.ones(len(pages)))) @ np.linalg.inv(to_fit).T
    diameter_mm = 2.0 * pages[0].page.target.radius_mm
    height_mm, width_mm = (2.0 * np.abs(places_mm[:, :2]).max(axis=0) + diameter_mm).tolist()
    hanging = [
        Hung(page=page.page, center_mm=(row, col), turn_deg=turn_deg - standing.turn_deg, scale=scale)
        for page, (row, col, _), (*_, turn_deg, scale) in zip(
            pages, places_mm.tolist(), fit.pages.tolist(), strict=True
        )
    ]
    layout = wall_layout(hanging, size_mm=(height_mm, width_mm))
    expected = predict(layout.targets, mapping)
    stray = np.hypot(*(expected.center_px - wall.crossings.position_px).T)
    good = stray <= LARGEST_STRAY * expected.radius_px
    if not good.any():
        raise ChartError("the pages seen do not lie as on one wall: show them whole, in focus and evenly lit")
    return chart_found(
        layout,
        mapping,
        tuple(compress(layout.targets, good)),
        wall.crossings.where(good),
        size_px=size_px,
        targets_on_chart=max(page.page.number for page in pages),
    )


def _standing(shares: FloatArray, fit: WallFit) -> _Upright:
    """Which way is up: from where the pages hang by their shares of the plan, else from their arrows."""
    places_mm = fit.pages[:, :2]
    count = len(shares)
    design = np.column_stack((shares, np.ones(count)))
    if count >= 4 and np.linalg.matrix_rank(design) == 3:
        terms, *_ = np.linalg.lstsq(design, places_mm, rcond=None)
        stretch = terms[:2].T
        freedom = 2 * count - 6
        left = np.sqrt(((places_mm - design @ terms) ** 2).sum() / max(freedom, 1))
        reach = float(np.linalg.norm(places_mm - terms[2], axis=1).max())
        if np.linalg.det(stretch) > 0.0 and left < 0.2 * reach:
            across, along = stretch[0, 1] - stretch[1, 0], stretch[0, 0] + stretch[1, 1]
            centred = shares - shares.mean(axis=0)
            doubt = float(np.trace(np.linalg.inv(centred.T @ centred)))
            # With few pages the scatter itself is known badly: Student's t is wider than the normal.
            wider = freedom / max(freedom - 2.0, 0.5)
            return _Upright(
                turn_deg=degrees(atan2(across, along)),
                sd_deg=degrees(left * sqrt(doubt * wider) / hypot(across, along)),
                middle_mm=terms[2],
            )
    off = [
        radians(turn_deg - arrow_turn_deg((down, _USUAL_RATIO * right)))
        for turn_deg, (down, right) in zip(fit.pages[:, 2].tolist(), shares.tolist(), strict=True)
    ]
    return _Upright(
        turn_deg=degrees(atan2(sum(map(sin, off)), sum(map(cos, off)))),
        sd_deg=_ARROW_SD_DEG / sqrt(count),
        middle_mm=places_mm.mean(axis=0),
    )
