"""One shot judged at the camera: usable or not, and what to do, in a photographer's words.

A picture is measured as the sensor stores it; sides and turns are told as the camera was held, which EXIF's
orientation knows. Limits are common practice, no source, unless one is named.
"""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import hypot, isfinite, log, log2, radians, tan
from pathlib import Path
from string import ascii_letters
from typing import Final

import numpy as np

from lensbench import optics
from lensbench.chart.find import LARGEST_STRAY, agreed_affine, agreed_mapping
from lensbench.chart.layout import PLACES, sheet
from lensbench.model.errors import FLAGS, SettingError
from lensbench.model.setting import f_stop, focal_length, same_focal_length, shutter_speed
from lensbench.model.shot import ChartEdge, Edge, Metadata, RejectedShot, ShotResult, Tilt
from lensbench.model.units import FloatArray, nominal_f_number
from lensbench.shot import common_blur, zone_of
from lensbench.storage.text import words_of

_OUT_OF_FRAME: Final = 0.03
"""Share of the picture's side that the chart's frame may reach out; distortion bends it by as much."""
_LOOSE: Final = 0.12
"""Share of the picture's side that may stay empty all round."""
_PAPER_WHITE: Final = 0.65
_SOFTER_THAN_BEFORE: Final = 0.85
_SOFTER_IN_EVERY_ZONE: Final = 0.92
_SHARE_OF_BOUND: Final = 0.45
_ALIKE: Final = 1.25
"""Largest over smallest zone figure of a picture that is soft all over."""
_LEAST_Q: Final = 0.05
"""Of a lens whose f-number or sensor is not known: hardly any diffraction."""
_ZONES: Final = ("inner", "middle", "outer")
_ALL_CLIPPED: Final = (
    "white is clipped throughout: a stop less (a stop more where the picture is black), then look again"
)
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What is said of one shot."""

    path: Path
    usable: bool
    settings: str
    """«f/5.6, 50 mm, 1/30 s»; empty where the file says nothing."""
    does: tuple[str, ...]
    """What to do, gravest first; of a usable shot, what could be better."""

    @property
    def line(self) -> str:
        """All of it on one line."""
        settings = f" ({self.settings})" if self.settings else ""
        word = "usable" if self.usable else "REPEAT"
        return f"{word}  {self.path.name}{settings}" + (f": {'; '.join(self.does)}" if self.does else "")


def judge(
    result: ShotResult | RejectedShot, *, earlier: Sequence[ShotResult] = (), off_focus: bool = False
) -> Verdict:
    """Whether a shot is usable, and what to do.

    It is compared with its like among the `earlier` usable shots of the session. `off_focus`: the plan wants it out of
    focus, as a step of a focus bracket.
    """
    if isinstance(result, RejectedShot):
        reason = _ALL_CLIPPED if FLAGS["clipped"].meaning in result.reason else result.reason
        return Verdict(path=result.path, usable=False, settings="", does=(reason,))
    flags = _flags(result)
    grave = ["white is clipped: two thirds of a stop less"] if "white_clipped" in flags else []
    grave += _frame(result)
    grave += _tilt(result) if "tilted" in flags else []
    if "shake" in flags:
        grave += _shake(result)
    elif not off_focus:
        grave += _focus(result, earlier)
    return Verdict(
        path=result.path,
        usable=not grave,
        settings=_settings(result.metadata),
        does=(*grave, *_mind(result, earlier)),
    )


def _settings(metadata: Metadata) -> str:
    stop, length_mm, time_s = metadata.f_number, metadata.focal_length_mm, metadata.exposure_s
    parts = [] if stop is None else [f_stop(stop)]
    parts += [] if length_mm is None else [focal_length(length_mm)]
    return ", ".join(parts if time_s is None else [*parts, shutter_speed(time_s)])


def _flags(shot: ShotResult) -> set[str]:
    return {remark.flag for remark in shot.quality}


def _frame(shot: ShotResult) -> list[str]:
    def at(sides: Iterable[str]) -> str:
        return " and the ".join(side_as_held(side, held(shot)) for side in sides)

    if lost := lost_corners(shot):
        pages = "corner pages" if sum(lost.values()) > 1 else "a corner page"
        return [f"{pages} out of frame at the {at(lost)}"]
    if (gaps := border_gaps(shot)) is None:
        empty = empty_sides(shot)
        return [f"nothing of the chart at the {at(empty)} of the frame"] if empty else []
    out = [side for side in SIDES if gaps[side] < -_OUT_OF_FRAME]
    if len(out) == len(SIDES):
        return ["the chart is larger than the frame: go further away"]
    if out:
        return [f"chart out of frame at the {at(out)}"]
    if min(gaps.values()) > _LOOSE:
        share = 100.0 * (1.0 - gaps["left"] - gaps["right"])
        return [f"the chart fills {share:.0f} % of the frame's width only: go nearer"]
    return []


def _tilt(shot: ShotResult) -> list[str]:
    """How to turn the camera, and where it must go then, for turned left its aim wanders left."""
    right_deg, up_deg = tilt_as_held(shot.tilt, held(shot))
    said = []
    for angle_deg, positive, negative in ((right_deg, "to the right", "to the left"), (up_deg, "up", "down")):
        if abs(angle_deg) <= 0.4 * hypot(right_deg, up_deg):
            continue
        turned, undoing = (positive, negative) if angle_deg > 0.0 else (negative, positive)
        shift_cm = (shot.distance_mm or 0.0) * tan(radians(abs(angle_deg))) / 10.0
        move = f" and move it {shift_cm:.0f} cm {turned}" if shift_cm >= 1.0 else ""
        said.append(f"turn the camera {abs(angle_deg):.1f} degrees {undoing}{move}")
    return [", and ".join(said)] if said else []


def _shake(shot: ShotResult) -> list[str]:
    time = f"{shutter_speed(shot.metadata.exposure_s)}: " if shot.metadata.exposure_s else ""
    if (blur := common_blur(shot.edges)) is None:
        return [f"{time}shake, use the timer"]
    # A quarter turn of the camera makes upright of level; it is a direction without a head, so that modulo 180 is all.
    direction = (blur.direction_deg - 90.0 * held(shot)) % 180.0
    word = "vertical" if 60.0 <= direction <= 120.0 else "slanting"
    word = "sideways" if direction < 30.0 or direction > 150.0 else word
    return [f"{time}{word} shake, use the timer, and the stabiliser off"]


def _focus(shot: ShotResult, earlier: Sequence[ShotResult]) -> list[str]:
    """Whether it is soft at all positions alike; one picture cannot tell before from behind."""
    figures = _zone_figures(shot)
    if figures.size == 0:
        return []
    like = [other for other in earlier if _same_setting(other, shot)]
    if not like:
        soft = figures.mean() < _SHARE_OF_BOUND * _bound_cypx(shot) and figures.max() < _ALIKE * figures.min()
        return ["out of focus at all positions alike: refocus"] if soft else []
    best = max(like, key=lambda other: np.nan_to_num(other.summary["frame"].mtf50_cypx))
    ratios = figures / _zone_figures(best) if _zone_figures(best).size == figures.size else np.ones(1)
    if ratios.mean() >= _SOFTER_THAN_BEFORE or ratios.max() >= _SOFTER_IN_EVERY_ZONE:
        return []
    softer = 100.0 * (1.0 - float(ratios.mean()))
    return [f"out of focus: {softer:.0f} % softer all over than {best.path.name}: refocus"]


def _zone_figures(shot: ShotResult) -> FloatArray:
    figures = [shot.summary[zone].mtf50_cypx for zone in _ZONES if zone in shot.summary]
    return np.array([figure for figure in figures if isfinite(figure)])


def _same_setting(shot: ShotResult, other: ShotResult) -> bool:
    first, second = shot.metadata, other.metadata
    if first.f_number is None or second.f_number is None:
        return False
    same_stop = nominal_f_number(first.f_number) == nominal_f_number(second.f_number)
    return same_stop and same_focal_length(first.focal_length_mm, second.focal_length_mm)


def _bound_cypx(shot: ShotResult) -> float:
    """MTF50 of a perfect lens on this sensor: diffraction, where it is known, times the pixel."""
    f_number, pitch_um, q = shot.metadata.f_number, shot.pixel_pitch_um, _LEAST_Q
    if f_number is not None and pitch_um is not None:
        q = optics.working_q(f_number, pixel_pitch_um=pitch_um, magnification=shot.magnification)
    return optics.allowed_mtf50_cypx(q)


def _mind(shot: ShotResult, earlier: Sequence[ShotResult]) -> list[str]:
    """What could be better without a repeat."""
    flags, words, said = _flags(shot), words_of("capture")["check"], []
    white = _median([edge.edge.bright_level for edge in shot.edges])
    if "underexposed" in flags and white > 0.0:
        more = thirds_in_words(log2(_PAPER_WHITE / white))
        said.append(f"dark, paper white at {100 * white:.0f} %: {more} more")
    flags -= {"not_sensor_data"} if "sharpened" in flags else set()
    snr = _median([edge.edge.snr for edge in shot.edges])
    darker = _darker_side(shot) if "uneven_light" in flags else ""
    figures = {"snr": snr, "darker": darker, "covered": shot.chart.framing_percent}
    said += [words[flag].format(**figures) for flag in words if flag in flags]
    isos = {other.metadata.iso for other in earlier} - {None}
    if isos and shot.metadata.iso not in (None, *isos):
        said.append(f"ISO {shot.metadata.iso}, earlier {min(iso for iso in isos if iso)}: keep one ISO")
    return said


def thirds_in_words(stops: float) -> str:
    """A number of stops in the nearest thirds, as cameras are set and photographers say it; never none.

    >>> thirds_in_words(-0.7), thirds_in_words(1.1), thirds_in_words(2.3)
    ('two thirds of a stop', 'one stop', '2 1/3 stops')
    """
    whole, rest = divmod(max(1, round(3.0 * abs(stops))), 3)
    if whole == 0:
        return ("", "a third of a stop", "two thirds of a stop")[rest]
    if rest == 0:
        return "one stop" if whole == 1 else f"{whole} stops"
    return f"{whole} {rest}/3 stops"


def _median(figures: Sequence[float]) -> float:
    finite = [figure for figure in figures if isfinite(figure)]
    return float(np.median(finite)) if finite else float("nan")


def _darker_side(shot: ShotResult) -> str:
    """Side towards which the paper darkens, from a plane beside an even power for vignetting."""
    lit = [edge for edge in shot.edges if isfinite(edge.edge.bright_level)]
    shares = np.array([edge.center_px for edge in lit]) / shot.size_px - 0.5
    height2 = np.array([edge.image_height**2 for edge in lit])
    design = np.column_stack((shares, np.ones_like(height2), height2, height2**2))
    levels = np.array([edge.edge.bright_level for edge in lit])
    down, right = np.linalg.lstsq(design, levels, rcond=None)[0][:2]
    upright = abs(down) > abs(right)
    towards, away = ("bottom", "top") if upright else ("right", "left")
    return side_as_held(towards if (down if upright else right) < 0.0 else away, held(shot))


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
    ratio = max(rows, cols) / min(rows, cols)
    frames_mm = [frame.size_mm for frame in layout.frames]
    frame_mm = min(frames_mm, key=lambda size: abs(log(size[1] / size[0] / ratio)))
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
