"""Reading the markers in a small grey picture.

OpenCV finds dark squares. The 7 x 7 modules of each are correlated with every code of ours, in four turns and as two
amounts of blur would leave it: that reads what hard thresholds cannot, and takes a twentieth of the time of OpenCV's
own search through its dictionary of 1000.
"""

from dataclasses import dataclass
from functools import lru_cache
from math import hypot
from typing import Final

import cv2
import numpy as np
import numpy.typing as npt

from lensbench.chart.find.crossing import ByteArray
from lensbench.chart.layout.parts import FIRST_FREE_ID, MODULES, dictionary, marker_modules
from lensbench.chart.layout.sheet import IntArray
from lensbench.model.units import FloatArray

_LOWEST_CORRELATION: Final = 0.8
_LOWEST_LEAD: Final = 0.04  # over the next best code
_BLURS_MODULES: Final = (0.2, 0.6)
_FINE: Final = 4  # points along a module, to blur codes and to read them


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
    ink = np.array([marker_modules(marker_id) for marker_id in range(FIRST_FREE_ID)])
    paper = np.pad(~ink, ((0, 0), (2, 2), (2, 2)), constant_values=True).astype(np.float32)
    fine = paper.repeat(_FINE, axis=1).repeat(_FINE, axis=2)
    codes = []
    for blur in _BLURS_MODULES:
        soft = np.array([cv2.GaussianBlur(image, (0, 0), _FINE * blur) for image in fine])
        cells = soft.reshape(FIRST_FREE_ID, MODULES + 4, _FINE, MODULES + 4, _FINE).mean(axis=(2, 4))
        upright = cells[:, 2:-2, 2:-2]
        # A square whose first corner is the marker's corner number k shows the code turned clockwise k times.
        codes.append([np.rot90(upright, -turn, axes=(1, 2)).reshape(-1, MODULES**2) for turn in range(4)])
    stacked = np.array(codes, dtype=np.float32)
    stacked -= stacked.mean(axis=-1, keepdims=True)
    stacked /= np.linalg.norm(stacked, axis=-1, keepdims=True)
    return stacked


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
