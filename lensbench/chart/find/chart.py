"""Finding the chart in a photograph: markers, then crossings, then geometry, then the regions to measure.

Markers tell which chart it is and roughly where it lies; blur shifts their corners, so nothing is measured on
them. Crossings are located on the full picture's own sites, and only a target whose four quarters look as
they must counts.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np

from lensbench.chart.find.mapping import with_strain
from lensbench.chart.find.markers import (
    FEWEST_MARKERS,
    ByteArray,
    ReadMarkers,
    Sighting,
    no_chart,
    read_markers,
    sight_markers,
)
from lensbench.chart.find.regions import ChartFound, chart_found
from lensbench.chart.find.sheet import (
    FEWEST_TARGETS,
    Overview,
    Picture,
    chosen,
    expect,
    locate_finely,
    locate_roughly,
    refit,
    typical_blur_px,
)
from lensbench.chart.find.wall import SightedWall, find_wall, pages_of, read_windows, windows_of_missing
from lensbench.chart.layout import page_marker
from lensbench.model.errors import ChartError

_OVERVIEW_PX: Final = 2_000_000
_FINER_OVERVIEW_PX: Final = 9_000_000
_SMALL_MARKER_PX: Final = 16.0
"""In the overview: below this some markers go unread."""


def find_chart(picture: Picture) -> ChartFound:
    """Find the chart in a photograph, whichever way up, and the regions that hold one edge each.

    Parameters
    ----------
    picture : Picture
        An opened photograph: `photo.Photo`, or anything with its `size_px`, `cut` and `overview`.

    Returns
    -------
    ChartFound
        Of a sheet at least four targets, nearest to the chart's centre first; of a wall set at least one, by
        their numbers. A target whose crossing lies outside the picture, or that is covered or spoilt by glare,
        is left out.

    Raises
    ------
    ChartError
        No chart, not one of ours, or too little of it.
    """
    overview = picture.overview(_OVERVIEW_PX)
    sighted = _sighted(picture, overview)
    if isinstance(sighted, SightedWall):
        return find_wall(picture, sighted, overview)
    return _find_sheet(picture, sighted, overview)


def _find_sheet(picture: Picture, sighting: Sighting, overview: Overview) -> ChartFound:
    size_px = picture.size_px
    expected = expect(sighting.layout, sighting.mapping, size_px)
    if len(expected.targets) < FEWEST_TARGETS:
        raise ChartError(_too_few(len(expected.targets)))
    rough = locate_roughly(expected, overview)
    mapping, _ = refit(sighting.mapping, expected, rough, size_px=size_px)
    blur_px = typical_blur_px(expected, rough)
    expected = expect(sighting.layout, mapping, size_px)
    crossings = locate_finely(expected, picture, blur_px=blur_px)
    mapping, good = refit(mapping, expected, crossings, size_px=size_px)
    if good.sum() < FEWEST_TARGETS:
        raise ChartError(_too_few(int(good.sum())))
    targets, crossings = chosen(expected.targets, good), crossings.where(good)
    mapping = with_strain(
        mapping,
        np.array([target.center_mm for target in targets]),
        crossings.position_px,
        noise_px=float(np.median(crossings.position_sd_px)),
        size_px=size_px,
    )
    return chart_found(
        sighting.layout, mapping, targets, crossings, marker_ids=sighting.marker_ids, size_px=size_px
    )


def _too_few(seen: int) -> str:
    return (
        f"a chart was found, but only {seen} of its targets can be used and at least {FEWEST_TARGETS} must: "
        "show more of it, in focus and evenly lit"
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Smaller:
    """A copy of an overview, in which blur counts for less."""

    grey: ByteArray
    factor: int


def _sighted(picture: Picture, overview: Overview) -> Sighting | SightedWall:
    """Look for markers until some make a chart; for a wall whose markers are small, look once more and closer."""
    refused: ChartError | None = None
    for look in _looks(picture, overview):
        try:
            read = read_markers(look.grey)
            sighted = _recognised(read, factor=look.factor, size_px=picture.size_px)
        except ChartError as error:
            refused = refused or error
            continue
        if isinstance(sighted, SightedWall) and sighted.smallest_px < _SMALL_MARKER_PX:
            return _closer(picture, sighted, read)
        return sighted
    raise refused or ChartError(no_chart(0))


def _closer(picture: Picture, sighted: SightedWall, read: ReadMarkers) -> SightedWall:
    """Look in a finer overview for pages whose markers were too small to be read: where they should be, if known."""
    windows = windows_of_missing(sighted.pages, picture.size_px)
    if windows is not None and not windows:
        return sighted
    finer = picture.overview(_FINER_OVERVIEW_PX)
    if finer.factor >= sighted.factor:
        return sighted
    try:
        if windows is None:
            closer = _recognised(read_markers(finer.grey), factor=finer.factor, size_px=picture.size_px)
        else:
            more = read_windows(finer.grey, windows, factor=finer.factor)
            joined = _joined(read, more, factor=sighted.factor, finer=finer.factor)
            closer = _recognised(joined, factor=sighted.factor, size_px=picture.size_px)
    except ChartError:
        return sighted
    if isinstance(closer, SightedWall) and len(closer.pages) > len(sighted.pages):
        return closer
    return sighted


def _joined(read: ReadMarkers, more: ReadMarkers, *, factor: int, finer: int) -> ReadMarkers:
    """Add what a finer look read to what the first one did, in the first one's pixels."""
    new = [index for index, marker_id in enumerate(more.ids) if marker_id not in read.ids]
    corners = (more.corners[new] + 0.5) * finer / factor - 0.5
    return ReadMarkers(
        ids=(*read.ids, *(more.ids[index] for index in new)), corners=np.concatenate((read.corners, corners))
    )


def _looks(picture: Picture, overview: Overview) -> Iterator[Overview]:
    """Overview, then a smaller one (blur), then a finer one (distance)."""
    yield overview
    rows, cols = (side // 2 for side in overview.grey.shape)
    if min(rows, cols) > 0:
        smaller = cv2.resize(
            overview.grey[: 2 * rows, : 2 * cols], (cols, rows), interpolation=cv2.INTER_AREA
        )
        yield _Smaller(grey=np.asarray(smaller, np.uint8), factor=2 * overview.factor)
    if overview.factor > 1:
        yield picture.overview(_FINER_OVERVIEW_PX)


def _recognised(read: ReadMarkers, *, factor: int, size_px: tuple[int, int]) -> Sighting | SightedWall:
    """Whether markers are a sheet's or a wall's, and where it lies."""
    on_pages = sum(page_marker(marker_id) is not None for marker_id in read.ids)
    if 2 * on_pages <= len(read.ids):
        return sight_markers(read, factor=factor, size_px=size_px)
    pages, corners_px = pages_of(read, factor=factor)
    agreeing = sum(len(page.markers) for page in pages)
    if agreeing < FEWEST_MARKERS:
        raise ChartError(no_chart(agreeing))
    return SightedWall(pages=pages, corners_px=corners_px, factor=factor)
