"""Five small pieces of a photograph, pixel by pixel: what is kept for the eye, since the photograph itself is not.

Centre and four corners, each about the crossing of the target nearest to it, so that edges along the radius and across
it stand side by side. Only these pieces are read: a few thousand pixels of millions. A raw file's other colours are
bridged at their sites along the way that changes less, as edges want it (the rule of all demosaicing that looks at
gradients; common practice, no source).
"""

from math import hypot
from typing import Final

import numpy as np

from lensbench.chart.find import ChartFound, FoundTarget, Picture
from lensbench.model.shot import BoolArray, Box, Place, Thumbnail
from lensbench.model.units import FloatArray

SIDE_PX: Final = 64
_FARTHEST: Final = 0.5  # of the half-diagonal: a target farther than so from a corner does not stand for it
_SPOTS: Final = {
    Place.CENTRE: (0.0, 0.0),
    Place.UPPER_LEFT: (-0.5, -0.5),
    Place.UPPER_RIGHT: (-0.5, 0.5),
    Place.LOWER_LEFT: (0.5, -0.5),
    Place.LOWER_RIGHT: (0.5, 0.5),
}
"""From the picture's centre, in its heights and widths."""


def thumbnails(photo: Picture, chart: ChartFound) -> tuple[Thumbnail, ...]:
    """Centre and corners as far as the chart reaches there, at most five, in linear light of the default channel."""
    nearest = ((place, _nearest(chart, spot)) for place, spot in _SPOTS.items())
    return tuple(_cut(photo, place, target) for place, target in nearest if target is not None)


def _nearest(chart: ChartFound, spot: tuple[float, float]) -> FoundTarget | None:
    """Target nearest to a spot; None where none is near."""
    size_px = np.asarray(chart.size_px)
    spot_px = (size_px - 1.0) / 2.0 + spot * size_px
    away_px, target = min(
        ((float(np.hypot(*(target.crossing_px - spot_px))), target) for target in chart.targets),
        key=lambda pair: pair[0],
    )
    return target if away_px < _FARTHEST * hypot(*chart.size_px) / 2.0 else None


def _cut(photo: Picture, place: Place, target: FoundTarget) -> Thumbnail:
    rows, cols = photo.size_px
    height, width = min(SIDE_PX, rows), min(SIDE_PX, cols)
    row, col = (round(position) for position in target.crossing_px)
    box = Box(
        top=min(max(row - height // 2, 0), rows - height),
        left=min(max(col - width // 2, 0), cols - width),
        height=height,
        width=width,
    )
    samples = photo.cut(box)
    light = samples.values if samples.present.all() else _bridged(samples.values, samples.present)
    return Thumbnail(
        place=place,
        target=target.target.name,
        box=box,
        codes=Thumbnail.coded(light, dark_level=target.dark_level, bright_level=target.bright_level),
        dark_level=target.dark_level,
        bright_level=target.bright_level,
    )


def _bridged(values: FloatArray, present: BoolArray) -> FloatArray:
    """Values at all sites: where the colour is not present, the mean of its two neighbours that differ less."""
    framed = np.pad(np.where(present, values, np.nan), 1, constant_values=np.nan)
    pairs = np.array(
        [[framed[:-2, 1:-1], framed[2:, 1:-1]], [framed[1:-1, :-2], framed[1:-1, 2:]]]
    )  # above and below, left and right
    apart = np.abs(pairs[:, 0] - pairs[:, 1])
    upright, level = pairs.mean(axis=1)
    both = np.where(apart[0] <= apart[1], upright, level)
    known = np.isfinite(pairs).sum(axis=(0, 1))
    some = np.nansum(pairs, axis=(0, 1)) / np.maximum(known, 1)  # at the border, and in wider patterns
    bridged = np.where(np.isfinite(apart).all(axis=0), both, some)
    return np.where(present, values, bridged)
