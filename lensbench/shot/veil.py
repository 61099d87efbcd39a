"""Veil: light on the dark quarters that does not belong there, as flare and halos wider than a target throw it.

With the paper's own light 1 beside a target, a printed reflectance r and a veil V, the dark quarters have r + V and the
paper 1 + V. The veil of the paper's level, v = V / (1 + V), is told by the ratio d of the two:

    d = r (1 - v) + v,    v = (d - r) / (1 - r)

A chart's markers don't tell for which contrast its quarters were drawn, nor what the printer made of it, so r is read
off the chart itself: the black of the row of tones is solid ink, taken for no light at all, and the quarters of the
target beside it are printed

    r = (d - b) / (1 - b)    with b the black's level over that of the paper beside it.

Diffraction carries light of the paper around into the black: at r pixels it is C / r^3, C = q / pi^3 (see
`corrections`), so from all that lies beyond a straight side, at w from it and seen under the angles a and b to both
hands of the foot of w, C (sin a + sin b) / w. The four sides' share is taken off where q is known; else the figure is
up to a point too high.

So the figure holds the ink's own reflectance, a few percent of the paper's, and is an upper bound by as much; without a
row that can be read, r is taken as 0, and it holds the whole printed dark. Between shots of one print both cancel.
"""

from collections.abc import Sequence
from math import nan, pi
from typing import Final

import numpy as np

from lensbench.chart.find import ChartFound, Picture
from lensbench.chart.layout import TONES
from lensbench.model.shot import ChartEdge, Veil, VeilBound
from lensbench.shot.light import tone_boxes, tone_levels, tone_margin_px

_POINTS: Final = 12
_BLACK: Final = TONES.index(0.0)
_BLACK_PLACE: Final = _BLACK / (len(TONES) - 1)


def veil(photo: Picture, chart: ChartFound, edges: Sequence[ChartEdge], *, q: float | None) -> Veil:
    """Veil over the field, the median and the scatter of all targets that have a measured edge.

    q is wavelength times working f-number over pixel pitch.
    """
    ratios = _dark_over_bright(edges)
    if not ratios:
        return Veil()
    printed = _printed_dark(photo, chart, ratios, q or 0.0)
    known = bool(np.isfinite(printed))
    dark = max(printed, 0.0) if known else 0.0
    percents = 100.0 * (np.array(list(ratios.values())) - dark) / (1.0 - dark)
    return Veil(
        percent=float(np.median(percents)),
        sd_over_field_percent=float(percents.std(ddof=1)) if percents.size > 1 else nan,
        bound=VeilBound.INK if known else VeilBound.PRINT,
    )


def _dark_over_bright(edges: Sequence[ChartEdge]) -> dict[str, float]:
    """Ratio of the plateaus of every target's edges, their median."""
    ratios: dict[str, list[float]] = {}
    for edge in edges:
        if edge.edge.measured and edge.edge.bright_level > max(edge.edge.dark_level, 0.0):
            ratios.setdefault(edge.target, []).append(edge.edge.dark_level / edge.edge.bright_level)
    return {target: float(np.median(own)) for target, own in ratios.items()}


def _printed_dark(photo: Picture, chart: ChartFound, ratios: dict[str, float], q: float) -> float:
    """Printed reflectance of the dark quarters over the paper's, by the rows of tones; NaN where none can be read."""
    near = [found.target for found in chart.targets if found.target.name in ratios]
    tones_mm = np.array([tone.center_mm for tone in chart.layout.tones]).reshape(-1, len(TONES), 2)
    boxes = tone_boxes(chart, photo.size_px)[_BLACK :: len(TONES)]
    printed = []
    for row, place_mm, box in zip(tone_levels(photo, chart), tones_mm[:, _BLACK], boxes, strict=True):
        paper = (1.0 - _BLACK_PLACE) * row[0] + _BLACK_PLACE * row[-1]
        if box is not None and row[_BLACK] < paper:
            spread = q / pi**3 * _seen_from_inside(0.5 * box.height, margin_px=tone_margin_px(chart))
            black = (float(row[_BLACK] / paper) - spread) / (1.0 - spread)
            beside = min(near, key=lambda target: float(np.hypot(*(place_mm - target.center_mm))))
            printed.append((ratios[beside.name] - black) / (1.0 - black))
    return float(np.median(printed)) if printed else nan


def _seen_from_inside(half_px: float, *, margin_px: float) -> float:
    """Integral of 1 / r^3 over all that lies outside a square, mean over the box inside it. [1/px].

    From the middle of a square of half side 1 it is 4 sqrt(2):

    >>> round(_seen_from_inside(1e-6, margin_px=1.0), 3)
    5.657
    """
    place = half_px * (np.arange(_POINTS) + 0.5) / _POINTS
    down, right = np.meshgrid(place, place)  # a quarter of the box; the others are alike
    side = half_px + margin_px
    above, below, before, behind = side + down, side - down, side + right, side - right
    total = np.zeros_like(down)
    for sides, hands in (((above, below), (before, behind)), ((before, behind), (above, below))):
        for away in sides:
            total += (hands[0] / np.hypot(hands[0], away) + hands[1] / np.hypot(hands[1], away)) / away
    return float(total.mean())
