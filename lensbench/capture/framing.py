"""How the chart lies in the picture: which of its sides, pages or targets are cut off, as the camera was held.

A picture is measured as the sensor stores it; sides and turns are told as the camera was held, which EXIF's
orientation knows. Limits are common practice, no source, unless one is named.
"""

from collections import Counter
from collections.abc import Iterable, Sequence
from math import hypot, isfinite
from string import ascii_letters
from typing import Final

import numpy as np

from lensbench.chart.find import LARGEST_STRAY, agreed_affine, agreed_mapping
from lensbench.chart.layout import PLACES, sheet
from lensbench.model.errors import SettingError
from lensbench.model.shot import ChartEdge, Edge, ShotResult, Tilt
from lensbench.model.units import FloatArray
from lensbench.shot import zone_of

_OUT_OF_FRAME: Final = 0.03
"""Share of the picture's side that the chart's frame may reach out; distortion bends it by as much."""
_LOOSE: Final = 0.12  # share of the picture's side that may stay empty all round
SIDES: Final = ("left", "top", "right", "bottom")
"""Of the picture, clockwise."""
_QUARTERS: Final = {6: 1, 5: 1, 3: 2, 4: 2, 8: 3, 7: 3}
"""EXIF orientation to quarter turns of the camera, clockwise as seen from behind (EXIF 2.32, tag 274): 6 says that the
stored picture's first row is the scene's right side, so that the camera's top pointed to the right."""
_FEWEST: Final = 4
_HUNG_OFF: Final = 0.05
"""Share of the picture's long side that a page may lie off the planned place: hanging by hand (1 % of the wall, sd) and
the perspective of a camera that is not quite square."""
_LEAST_CROSSING: Final = 0.25
"""Smallest eigenvalue of the sum of n n^T over a target's unit normals n: 1 - |cos| of the angle between two lines, so
that two must cross by 41 degrees. One line, or several along one direction, give 0."""
_CORNER_PAGES: Final = (2, 3, 4, 5)
_CUT: Final = 0.02
"""Share of the picture's side: a page whose middle is nearer to the border shows too little of its target."""
_ARM_AT: Final = 0.5  # of a target's radius: how far from its middle the regions of its arms lie at the most
_MAY_BE_CUT: Final = 0.9
"""Of a target's radius that has to lie in the picture; where less does, its arms are shortened."""


def framing_faults(shot: ShotResult) -> list[str]:
    """What is wrong with the frame, and what to do; empty where the chart lies well in it."""

    def at(sides: Iterable[str]) -> str:
        return " and the ".join(side_as_held(side, held(shot)) for side in sides)

    said = ""
    if lost := lost_corners(shot):
        pages = "corner pages" if sum(lost.values()) > 1 else "a corner page"
        said = f"{pages} out of frame at the {at(lost)}: step back or re-aim"
    elif cut := cut_targets(shot):
        said = f"targets cut off at the {at(cut)}: step back or re-aim"
    elif (gaps := border_gaps(shot)) is None:
        empty = empty_sides(shot)
        said = f"nothing of the chart at the {at(empty)} of the frame: re-aim" if empty else ""
    elif out := [side for side in SIDES if gaps[side] < -_OUT_OF_FRAME]:
        said = f"chart cut off at the {at(out)}: step back or re-aim"
        if len(out) == len(SIDES):
            said = "the chart is larger than the frame: go further away"
    elif min(gaps.values()) > _LOOSE:
        share = 100.0 * (1.0 - gaps["left"] - gaps["right"])
        said = f"the chart fills {share:.0f} % of the frame's width only: go nearer"
    return [said] if said else []


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
    """(To the right, upward) in degrees in the room, from yaw and pitch about the camera's own axes.

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
    if kind != "sheet":
        return None
    try:
        layout = sheet(paper)
    except SettingError:
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
    frame_mm = layout.frame_mm(max(rows, cols) / min(rows, cols))
    corners = np.array([(down, right) for down in (-0.5, 0.5) for right in (-0.5, 0.5)])
    return _gaps(mapping.to_px(corners * frame_mm) / shot.size_px)


def _gaps(shares: FloatArray) -> dict[str, float]:
    """How far some points, shape (n, 2) in shares of the picture, stay within it at each side."""
    (top, left), (bottom, right) = shares.min(axis=0).tolist(), shares.max(axis=0).tolist()
    return {"left": left, "top": top, "right": 1.0 - right, "bottom": 1.0 - bottom}


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
    missing = [PLACES[number - 1].share for number in _CORNER_PAGES if number not in found]
    gaps = [_gaps(np.array([to_px @ (*share, 1.0)]) / shot.size_px) for share in missing]
    return Counter(side for gap in gaps for side in SIDES if gap[side] < _CUT)


def cut_targets(shot: ShotResult) -> list[str]:
    """Sides of the picture at which targets of a wall set are cut off: their arms are shortened, or not seen at all.

    How large a target is, the regions of all of them tell, which lie in the middle of the arms.
    """
    if not shot.chart.name.startswith("wall"):
        return []
    crossings = _crossings(shot.edges)
    away = [
        hypot(edge.center_px[0] - crossings[edge.target][0], edge.center_px[1] - crossings[edge.target][1])
        for edge in shot.edges
        if edge.target in crossings
    ]
    if not away:
        return []
    within = _MAY_BE_CUT * float(np.median(away)) / _ARM_AT / np.array(shot.size_px)
    gaps = [_gaps((np.array([crossing]) + 0.5) / shot.size_px) for crossing in crossings.values()]
    needs = {"left": within[1], "right": within[1], "top": within[0], "bottom": within[0]}
    return [side for side in SIDES if any(gap[side] < needs[side] for gap in gaps)]


def _page_number(name: str) -> int:
    digits = name.lstrip(f"{ascii_letters} ")
    return int(digits) if digits.isdigit() and 1 <= int(digits) <= len(PLACES) else 0


def _crossings(edges: Sequence[ChartEdge]) -> dict[str, tuple[float, float]]:
    """Where each target's two lines cross; a target with lines along one direction only is left out."""
    lines: dict[str, list[Edge]] = {}
    for edge in edges:
        if isfinite(edge.edge.point_px[0]):
            lines.setdefault(edge.target, []).append(edge.edge)
    found = {}
    for target, members in lines.items():
        angles = np.radians([edge.angle_deg for edge in members])
        normals = np.column_stack((np.sin(angles), np.cos(angles)))
        offsets_px = (normals * [edge.point_px for edge in members]).sum(axis=1)
        square = normals.T @ normals
        if np.linalg.eigvalsh(square)[0] > _LEAST_CROSSING:
            row, col = np.linalg.solve(square, normals.T @ offsets_px).tolist()
            found[target] = (row, col)
    return found


def empty_sides(shot: ShotResult) -> list[str]:
    """Picture's sides at whose outer zone no edge was found while the opposite side has some.

    An edge that could not be measured counts: it shows that the chart is there.
    """
    size_px = shot.size_px
    outer = [edge.center_px for edge in shot.edges if zone_of(edge.image_height, size_px) == "outer"]
    gaps = [_gaps(np.array([center_px]) / size_px) for center_px in outer]
    counts = {side: sum(gap[side] < 1.0 / 3.0 for gap in gaps) for side in SIDES}
    opposite = dict(zip(SIDES, SIDES[2:] + SIDES[:2], strict=True))
    return [side for side in SIDES if counts[side] == 0 and counts[opposite[side]] >= _FEWEST]
