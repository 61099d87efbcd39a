"""One shot judged at the camera: usable or not, and what to do, in a photographer's words."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import hypot, isfinite, log2, radians, tan
from pathlib import Path
from typing import Final

import numpy as np

from lensbench import optics
from lensbench.capture.framing import (
    SIDES,
    border_gaps,
    empty_sides,
    held,
    lost_corners,
    side_as_held,
    tilt_as_held,
)
from lensbench.capture.plan import in_thirds, thirds_in_words
from lensbench.model.flags import FLAGS
from lensbench.model.setting import f_stop, focal_length, shutter_speed
from lensbench.model.shot import Metadata, RejectedShot, ShotResult
from lensbench.model.units import FloatArray, nominal_f_number
from lensbench.shot import common_blur

_OUT_OF_FRAME: Final = 0.03
"""Share of the picture's side that the chart's frame may reach out; distortion bends it by as much."""
_LOOSE: Final = 0.12
"""Share of the picture's side that may stay empty all round."""
_PAPER_WHITE: Final = 0.65
_SOFTER_THAN_BEFORE: Final = 0.85
_SOFTER_IN_EVERY_ZONE: Final = 0.92
_SHARE_OF_BOUND: Final = 0.45
_ALIKE: Final = 1.25
"""Largest over smallest zone figure of a picture that is soft all over. These limits: common practice, no source."""
_LEAST_Q: Final = 0.05
"""Of a lens whose f-number or sensor is not known: hardly any diffraction."""
_ZONES: Final = ("inner", "middle", "outer")
_ALL_CLIPPED: Final = (
    "white is clipped throughout: a stop less (a stop more where the picture is black), then look again"
)


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
    """Say whether a shot is usable, and what to do.

    Parameters
    ----------
    earlier : sequence of ShotResult
        Usable shots of this session, for comparison with their like.
    off_focus : bool
        The plan wants this one out of focus, as a step of a focus bracket.
    """
    if isinstance(result, RejectedShot):
        clipped = FLAGS["clipped"].meaning in result.reason
        return Verdict(
            path=result.path, usable=False, settings="", does=(_ALL_CLIPPED if clipped else result.reason,)
        )
    grave = ["white is clipped: two thirds of a stop less"] if "white_clipped" in _flags(result) else []
    grave += [*_frame(result), *_tilt(result), *_shake(result)]
    if not off_focus:
        grave += _focus(result, earlier)
    return Verdict(
        path=result.path,
        usable=not grave,
        settings=_settings(result.metadata),
        does=(*grave, *_mind(result, earlier)),
    )


def _settings(metadata: Metadata) -> str:
    parts = []
    if metadata.f_number is not None:
        parts.append(f_stop(metadata.f_number))
    if metadata.focal_length_mm is not None:
        parts.append(focal_length(metadata.focal_length_mm))
    if metadata.exposure_s is not None:
        parts.append(shutter_speed(metadata.exposure_s))
    return ", ".join(parts)


def _flags(shot: ShotResult) -> set[str]:
    return {remark.flag for remark in shot.quality}


def _frame(shot: ShotResult) -> list[str]:
    def at(sides: Iterable[str]) -> str:
        return " and the ".join(side_as_held(side, held(shot)) for side in sides)

    if lost := lost_corners(shot):
        pages = "corner pages" if sum(lost.values()) > 1 else "a corner page"
        return [f"{pages} out of frame at the {at(lost)}"]
    gaps = border_gaps(shot)
    if gaps is None:
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
    """Say how to turn the camera, and where it must go then, for turned left its aim wanders left."""
    if "tilted" not in _flags(shot):
        return []
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
    if "shake" not in _flags(shot):
        return []
    blur = common_blur(shot.edges)
    time = f"{shutter_speed(shot.metadata.exposure_s)}: " if shot.metadata.exposure_s else ""
    if blur is None:
        return [f"{time}shake, use the timer"]
    # A quarter turn of the camera makes upright of level; it is a direction without a head, so that modulo 180 is all.
    direction = (blur.direction_deg - 90.0 * held(shot)) % 180.0
    word = "vertical" if 60.0 <= direction <= 120.0 else "slanting"
    word = "sideways" if direction < 30.0 or direction > 150.0 else word
    return [f"{time}{word} shake, use the timer, and the stabiliser off"]


def _focus(shot: ShotResult, earlier: Sequence[ShotResult]) -> list[str]:
    """Tell a shot that is soft at all positions alike; one picture cannot tell before from behind."""
    if "shake" in _flags(shot):
        return []
    figures = _zone_figures(shot)
    if figures.size == 0:
        return []
    like = [other for other in earlier if _same_setting(other, shot)]
    if like:
        best = max(like, key=lambda other: np.nan_to_num(other.summary["frame"].mtf50_cypx))
        ratios = figures / _zone_figures(best) if _zone_figures(best).size == figures.size else np.ones(1)
        if ratios.mean() < _SOFTER_THAN_BEFORE and ratios.max() < _SOFTER_IN_EVERY_ZONE:
            softer = 100.0 * (1.0 - float(ratios.mean()))
            return [f"out of focus: {softer:.0f} % softer all over than {best.path.name}: refocus"]
        return []
    if figures.mean() < _SHARE_OF_BOUND * _bound_cypx(shot) and figures.max() < _ALIKE * figures.min():
        return ["out of focus at all positions alike: refocus"]
    return []


def _zone_figures(shot: ShotResult) -> FloatArray:
    figures = [shot.summary[zone].mtf50_cypx for zone in _ZONES if zone in shot.summary]
    return np.array([figure for figure in figures if isfinite(figure)])


def _same_setting(shot: ShotResult, other: ShotResult) -> bool:
    first, second = shot.metadata, other.metadata
    if first.f_number is None or second.f_number is None:
        return False
    lengths = (first.focal_length_mm or 0.0, second.focal_length_mm or 0.0)
    return nominal_f_number(first.f_number) == nominal_f_number(second.f_number) and abs(
        lengths[0] - lengths[1]
    ) <= 0.03 * max(lengths)


def _bound_cypx(shot: ShotResult) -> float:
    """MTF50 of a perfect lens on this sensor: diffraction, where it is known, times the pixel."""
    f_number, pitch_um = shot.metadata.f_number, shot.pixel_pitch_um
    if f_number is None or pitch_um is None:
        return optics.allowed_mtf50_cypx(_LEAST_Q)
    q = optics.working_q(f_number, pixel_pitch_um=pitch_um, magnification=shot.magnification)
    return optics.allowed_mtf50_cypx(q)


def _mind(shot: ShotResult, earlier: Sequence[ShotResult]) -> list[str]:
    """Say what could be better without a repeat."""
    flags, said = _flags(shot), []
    white = _median([edge.edge.bright_level for edge in shot.edges])
    if "underexposed" in flags and white > 0.0:
        more = thirds_in_words(in_thirds(log2(_PAPER_WHITE / white)))
        said.append(f"dark, paper white at {100 * white:.0f} %: {more} more")
    if "low_snr" in flags:
        said.append(
            f"noisy (SNR {_median([edge.edge.snr for edge in shot.edges]):.0f}): base ISO and more light"
        )
    if "uneven_light" in flags:
        said.append(f"light is weaker at the {_darker_side(shot)}: lamps from both sides at 45 degrees")
    if "sharpened" in flags:
        said.append("sharpened in the camera: shoot raw")
    elif "not_sensor_data" in flags:
        said.append("a finished picture: shoot raw")
    if "screened_print" in flags:
        said.append("the print shows dots: print it solid black")
    if "f_number_unknown" in flags:
        said.append("the file names no f-number: note it in the shots table")
    isos = {other.metadata.iso for other in earlier} - {None}
    if isos and shot.metadata.iso not in (None, *isos):
        said.append(f"ISO {shot.metadata.iso}, earlier {min(iso for iso in isos if iso)}: keep one ISO")
    return said


def _median(figures: Sequence[float]) -> float:
    finite = [figure for figure in figures if isfinite(figure)]
    return float(np.median(finite)) if finite else float("nan")


def _darker_side(shot: ShotResult) -> str:
    """Side towards which the paper darkens, from a plane beside an even power for vignetting."""
    lit = [edge for edge in shot.edges if isfinite(edge.edge.bright_level)]
    rows, cols = shot.size_px
    down = np.array([edge.center_px[0] / rows - 0.5 for edge in lit])
    right = np.array([edge.center_px[1] / cols - 0.5 for edge in lit])
    height2 = np.array([edge.image_height**2 for edge in lit])
    design = np.column_stack((np.ones_like(down), down, right, height2, height2**2))
    fit = np.linalg.lstsq(design, np.array([edge.edge.bright_level for edge in lit]), rcond=None)[0]
    upright = abs(fit[1]) > abs(fit[2])
    towards, away = ("bottom", "top") if upright else ("right", "left")
    return side_as_held(towards if fit[1 if upright else 2] < 0.0 else away, held(shot))
