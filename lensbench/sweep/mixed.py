"""What makes a shoot mixed: photographs of one lens that were not taken alike, and so do not compare as they stand.

Figures and limits, no words. Two charts or distances at one setting, raw files beside finished pictures, unlike ISO,
size and light; sharpened pictures; a camera that stood askew; a stop of which a third of the picture has no figure.
"""

from collections import defaultdict
from collections.abc import Sequence
from math import hypot, isfinite, log2
from typing import TYPE_CHECKING, Final

import numpy as np

from lensbench.model.errors import Note
from lensbench.model.shot import ZONES, ShotResult
from lensbench.model.sweep import Observed, SeriesRemark, SweepShot

if TYPE_CHECKING:
    from lensbench.model.setting import Setting

SCALE_LIMIT: Final = 0.05
"""Magnifications further apart are two distances; a focus bracket moves them less. Common practice, no source."""
LIGHT_LIMIT_STOPS: Final = 1.0  # from the brightest to the darkest paper. Common practice, no source.
_MIDDLE: Final = 0.5  # image height within which vignetting leaves the paper's level alone
_MOST_SIZES: Final = 3


def mixed_remarks(counted: Sequence[SweepShot], shots: Sequence[SweepShot] = ()) -> list[SeriesRemark]:
    """What changes between the shots of one lens, in one remark; how the camera stood; stops without a whole frame.

    `counted` are the shots that count, `shots` all of the lens.
    """
    observed = {
        "mixed_settings": [*_two_set_ups(counted), *_unlike(counted)],
        "sharpened": _sharpened(counted),
        "tilted": _askew(counted),
        "few_targets": _frameless(shots),
    }
    return [SeriesRemark(flag=flag, observations=tuple(notes)) for flag, notes in observed.items() if notes]


def raw_and_finished(counted: Sequence[SweepShot]) -> tuple[float, float] | None:
    """How many raw files and how many finished pictures count; None where all are of one kind."""
    raw = sum(shot.measured.sensor_data for shot in counted)
    return (float(raw), float(len(counted) - raw)) if 0 < raw < len(counted) else None


def _two_set_ups(counted: Sequence[SweepShot]) -> list[Note]:
    """The first setting that was photographed with two charts, or from two distances."""
    by_setting: dict[Setting, list[ShotResult]] = defaultdict(list)
    for shot in counted:
        by_setting[shot.planned.setting].append(shot.measured)
    for setting, results in by_setting.items():
        if len(charts := sorted({result.chart.name for result in results})) > 1:
            return [Note(Observed.CHARTS, (setting.f_number,), tuple(charts))]
    for setting, results in by_setting.items():
        sizes = [result.magnification for result in results if result.magnification]
        if sizes and max(sizes) / min(sizes) - 1.0 > SCALE_LIMIT:
            return [Note(Observed.DISTANCES, (setting.f_number, max(sizes), min(sizes)), limit=SCALE_LIMIT)]
    return []


def _unlike(shots: Sequence[SweepShot]) -> list[Note]:
    """Each thing that changes between the shots."""
    results = [shot.measured for shot in shots]
    changes: list[Note] = []
    isos = sorted({shot.planned.metadata.iso for shot in shots if shot.planned.metadata.iso})
    if len(isos) > 1:
        changes.append(Note(Observed.ISO, (isos[0], isos[-1])))
    if kinds := raw_and_finished(shots):
        changes.append(Note(Observed.FILE_KIND, kinds))
    sizes = sorted({result.size_px for result in results})
    if len(sizes) > 1:
        sides = tuple(side for size in sizes[:_MOST_SIZES] for side in size)
        changes.append(Note(Observed.PICTURE_SIZE, sides))
    levels = [level for result in results if (level := _paper(result)) > 0.0]
    stops = log2(max(levels) / min(levels)) if levels else 0.0
    if stops > LIGHT_LIMIT_STOPS:
        changes.append(Note(Observed.LIGHT, (stops,), limit=LIGHT_LIMIT_STOPS))
    return changes


def _sharpened(counted: Sequence[SweepShot]) -> list[Note]:
    """How many of the pictures were sharpened."""
    sharpened = sum(bears("sharpened", shot.measured) for shot in counted)
    return [Note(Observed.SHARPENED, (sharpened, len(counted)))] if sharpened else []


def bears(flag: str, result: ShotResult) -> bool:
    """Whether a photograph bears a remark."""
    return any(remark.flag == flag for remark in result.quality)


def _paper(result: ShotResult) -> float:
    """Level of the paper in the middle of a picture; NaN where no edge tells it."""
    levels = [
        edge.edge.bright_level
        for edge in result.edges
        if edge.image_height < _MIDDLE and isfinite(edge.edge.bright_level)
    ]
    return float(np.median(levels)) if levels else float("nan")


def _askew(counted: Sequence[SweepShot]) -> list[Note]:
    """In how many photographs the camera stood further askew than their corners bear, and the most."""
    tilts = [shot.measured.tilt for shot in counted if bears("tilted", shot.measured)]
    most_deg = max((hypot(tilt.yaw_deg, tilt.pitch_deg) for tilt in tilts), default=0.0)
    return [Note(Observed.ASKEW, (len(tilts), len(counted), most_deg))] if tilts else []


def _frameless(shots: Sequence[SweepShot]) -> list[Note]:
    """Stops of which no shot has a figure in each third, and the thirds that lack one; no stop without any figure."""
    by_setting: dict[Setting, list[SweepShot]] = defaultdict(list)
    for shot in shots:
        if isinstance(shot.result, ShotResult):
            by_setting[shot.planned.setting].append(shot)
    notes = []
    for setting, members in by_setting.items():
        seen = {zone for zone in ZONES for shot in members if isfinite(shot.log_mtf50(zone))}
        if seen and "frame" not in seen and not any(shot.used for shot in members):
            missing = tuple(zone for zone in ZONES[:-1] if zone not in seen)
            notes.append(Note(Observed.FRAMELESS, (setting.f_number,), missing))
    return notes
