"""Which chart a picture shows, and roughly where it lies: from the markers read in small copies of it.

OpenCV finds dark squares. The 7 x 7 modules of each are correlated with every code of ours, in four turns and as two
amounts of blur would leave it: that reads what hard thresholds cannot, and takes a twentieth of the time of OpenCV's
own search through its dictionary of 1000.

A sheet is told as a whole, a wall set page by page. From the pages seen follows where the others should be: a closer
look there is enough, and none where none is missing.
"""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import hypot
from typing import Final

import cv2
import numpy as np
import numpy.typing as npt

from lensbench.chart.find.crossing import Picture
from lensbench.chart.find.mapping import Mapping, fit_mapping, project
from lensbench.chart.layout.parts import (
    FIRST_FREE_ID,
    MODULES,
    MOST_PAGES,
    Layout,
    dictionary,
    marker_modules,
    page_marker,
)
from lensbench.chart.layout.sheet import layout_from_markers
from lensbench.chart.layout.wall import PLACES, WallPage, wall_page
from lensbench.model.errors import ChartError
from lensbench.model.shot import Box, ByteArray, IntArray, Overview
from lensbench.model.units import FloatArray

_LOWEST_CORRELATION: Final = 0.8
_LOWEST_LEAD: Final = 0.04  # over the next best code
_BLURS_MODULES: Final = (0.2, 0.6)
_FINE: Final = 4  # points along a module, to blur codes and to read them
_IN_BLOCK: Final = 64  # codes that are drawn at once: all of them, finely drawn, take 30 MB


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReadMarkers:
    """Markers read, one entry each."""

    ids: tuple[int, ...]
    corners: FloatArray  # shape (n, 4, 2): clockwise on the page from its upper left; rough where blurred


def read_markers(grey: ByteArray) -> ReadMarkers:
    """Read the markers, of 20 pixels or more where sharp, each once; an id that is read in two places is dropped."""
    squares = _squares(grey)
    if not len(squares):
        return ReadMarkers(ids=(), corners=np.empty((0, 4, 2)))
    modules = _modules(grey, squares)
    # The cheap test first: squares that are darker along their border than inside.
    grid = modules.reshape(-1, MODULES, MODULES)
    inside = grid[:, 1:-1, 1:-1]
    border = (grid.sum(axis=(1, 2)) - inside.sum(axis=(1, 2))) / (MODULES**2 - (MODULES - 2) ** 2)
    darkest = grid.min(axis=(1, 2))
    bordered = border - darkest < 0.55 * (inside.max(axis=(1, 2)) - darkest)
    squares = squares[bordered]
    ids, turns, scores = _match(modules[bordered])
    read = _once_each(squares, ids, scores)
    corners = [np.roll(squares[index], -int(turns[index]), axis=0)[:, ::-1] for index in read]
    return ReadMarkers(
        ids=tuple(int(ids[index]) for index in read), corners=np.array(corners).reshape(-1, 4, 2)
    )


def _squares(grey: ByteArray) -> FloatArray:
    """Dark squares that may be markers: corners of shape (n, 4, 2) as OpenCV has them, (x, y), clockwise."""
    parameters = cv2.aruco.DetectorParameters()
    parameters.adaptiveThreshWinSizeMin = 13
    parameters.adaptiveThreshWinSizeMax = 53
    parameters.adaptiveThreshWinSizeStep = 40  # two windows: a third finds no more
    parameters.minMarkerPerimeterRate = 0.02
    whole = dictionary()
    # Of one code: OpenCV then spends no time on reading.
    single = cv2.aruco.Dictionary(whole.bytesList[:1].copy(), whole.markerSize, 0)
    accepted, _, refused = cv2.aruco.ArucoDetector(single, parameters).detectMarkers(grey)
    return np.array([*accepted, *refused], dtype=np.float64).reshape(-1, 4, 2)


def _modules(grey: ByteArray, squares: FloatArray) -> FloatArray:
    """Mean grey of each square's modules, shape (n, 49)."""
    steps = (np.arange(_FINE * MODULES) + 0.5) / (_FINE * MODULES)
    across, down = np.meshgrid(steps, steps)
    corner = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]], dtype=np.float32)
    maps = np.array(
        [cv2.getPerspectiveTransform(corner, square) for square in squares.astype(np.float32)],
        dtype=np.float64,
    )
    grid = np.stack((across.ravel(), down.ravel(), np.ones(across.size)))
    places = maps @ grid
    x, y = (places[:, axis] / places[:, 2] for axis in (0, 1))
    seen = cv2.remap(
        grey, x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    fine = np.asarray(seen, dtype=np.float64).reshape(-1, MODULES, _FINE, MODULES, _FINE)
    cells: FloatArray = fine.mean(axis=(2, 4)).reshape(len(squares), -1)
    return cells


def _match(modules: FloatArray) -> tuple[IntArray, IntArray, FloatArray]:
    """For each square the best code, its turn and its score: correlation, or 0 where it is no marker."""
    centered = modules - modules.mean(axis=1, keepdims=True)
    scaled = centered / np.maximum(np.linalg.norm(centered, axis=1, keepdims=True), 1e-9)
    correlation = (scaled.astype(np.float32) @ _codes().reshape(-1, MODULES**2).T).reshape(
        len(modules), len(_BLURS_MODULES), 4, FIRST_FREE_ID
    )
    by_code = correlation.max(axis=(1, 2))
    ids = by_code.argmax(axis=1)
    best = by_code[np.arange(len(ids)), ids]
    by_code[np.arange(len(ids)), ids] = -1.0
    turns = correlation.max(axis=1)[np.arange(len(ids)), :, ids].argmax(axis=1)
    sure = (best >= _LOWEST_CORRELATION) & (best - by_code.max(axis=1) >= _LOWEST_LEAD)
    return ids, turns, np.where(sure, best, 0.0)


@lru_cache(maxsize=1)
def _codes() -> npt.NDArray[np.float32]:
    """Our codes as blur leaves them, of mean 0 and length 1: shape (blurs, turns, ids, 49)."""
    codes = np.empty((len(_BLURS_MODULES), 4, FIRST_FREE_ID, MODULES**2), np.float32)
    for first in range(0, FIRST_FREE_ID, _IN_BLOCK):
        block = slice(first, min(first + _IN_BLOCK, FIRST_FREE_ID))
        ink = np.array([marker_modules(marker_id) for marker_id in range(block.start, block.stop)])
        paper = np.pad(~ink, ((0, 0), (2, 2), (2, 2)), constant_values=True).astype(np.float32)
        fine = paper.repeat(_FINE, axis=1).repeat(_FINE, axis=2)
        for blur, own in zip(_BLURS_MODULES, codes[:, :, block], strict=True):
            soft = np.array([cv2.GaussianBlur(image, (0, 0), _FINE * blur) for image in fine])
            cells = soft.reshape(len(soft), MODULES + 4, _FINE, MODULES + 4, _FINE).mean(axis=(2, 4))
            upright = cells[:, 2:-2, 2:-2]
            # A square whose first corner is the marker's corner number k shows the code turned clockwise k times.
            own[:] = [np.rot90(upright, -turn, axes=(1, 2)).reshape(len(soft), -1) for turn in range(4)]
    codes -= codes.mean(axis=-1, keepdims=True)
    codes /= np.linalg.norm(codes, axis=-1, keepdims=True)
    return codes


def _once_each(squares: FloatArray, ids: IntArray, scores: FloatArray) -> list[int]:
    """Best square of each id, unless the id is read in two places."""
    best: dict[int, int] = {}
    doubtful: set[int] = set()
    middles = squares.mean(axis=1).tolist()
    diagonals = np.hypot(*(squares[:, 0] - squares[:, 2]).T).tolist()
    for index in np.argsort(-scores).tolist():
        if scores[index] <= 0.0:
            break
        marker_id = int(ids[index])
        first = best.setdefault(marker_id, index)
        apart = hypot(middles[first][0] - middles[index][0], middles[first][1] - middles[index][1])
        if apart > 0.25 * diagonals[first]:
            doubtful.add(marker_id)
    return [index for marker_id, index in best.items() if marker_id not in doubtful]


_FINER_OVERVIEW_PX: Final = 9_000_000
_SMALL_MARKER_PX: Final = 16.0  # in the overview: below this some markers go unread
_FEWEST_MARKERS: Final = 3  # fewer that agree are no evidence of a chart: noise yields a marker now and then
_CORNERS: Final = np.array([(-1.0, -1.0), (-1.0, 1.0), (1.0, 1.0), (1.0, -1.0)])
"""Of a marker in half sides, in the reader's order: clockwise on the page from the upper left."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sighting:
    """Which sheet was seen, and roughly where."""

    layout: Layout
    mapping: Mapping  # in full-resolution pixels, good to about one pixel of the overview


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SightedPage:
    """One page of a wall set, roughly: an affine map, good to a few hundredths of the page."""

    page: WallPage
    matrix: FloatArray  # shape (2, 2): pixels per millimetre, [picture axis, page axis]
    middle_px: FloatArray  # shape (2,): the target's centre
    markers: tuple[int, ...]  # indices, among those read, of the markers that agree
    marker_ids: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SightedWall:
    """The pages that markers tell of: of the paper that most of them name, by number."""

    pages: list[SightedPage]
    corners_px: FloatArray  # of all markers read, shape (n, 4, 2)
    factor: int  # of the overview that they were read in

    @property
    def smallest_px(self) -> float:
        """Side of the smallest marker, in pixels of that overview."""
        sides = np.linalg.norm(self.corners_px - np.roll(self.corners_px, 1, axis=1), axis=2).mean(axis=1)
        return float(sides.min()) / self.factor


def sight(picture: Picture, overview: Overview) -> Sighting | SightedWall:
    """Look for markers until three make a chart, else a ChartError; for a wall of small ones once more, and closer."""
    refused = []
    for grey, factor in _looks(picture, overview):
        read = read_markers(grey)
        try:
            sighted = _recognised(read, factor=factor, size_px=picture.size_px)
        except ChartError as error:
            refused.append(error)
            continue
        if isinstance(sighted, SightedWall) and sighted.smallest_px < _SMALL_MARKER_PX:
            return _closer(picture, sighted, read)
        return sighted
    raise refused[0]


def _looks(picture: Picture, overview: Overview) -> Iterator[tuple[ByteArray, int]]:
    """Overview and its factor, then a smaller one (blur), then a finer one (distance)."""
    yield overview.grey, overview.factor
    rows, cols = (side // 2 for side in overview.grey.shape)
    if min(rows, cols) > 0:
        even = overview.grey[: 2 * rows, : 2 * cols]
        yield (
            np.asarray(cv2.resize(even, (cols, rows), interpolation=cv2.INTER_AREA), np.uint8),
            2 * overview.factor,
        )
    if overview.factor > 1:
        finer = picture.overview(_FINER_OVERVIEW_PX)
        yield finer.grey, finer.factor


def _closer(picture: Picture, sighted: SightedWall, read: ReadMarkers) -> SightedWall:
    """Look in a finer overview for pages whose markers were too small to be read: where they should be, if known."""
    windows = windows_of_missing(sighted.pages, picture.size_px)
    if windows == []:
        return sighted
    finer = picture.overview(_FINER_OVERVIEW_PX)
    if finer.factor >= sighted.factor:
        return sighted
    factor = sighted.factor
    if windows is None:
        more, factor = read_markers(finer.grey), finer.factor
    else:
        more = _with_windows(read, windows, finer, factor=factor)
    try:
        closer = _recognised(more, factor=factor, size_px=picture.size_px)
    except ChartError:
        return sighted
    if isinstance(closer, SightedWall) and len(closer.pages) > len(sighted.pages):
        return closer
    return sighted


def _with_windows(read: ReadMarkers, windows: list[Box], finer: Overview, *, factor: int) -> ReadMarkers:
    """Add what windows of a finer overview show to what was read, in pixels of the first overview."""
    ids, corners = list(read.ids), [read.corners]
    for window in windows:
        top, left = window.top // finer.factor, window.left // finer.factor
        bottom = (window.top + window.height) // finer.factor
        right = (window.left + window.width) // finer.factor
        more = read_markers(np.ascontiguousarray(finer.grey[top:bottom, left:right]))
        new = [index for index, marker_id in enumerate(more.ids) if marker_id not in ids]
        ids += [more.ids[index] for index in new]
        corners.append((more.corners[new] + (top, left) + 0.5) * finer.factor / factor - 0.5)
    return ReadMarkers(ids=tuple(ids), corners=np.concatenate(corners))


def _recognised(read: ReadMarkers, *, factor: int, size_px: tuple[int, int]) -> Sighting | SightedWall:
    """Whether markers are a sheet's or a wall's, and where it lies."""
    corners_px = (read.corners + 0.5) * factor - 0.5
    said = [page_marker(marker_id) for marker_id in read.ids]
    on_pages = [what for what in said if what is not None]
    if 2 * len(on_pages) <= len(said):
        return _sheet(read.ids, corners_px, size_px)
    paper = Counter(what.paper for what in on_pages).most_common(1)[0][0]
    members: dict[int, list[tuple[int, int]]] = {}
    for index, what in enumerate(said):
        if what is not None and what.paper == paper:
            members.setdefault(what.number, []).append((index, what.place))
    pages = [_page(wall_page(paper, number), seen, corners_px) for number, seen in sorted(members.items())]
    sighted = SightedWall(
        pages=[page for page in pages if page is not None], corners_px=corners_px, factor=factor
    )
    _demand_markers(sum(len(page.markers) for page in sighted.pages))
    return sighted


def _demand_markers(seen: int) -> None:
    if seen < _FEWEST_MARKERS:
        raise ChartError(
            f"no chart was found: {seen} of its markers can be read and at least {_FEWEST_MARKERS} must; "
            "show the whole chart, in focus and evenly lit"
        )


_LOOSE_FRACTION: Final = 0.02  # of the chart's extent: how far markers may stray from a homography
_NEAR_FRACTION: Final = 0.25  # of a marker's side: how far corners may stray from the mapping


def _sheet(ids: Sequence[int], corners_px: FloatArray, size_px: tuple[int, int]) -> Sighting:
    """Tell the sheet from markers and their corners in the full picture, going by those that agree."""
    _demand_markers(len(ids))
    layout = layout_from_markers(ids)
    known = {marker.marker_id: marker for marker in layout.markers}
    kept = [index for index, marker_id in enumerate(ids) if marker_id in known]
    _demand_markers(len(kept))
    markers = [known[ids[index]] for index in kept]
    half_mm = np.array([marker.side_mm / 2.0 for marker in markers])
    points_mm = (
        np.array([marker.center_mm for marker in markers])[:, None] + half_mm[:, None, None] * _CORNERS
    )
    points_px = corners_px[kept]
    loose_px = _LOOSE_FRACTION * float(np.ptp(points_px.reshape(-1, 2), axis=0).max())
    homography, _ = cv2.findHomography(
        points_mm.reshape(-1, 2), points_px.reshape(-1, 2), cv2.RANSAC, loose_px
    )
    if homography is None:
        raise ChartError("no chart was found: the markers seen do not lie as on any chart")
    start = np.asarray(homography, np.float64)
    placed: FloatArray = np.asarray(cv2.perspectiveTransform(points_mm, start), np.float64)
    agreeing = _stray_px(placed, points_px) <= 2.0 * loose_px
    _demand_markers(int(agreeing.sum()))
    mapping = fit_mapping(
        points_mm[agreeing].reshape(-1, 2), points_px[agreeing].reshape(-1, 2), start=start, size_px=size_px
    )
    placed = mapping.to_px(points_mm.reshape(-1, 2)).reshape(points_px.shape)
    side_px = np.hypot(*(points_px[:, 1] - points_px[:, 0]).T)
    _demand_markers(int((_stray_px(placed, points_px) <= _NEAR_FRACTION * side_px).sum()))
    return Sighting(layout=layout, mapping=mapping)


def _stray_px(placed: FloatArray, seen: FloatArray) -> FloatArray:
    """How far the worst corner of each marker lies off, shape (n,)."""
    stray: FloatArray = np.hypot(*np.moveaxis(placed - seen, 2, 0)).max(axis=1)
    return stray


_NEAR_SIDES: Final = 0.6  # how far a marker's middle may lie from where another one puts it
_LARGEST_SKEW: Final = 0.4


def _page(page: WallPage, seen: list[tuple[int, int]], corners_px: FloatArray) -> SightedPage | None:
    """Fit a page to the largest set of its markers that agree."""
    read = np.array([index for index, _ in seen])
    flat = np.array([page.markers[place].center_mm for _, place in seen])
    half_mm = page.markers[0].side_mm / 2.0
    quads = corners_px[read]
    middles = quads.mean(axis=1)
    own = quads.transpose(0, 2, 1) @ (_CORNERS / (4.0 * half_mm))
    # placed[i, j]: where marker i, by its own corners alone, puts marker j.
    placed = middles[:, None] + (flat[None] - flat[:, None]) @ own.transpose(0, 2, 1)
    side_px = np.hypot(*(quads[:, 0] - quads[:, 2]).T) / np.sqrt(2.0)
    agree = np.hypot(*np.moveaxis(placed - middles, 2, 0)) <= _NEAR_SIDES * side_px
    best = np.flatnonzero(agree[agree.sum(axis=1).argmax()])
    points_mm = (flat[best, None] + half_mm * _CORNERS).reshape(-1, 2)
    design = np.column_stack((points_mm, np.ones(len(points_mm))))
    fit = np.linalg.solve(design.T @ design, design.T @ quads[best].reshape(-1, 2)).T
    # Neither mirrored nor more squeezed than a page seen at an angle: singular values' product, and squares' sum.
    (a, b), (c, d) = fit[:, :2].tolist()
    area, square = a * d - b * c, a * a + b * b + c * c + d * d
    if not (area > 0.0 and area > _LARGEST_SKEW / (1.0 + _LARGEST_SKEW**2) * square):
        return None
    return SightedPage(
        page=page,
        matrix=fit[:, :2],
        middle_px=fit[:, 2],
        markers=tuple(int(read[k]) for k in best),
        marker_ids=tuple(page.markers[seen[k][1]].marker_id for k in best),
    )


_FEWEST_PAGES: Final = 6  # to tell the plan's place from
_LARGEST_STRAY: Final = 0.5  # of a page's height: a plan that strays further is not gone by
_BEYOND: Final = 2  # numbers above the highest seen that are looked for too
_REACH: Final = 0.8  # of a page's height: half a window's side, its stray not counted


def windows_of_missing(pages: list[SightedPage], size_px: tuple[int, int]) -> list[Box] | None:
    """Where to look for the pages that should be in the picture and were not seen; None where it can't be told."""
    if len(pages) < _FEWEST_PAGES:
        return None
    numbers = [page.page.number for page in pages]
    shares = np.array([page.page.place.share for page in pages])
    seen_px = np.array([page.middle_px for page in pages])
    height_px = max(float(page.page.paper_mm[0] * np.sqrt(abs(np.linalg.det(page.matrix)))) for page in pages)
    found, _ = cv2.findHomography(shares, seen_px, cv2.RANSAC, _LARGEST_STRAY * height_px)
    if found is None:
        return None
    plan: FloatArray = np.asarray(found, np.float64)
    stray_px = float(np.hypot(*(project(plan, shares)[0] - seen_px).T).max())
    if stray_px > _LARGEST_STRAY * height_px:
        return None
    highest = min(max(numbers) + _BEYOND, MOST_PAGES)
    missing = [PLACES[number - 1].share for number in range(1, highest + 1) if number not in numbers]
    reach_px = _REACH * height_px + stray_px
    windows = []
    for place in project(plan, np.array(missing).reshape(-1, 2))[0]:
        if (place > 0.0).all() and (place < size_px).all():
            top, left = (max(int(at - reach_px), 0) for at in place)
            bottom, right = (min(int(at + reach_px), most) for at, most in zip(place, size_px, strict=True))
            windows.append(Box(top=top, left=left, height=bottom - top, width=right - left))
    return windows
