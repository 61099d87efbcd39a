"""One shot judged at the camera: usable or not, and what to do, in a photographer's words.

Whether it is usable, `sweep` decides (see `session`); here is said why, and what could be better. Sides and turns are
told as the camera was held. Limits are common practice, no source, unless one is named.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot, isfinite, log2, radians, tan
from pathlib import Path
from typing import Final

import numpy as np

from lensbench import optics
from lensbench.capture.framing import framing_faults, held, side_as_held, tilt_as_held
from lensbench.model.errors import FLAGS
from lensbench.model.measured import finite_median
from lensbench.model.setting import f_stop, focal_length, same_focal_length, shutter_speed
from lensbench.model.shot import Metadata, RejectedShot, ShotResult
from lensbench.model.units import FULL_FRAME_DIAGONAL_MM, FloatArray, nominal_f_number
from lensbench.shot import common_blur
from lensbench.storage.text import words_of
from lensbench.sweep import STOP_UNKNOWN

_PAPER_WHITE: Final = 0.65
_SHARE_OF_BOUND: Final = 0.45
_ALIKE: Final = 1.25  # largest over smallest zone figure of a picture that is soft all over
_ZONES: Final = ("inner", "middle", "outer")
_PHONE_CROP: Final = 3.5
"""Of full frame: sensors smaller than this belong to phones, and to cameras that process as they do."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What is said of one shot."""

    path: Path
    usable: bool  # `sweep` uses it
    lacks_stop: bool = False  # `sweep` uses it once a table names its stop
    settings: str  # «f/5.6, 50 mm, 1/30 s»; empty where the file says nothing
    repeat: tuple[str, ...] = ()  # why it must be repeated, or, of a usable one, better were: gravest first
    mind: tuple[str, ...] = ()  # what else could be better

    @property
    def line(self) -> str:
        """All of it on one line."""
        settings = f" ({self.settings})" if self.settings else ""
        better = "better repeat: " * (self.usable and bool(self.repeat))
        said = "; ".join((*self.repeat, *self.mind))
        word = "usable" if self.usable else "NO STOP" if self.lacks_stop else "REPEAT"
        return f"{word}  {self.path.name}{settings}" + (f": {better}{said}" if said else "")


def judge(
    result: ShotResult | RejectedShot,
    *,
    refused: str = "",
    earlier: Sequence[ShotResult] = (),
    off_focus: bool = False,
) -> Verdict:
    """What is said of a shot.

    `refused` says why `sweep` leaves it out; empty where it counts. It is compared with the session's `earlier` usable
    shots. The plan wants it `off_focus` as a step of a focus bracket.
    """
    if isinstance(result, RejectedShot):
        clipped = FLAGS["clipped"].meaning in result.reason
        reason = words_of("capture")["repeat"]["all_clipped"] if clipped else result.reason
        return Verdict(path=result.path, usable=False, settings="", repeat=(reason,))
    frame = framing_faults(result)
    repeat = _refused(result, refused, earlier, frame=bool(frame)) if refused else []
    repeat += frame
    flags = _flags(result)
    repeat += _tilt(result) if "tilted" in flags else []
    repeat += _shake(result) if "shake" in flags else []
    lacks_stop = refused == STOP_UNKNOWN
    alone = not any(_same_setting(other, result) for other in earlier)
    soft = alone and not (refused or off_focus or "shake" in flags) and _is_soft(result)
    return Verdict(
        path=result.path,
        usable=not refused,
        lacks_stop=lacks_stop,
        settings=_settings(result.metadata),
        repeat=tuple(repeat),
        mind=tuple([words_of("capture")["check"]["soft"]] * soft + _mind(result, earlier)),
    )


def _refused(shot: ShotResult, reason: str, earlier: Sequence[ShotResult], *, frame: bool) -> list[str]:
    """Why `sweep` leaves a measured shot out, as one says it beside the camera; a bad frame says why by itself."""
    words = words_of("capture")["repeat"]
    if reason == STOP_UNKNOWN:
        return [words["no_stop"]]
    if "white_clipped" in _flags(shot):
        return [words["clipped"]]
    if not reason.startswith(FLAGS["misfocus"].meaning):
        return [] if frame else [reason]
    if "shake" in _flags(shot):
        return []  # which is said, and what softened it
    like = [other for other in earlier if _same_setting(other, shot) and _frame_cypx(other) > 0.0]
    if not like:
        return [words["focus"]]
    best = max(like, key=_frame_cypx)
    softer = 100.0 * (1.0 - _frame_cypx(shot) / _frame_cypx(best))
    return [words["focus_than"].format(softer=softer, name=best.path.name)]


def _frame_cypx(shot: ShotResult) -> float:
    figure = shot.summary.get("frame")
    return float(np.nan_to_num(figure.mtf50_cypx)) if figure else 0.0


def _settings(metadata: Metadata) -> str:
    stop, length_mm, time_s = metadata.f_number, metadata.focal_length_mm, metadata.exposure_s
    parts = [] if stop is None else [f_stop(stop)]
    parts += [] if length_mm is None else [focal_length(length_mm)]
    return ", ".join(parts if time_s is None else [*parts, shutter_speed(time_s)])


def _flags(shot: ShotResult) -> set[str]:
    return {remark.flag for remark in shot.quality}


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


def _is_soft(shot: ShotResult) -> bool:
    """Whether it is soft at all positions alike, by focus or by the lens.

    Unknown without stop and pitch, and of what a phone made of its pixels.
    """
    figures, f_number, pitch_um = _zone_figures(shot), shot.metadata.f_number, shot.pixel_pitch_um
    if figures.size == 0 or f_number is None or pitch_um is None or _is_finished_by_phone(shot):
        return False
    q = optics.working_q(f_number, pixel_pitch_um=pitch_um, magnification=shot.magnification)
    allowed_cypx = optics.allowed_mtf50_cypx(q)
    return bool(figures.mean() < _SHARE_OF_BOUND * allowed_cypx and figures.max() < _ALIKE * figures.min())


def _zone_figures(shot: ShotResult) -> FloatArray:
    figures = [shot.summary[zone].mtf50_cypx for zone in _ZONES if zone in shot.summary]
    return np.array([figure for figure in figures if isfinite(figure)])


def _same_setting(shot: ShotResult, other: ShotResult) -> bool:
    first, second = shot.metadata, other.metadata
    if first.f_number is None or second.f_number is None:
        return False
    same_stop = nominal_f_number(first.f_number) == nominal_f_number(second.f_number)
    return same_stop and same_focal_length(first.focal_length_mm, second.focal_length_mm)


def _is_finished_by_phone(shot: ShotResult) -> bool:
    """Whether it is no raw file, and the sensor as small as a phone's by the 35-mm equivalent or the pitch."""
    told, pitch_um = shot.metadata, shot.pixel_pitch_um
    if shot.sensor_data:
        return False
    if told.focal_length_mm and told.focal_length_35mm_mm:
        return told.focal_length_35mm_mm > _PHONE_CROP * told.focal_length_mm
    if pitch_um is None:
        return False
    return hypot(*shot.size_px) * pitch_um / 1000.0 < FULL_FRAME_DIAGONAL_MM / _PHONE_CROP


def _mind(shot: ShotResult, earlier: Sequence[ShotResult]) -> list[str]:
    """What could be better without a repeat."""
    flags, words, said = _flags(shot), words_of("capture")["check"], []
    white = finite_median(edge.edge.bright_level for edge in shot.edges)
    if "underexposed" in flags and white > 0.0:
        more = thirds_in_words(log2(_PAPER_WHITE / white))
        said.append(f"dark, paper white at {100 * white:.0f} %: {more} more")
    flags -= {"not_sensor_data"} if "sharpened" in flags else set()
    phone = _is_finished_by_phone(shot)
    if phone:
        flags -= {"not_sensor_data", "sharpened"}
        said.append(words["phone"])
    snr = finite_median(edge.edge.snr for edge in shot.edges)
    darker = _darker_side(shot) if "uneven_light" in flags else ""
    figures = {"snr": snr, "darker": darker, "covered": shot.chart.framing_percent}
    said += [words[flag].format(**figures) for flag in words if flag in flags]
    isos = {other.metadata.iso for other in earlier} - {None}
    if isos and not phone and shot.metadata.iso not in (None, *isos):  # a phone chooses its own
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
