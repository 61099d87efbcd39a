"""Which way the camera must go: framing, sides and turns as the photographer sees them behind the camera.

A picture is measured as the sensor stores it; sides and turns are told as the camera was held, which EXIF's
orientation knows.
"""

from collections.abc import Sequence
from math import cos, log, radians, sin
from typing import Final

import numpy as np

from lensbench.chart.find import LARGEST_STRAY, agreed_affine, agreed_mapping
from lensbench.chart.layout import PLACES, sheet
from lensbench.model.errors import SettingError
from lensbench.model.shot import ChartEdge, ShotResult, Tilt
from lensbench.shot import zone_of

Point = tuple[float, float]

SIDES: Final = ("left", "top", "right", "bottom")
"""Of the picture, clockwise."""
_QUARTERS: Final = {6: 1, 5: 1, 3: 2, 4: 2, 8: 3, 7: 3}
"""EXIF orientation to quarter turns of the camera, clockwise as seen from behind (EXIF 2.32, tag 274): 6 says that the
stored picture's first row is the scene's right side, so that the camera's top pointed to the right."""
_FEWEST: Final = 4
_HUNG_OFF: Final = 0.05
"""Share of the picture's long side that a page may lie off the planned place: hanging by hand (1 % of the wall, sd) and
the perspective of a camera that is not quite square. Common practice, no source."""
_LEAST_CROSSING: Final = 0.25
"""Smallest eigenvalue of the sum of n n^T over a target's unit normals n: 1 - |cos| of the angle between two lines, so
that two must cross by 41 degrees. One line, or several along one direction, give 0."""
_CORNER_PAGES: Final = (2, 3, 4, 5)
_CUT: Final = 0.02
"""Share of the picture's side: a page whose middle is nearer to the border shows too little of its target."""


def held(shot: ShotResult) -> int:
    """By how many quarter turns the camera was held clockwise, seen from behind; 0 where it is not told."""
    return _QUARTERS.get(shot.metadata.orientation, 0)


def side_as_held(side: str, quarters: int) -> str:
    """Room's side that a side of the stored picture shows.

    A camera held a quarter clockwise has its left side up: what the picture shows at the left is at the top.

    >>> side_as_held("left", 1), side_as_held("top", 1)
    ('top', 'right')
    """
    return SIDES[(SIDES.index(side) + quarters) % 4]


def tilt_as_held(tilt: Tilt, quarters: int) -> tuple[float, float]:
    """Give (to the right, upward) in degrees in the room, from yaw and pitch about the camera's own axes.

    Held a quarter clockwise, the camera's right points down and its top to the right.
    """
    right, up = tilt.yaw_deg, tilt.pitch_deg
    for _ in range(quarters):
        right, up = up, -right
    return right, up


def border_gaps(shot: ShotResult) -> dict[str, float] | None:
    """How far the chart's frame stays within the picture at each side, as a share of the picture's side.

    Negative where it reaches out of the picture. None for charts that are not one sheet, or with too few targets.
    """
    kind, _, paper = shot.chart.name.removesuffix(" mm").partition(" ")
    try:
        layout = sheet(paper) if kind == "sheet" else None
    except SettingError:
        layout = None
    if layout is None:
        return None
    crossings = _crossings(shot.edges)
    targets = [target for target in layout.targets if target.name in crossings]
    mapping = agreed_mapping(
        np.array([target.center_mm for target in targets]),
        np.array([crossings[target.name] for target in targets]),
        stray_mm=LARGEST_STRAY * min(target.radius_mm for target in layout.targets),
        size_px=shot.size_px,
    )
    if mapping is None:
        return None
    rows, cols = shot.size_px
    ratio = max(rows, cols) / min(rows, cols)
    frames_mm = [frame.size_mm for frame in layout.frames]
    frame_mm = min(frames_mm, key=lambda size: abs(log(size[1] / size[0] / ratio)))
    corners = [(down, right) for down in (-0.5, 0.5) for right in (-0.5, 0.5)]
    corners_px = mapping.to_px(np.array(corners) * np.array(frame_mm))
    return {
        "left": float(corners_px[:, 1].min()) / cols,
        "top": float(corners_px[:, 0].min()) / rows,
        "right": 1.0 - float(corners_px[:, 1].max()) / cols,
        "bottom": 1.0 - float(corners_px[:, 0].max()) / rows,
    }


def lost_corners(shot: ShotResult) -> dict[str, int]:
    """How many corner pages of a wall set lie out of the picture at each side of it; empty where none does.

    Where a page that was not found must be follows from the others: from the planned places to the picture by the
    affine map that most of them agree on. Pages that lie in the frame and were not found are another matter.
    """
    if not shot.chart.name.startswith("wall"):
        return {}
    crossings = _crossings(shot.edges)
    pages = {number: point for name, point in crossings.items() if (number := _page_number(name))}
    to_px = agreed_affine(
        np.array([PLACES[number - 1].share for number in pages], np.float64),
        np.array(list(pages.values())),
        stray_px=_HUNG_OFF * max(shot.size_px),
    )
    if to_px is None:
        return {}
    found = {_page_number(edge.target) for edge in shot.edges}
    lost: dict[str, int] = {}
    for number in _CORNER_PAGES:
        if number not in found:
            center_px = to_px @ np.array((*PLACES[number - 1].share, 1.0))
            row, col = center_px / np.array(shot.size_px)
            gaps = {"left": col, "top": row, "right": 1.0 - col, "bottom": 1.0 - row}
            for side in (side for side in SIDES if gaps[side] < _CUT):
                lost[side] = lost.get(side, 0) + 1
    return lost


def _page_number(name: str) -> int:
    digits = name.lstrip("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz ")
    return int(digits) if digits.isdigit() and 1 <= int(digits) <= len(PLACES) else 0


def _crossings(edges: Sequence[ChartEdge]) -> dict[str, Point]:
    """Where each target's two lines cross; a target with lines along one direction only is left out."""
    lines: dict[str, list[tuple[float, float, float]]] = {}
    for chart_edge in edges:
        edge = chart_edge.edge
        if np.isfinite(edge.point_px[0]):
            angle = radians(edge.angle_deg)
            down, right = sin(angle), cos(angle)
            offset_px = down * edge.point_px[0] + right * edge.point_px[1]
            lines.setdefault(chart_edge.target, []).append((down, right, offset_px))
    found = {}
    for target, members in lines.items():
        normals, offsets = np.array(members)[:, :2], np.array(members)[:, 2]
        square = normals.T @ normals
        if np.linalg.eigvalsh(square)[0] > _LEAST_CROSSING:
            row, col = np.linalg.solve(square, normals.T @ offsets).tolist()
            found[target] = (row, col)
    return found


def empty_sides(shot: ShotResult) -> list[str]:
    """Picture's sides at whose outer zone no edge was found while the opposite side has some.

    An edge that could not be measured counts: it shows that the chart is there.
    """
    rows, cols = shot.size_px
    outer = [edge for edge in shot.edges if zone_of(edge.image_height, shot.size_px) == "outer"]
    counts = {
        "left": sum(edge.center_px[1] < cols / 3.0 for edge in outer),
        "right": sum(edge.center_px[1] > 2.0 * cols / 3.0 for edge in outer),
        "top": sum(edge.center_px[0] < rows / 3.0 for edge in outer),
        "bottom": sum(edge.center_px[0] > 2.0 * rows / 3.0 for edge in outer),
    }
    opposite = {"left": "right", "right": "left", "top": "bottom", "bottom": "top"}
    return [side for side in SIDES if counts[side] == 0 and counts[opposite[side]] >= _FEWEST]
