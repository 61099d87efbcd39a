"""Finding good edges in any photograph: long, straight, high in contrast, clean on both sides, off the pixel axes."""

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
import numpy.typing as npt

from lensbench.model.shot import Box
from lensbench.model.units import FloatArray

Grey = npt.NDArray[np.uint8]

SHORTEST_PX: Final = 36.0
NEAREST_AXIS_DEG: Final = 2.0
LOWEST_STEP: Final = 25.0
"""Difference of the two sides in the overview, of 255."""
WIDEST_SIDE: Final = 0.5
"""Range of a side, as a part of the step: beyond it something else reaches in."""
LARGEST_BEND_PX: Final = 0.7
ROUGHEST_SIDE: Final = 0.09
"""Standard deviation of a side, as a part of the step."""
_LENGTH_SHARES: Final = (1.0, 0.8, 0.6, 0.45, 0.3)
_HALF_WIDTHS_PX: Final = (64.0, 48.0, 36.0, 26.0, 18.0, 13.0)
_MOST_SEGMENTS: Final = 400


@dataclass(frozen=True, slots=True, kw_only=True)
class _Segment:
    """A straight piece in the overview: ends in overview pixels, (row, column)."""

    row: float
    col: float
    length: float
    angle_deg: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Candidate:
    box: Box
    score: float


def find_edges(overview: Grey, *, factor: int = 1, most: int = 12) -> list[Box]:
    """Best edges to measure in a picture: boxes in full-size pixels, best first, not overlapping; may be empty.

    The overview, shape (rows, cols), is the picture in grey, averaged by a whole `factor`.
    """
    segments = _segments(overview, factor)
    candidates = [best for segment in segments if (best := _region(overview, segment, factor)) is not None]
    candidates.sort(key=lambda candidate: -candidate.score)
    chosen: list[Box] = []
    for candidate in candidates:
        if len(chosen) == most:
            break
        if not any(_overlap(candidate.box, other) for other in chosen):
            chosen.append(candidate.box)
    return chosen


def _segments(overview: Grey, factor: int) -> list[_Segment]:
    """List straight pieces that are long enough and off the axes, longest first."""
    detector = cv2.createLineSegmentDetector(cv2.LSD_REFINE_STD)
    lines = detector.detect(np.ascontiguousarray(overview))[0]
    if lines is None:
        return []
    ends = np.asarray(lines, dtype=np.float64).reshape(-1, 4)
    d_col, d_row = ends[:, 2] - ends[:, 0], ends[:, 3] - ends[:, 1]
    length = np.hypot(d_row, d_col)
    angle = (np.degrees(np.arctan2(d_col, -d_row)) + 90.0) % 180.0 - 90.0
    off_axis = np.abs((angle + 45.0) % 90.0 - 45.0)
    good = (length * factor >= SHORTEST_PX) & (off_axis >= NEAREST_AXIS_DEG)
    order = np.flatnonzero(good)[np.argsort(-length[good])][:_MOST_SEGMENTS]
    return [
        _Segment(
            row=float(0.5 * (ends[i, 1] + ends[i, 3])),
            col=float(0.5 * (ends[i, 0] + ends[i, 2])),
            length=float(length[i]),
            angle_deg=float(angle[i]),
        )
        for i in order
    ]


def _region(overview: Grey, segment: _Segment, factor: int) -> _Candidate | None:
    """Choose the largest box about a segment's middle whose two sides are even."""
    best: _Candidate | None = None
    for share in _LENGTH_SHARES:
        for half_width_px in _HALF_WIDTHS_PX:
            candidate = _tried(
                overview, segment, 0.5 * share * segment.length, half_width_px / factor, factor
            )
            if candidate is not None and (best is None or candidate.score > best.score):
                best = candidate
    return best


def _tried(
    overview: Grey, segment: _Segment, half_length: float, half_width: float, factor: int
) -> _Candidate | None:
    angle = np.radians(segment.angle_deg)
    cosine, sine = abs(np.cos(angle)), abs(np.sin(angle))
    upright = cosine >= sine
    along = half_length * (cosine if upright else sine)
    across = along * (sine / cosine if upright else cosine / sine) + half_width
    half_rows, half_cols = (along, across) if upright else (across, along)
    top, left = int(np.ceil(segment.row - half_rows)), int(np.ceil(segment.col - half_cols))
    bottom, right = int(np.floor(segment.row + half_rows)), int(np.floor(segment.col + half_cols))
    if top < 1 or left < 1 or bottom > overview.shape[0] - 2 or right > overview.shape[1] - 2:
        return None
    height, width = bottom - top + 1, right - left + 1
    if height * factor < 16 or width * factor < 16 or 2.0 * half_length * factor < 24.0:
        return None
    patch = overview[top : bottom + 1, left : right + 1].astype(np.float64)
    step_over_noise = _evenness(patch, segment, (top, left), factor)
    if step_over_noise is None:
        return None
    box = Box(top=top * factor, left=left * factor, height=height * factor, width=width * factor)
    reach = min(half_width * factor, 32.0)
    return _Candidate(box=box, score=float(np.sqrt(2.0 * half_length * factor * reach) * step_over_noise))


def _evenness(patch: FloatArray, segment: _Segment, corner: tuple[int, int], factor: int) -> float | None:
    """Step in units of half the scale when both sides are even, else None."""
    angle = np.radians(segment.angle_deg)
    rows = np.arange(patch.shape[0])[:, None] + corner[0] - segment.row
    cols = np.arange(patch.shape[1])[None, :] + corner[1] - segment.col
    distance = cols * np.cos(angle) + rows * np.sin(angle)
    far = min(2.5, 0.4 * float(np.abs(distance).max()))
    right, wrong = patch[distance > far], patch[distance < -far]
    if right.size < 12 or wrong.size < 12:
        return None
    step = abs(float(right.mean() - wrong.mean()))
    if step < LOWEST_STEP or max(right.max(), wrong.max()) > 253.0:
        return None
    if max(float(right.std()), float(wrong.std())) > ROUGHEST_SIDE * step:
        return None
    if max(float(np.ptp(right)), float(np.ptp(wrong))) > WIDEST_SIDE * step:
        return None
    along = cols * np.sin(angle) - rows * np.cos(angle)
    share = (patch - min(right.mean(), wrong.mean())) / step
    if _bend(share, distance, along) * factor > LARGEST_BEND_PX:
        return None
    return step / 128.0


def _bend(share: FloatArray, distance: FloatArray, along: FloatArray) -> float:
    """How far the middle of the edge stands off the line through its two ends, in overview pixels.

    The edge's place in a stretch follows from the share of bright pixels in a band about the line.
    """
    half_band = 4.0
    band = np.abs(distance) < half_band
    reach = float(np.abs(along[band]).max(initial=0.0))
    stretch = np.clip(((along[band] / max(reach, 1e-9) + 1.0) * 2.5).astype(np.intp), 0, 4)
    number = np.bincount(stretch, minlength=5)
    if number.min() < 3:
        return 0.0
    place = 2.0 * half_band * np.bincount(stretch, share[band], 5) / number
    return float(abs(0.5 * (place[0] + place[4]) - (place[1] + place[2] + place[3]) / 3.0))


def _overlap(box: Box, other: Box) -> bool:
    rows = min(box.top + box.height, other.top + other.height) - max(box.top, other.top)
    cols = min(box.left + box.width, other.left + other.width) - max(box.left, other.left)
    return (
        rows > 0 and cols > 0 and rows * cols > 0.25 * min(box.height * box.width, other.height * other.width)
    )
