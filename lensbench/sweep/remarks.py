"""What a whole series is remarked on, and what keeps a winner from being claimed: figures and limits, no words.

- Settings that were not the same through a series, so that its photographs do not compare fairly.
- A print that blurs, as the whole series shows it: no edge anywhere, at any stop, is sharper than it. Diffraction and
  the pixel are known; what an edge's blur holds beyond them is the lens, the focus and the print. The lens differs
  from place to place and from stop to stop, the print's share is the same in all. So the least blur of all edges of
  all photographs is the most that the print can have done. Where this is far more than a home printer does, and is
  alike over the sharpest picture, the print is suspect.
- Focus brackets whose peak they do not enclose, and drift.
"""

from collections.abc import Sequence
from math import isfinite, log2
from typing import Final

import numpy as np

from lensbench import optics
from lensbench.focus import brackets_among
from lensbench.model.flags import Note
from lensbench.model.shot import ShotResult
from lensbench.model.sweep import Observed, SeriesRemark, SweepShot, Unclaimed
from lensbench.model.units import FloatArray
from lensbench.stats import Spread
from lensbench.sweep.countable import bracket_peak
from lensbench.sweep.drift import drift_remarks
from lensbench.sweep.series import FocalShots

MAGNIFICATION_LIMIT: Final = 0.05
"""Focal lengths shot at magnifications further apart than this see different shares of the print's blur."""
LIGHT_LIMIT_STOPS: Final = 1.0
"""Between the brightest and the darkest paper in the middle of the pictures. Common practice, no source."""
RISE_LIMIT_MM: Final = 0.2
"""10-90 % rise on the chart: twice a home printer's; common practice, no source."""
SIGMA_LIMIT_PX: Final = 0.5
"""Below it the sensor's own filter may do as much; common practice, no source."""
ALIKE_LIMIT: Final = 0.25
"""Spread of the blur over the sharpest picture, 10th to 90th percentile over the median."""
_MIDDLE: Final = 0.5
"""Image height within which vignetting leaves the paper's level alone."""
_MOST_SIZES: Final = 3
_LEAST_SHARE: Final = 10.0
_FEWEST_EDGES: Final = 20


def reservations(spread: Spread, focals: Sequence[FocalShots] = ()) -> tuple[Note, ...]:
    """Why no winner is claimed among focal lengths that compete; empty where one is.

    One shot a setting, without focus brackets; or focal lengths seen at different magnifications, unless the print
    was divided out.
    """
    reasons = []
    if not spread.repeated:
        reasons.append(Note(Unclaimed.FEW_SHOTS, names=(spread.source,)))
    if len(focals) > 1 and not all(_print_divided(shot) for focal in focals for shot in focal.members):
        sizes = [focal.magnification for focal in focals]
        if not np.all(np.isfinite(sizes)):
            reasons.append(Note(Unclaimed.MAGNIFICATION_UNKNOWN))
        elif max(sizes) / min(sizes) - 1.0 > MAGNIFICATION_LIMIT:
            reasons.append(Note(Unclaimed.MAGNIFICATION_DIFFERS, (min(sizes), max(sizes))))
    return tuple(reasons)


def remarks(
    focals: Sequence[FocalShots], spread: Spread, *, shots: Sequence[SweepShot] = ()
) -> tuple[SeriesRemark, ...]:
    """Remarks on a whole series; `shots` are all of the lens, the rejected ones included."""
    few = [] if spread.repeated else [SeriesRemark(flag="few_shots")]
    counted = [shot for focal in focals for shot in focal.members]
    return (
        *few,
        *_open_brackets(focals),
        *mixed_remarks(counted),
        *print_remarks(counted),
        *drift_remarks(shots),
    )


def _print_divided(shot: SweepShot) -> bool:
    return isinstance(shot.result, ShotResult) and any(
        remark.flag == "print_divided" for remark in shot.result.quality
    )


def _open_brackets(focals: Sequence[FocalShots]) -> list[SeriesRemark]:
    """Focus brackets whose peak they do not enclose, or that cannot show one: all in one remark."""
    observations = []
    for focal in focals:
        for bracket in brackets_among(focal.members):
            match (peak := bracket_peak(bracket, "frame")).verdict:
                case "beyond":
                    what = Observed.BRACKET_END
                case "short":
                    what = Observed.BRACKET_FLAT
                case _:
                    continue
            observations.append(
                Note(what, (bracket.plan.setting.f_number, peak.best_step), (bracket.plan.focus_group,))
            )
    return [SeriesRemark(flag="bracket_open", observations=tuple(observations))] if observations else []


def mixed_remarks(shots: Sequence[SweepShot]) -> list[SeriesRemark]:
    """Each thing that changes between the shots of one lens: all in one remark."""
    results = [shot.result for shot in shots if isinstance(shot.result, ShotResult)]
    changes = (*_isos(shots), *_files(results), *_light(results))
    return [SeriesRemark(flag="mixed_settings", observations=changes)] if changes else []


def _isos(shots: Sequence[SweepShot]) -> list[Note]:
    isos = sorted({shot.planned.metadata.iso for shot in shots if shot.planned.metadata.iso})
    return [Note(Observed.ISO, (isos[0], isos[-1]))] if len(isos) > 1 else []


def _files(results: Sequence[ShotResult]) -> list[Note]:
    changes, count = [], len(results)
    raw = sum(result.sensor_data for result in results)
    if 0 < raw < count:
        changes.append(Note(Observed.FILE_KIND, (raw, count - raw)))
    sizes = sorted({result.size_px for result in results})
    if len(sizes) > 1:
        sides = tuple(side for size in sizes[:_MOST_SIZES] for side in size)
        changes.append(Note(Observed.PICTURE_SIZE, sides))
    sharpened = sum(any(remark.flag == "sharpened" for remark in result.quality) for result in results)
    if 0 < sharpened < count:
        changes.append(Note(Observed.SHARPENED, (sharpened, count)))
    return changes


def _light(results: Sequence[ShotResult]) -> list[Note]:
    """By how much the paper in the middle of the pictures is brighter in some than in others."""
    levels = [level for result in results if isfinite(level := _paper(result)) and level > 0.0]
    stops = log2(max(levels) / min(levels)) if levels else 0.0
    if stops <= LIGHT_LIMIT_STOPS:
        return []
    return [Note(Observed.LIGHT, (stops,), limit=LIGHT_LIMIT_STOPS)]


def _paper(result: ShotResult) -> float:
    levels = [
        edge.edge.bright_level
        for edge in result.edges
        if edge.image_height < _MIDDLE and isfinite(edge.edge.bright_level)
    ]
    return float(np.median(levels)) if levels else float("nan")


def print_remarks(shots: Sequence[SweepShot]) -> list[SeriesRemark]:
    """Whether every edge of every shot is as blurred as by a poor print.

    Shots whose print was divided out say nothing here; nor do those without f-number, scale or pixel pitch.
    """
    blurs = [
        (blur, 1000.0 * result.magnification / result.pixel_pitch_um)
        for shot in shots
        if isinstance(result := shot.result, ShotResult) and result.magnification and result.pixel_pitch_um
        if (blur := _blur_px(result)).size >= _FEWEST_EDGES
    ]
    if not blurs:
        return []
    blur, px_per_mm = min(blurs, key=lambda pair: float(np.median(pair[0])) / pair[1])
    least_px, most_px = (float(np.percentile(blur, at)) for at in (_LEAST_SHARE, 100.0 - _LEAST_SHARE))
    rise_mm = optics.RISE_10_90_SIGMAS * least_px / px_per_mm
    if rise_mm < RISE_LIMIT_MM or least_px < SIGMA_LIMIT_PX:
        return []
    if most_px - least_px > ALIKE_LIMIT * float(np.median(blur)):
        return []
    rise = Note(Observed.PRINT_RISE, (rise_mm, least_px, float(len(blurs))), limit=RISE_LIMIT_MM)
    return [SeriesRemark(flag="print_blurred", observations=(rise,))]


def _blur_px(result: ShotResult) -> FloatArray:
    """Give each edge's blur beyond diffraction and pixel, as a Gaussian's sigma; none where nothing is known."""
    f_number, pitch_um = result.metadata.f_number, result.pixel_pitch_um
    if f_number is None or pitch_um is None or any(one.flag == "print_divided" for one in result.quality):
        return np.empty(0)
    q = optics.working_q(f_number, pixel_pitch_um=pitch_um, magnification=result.magnification)
    edges = [edge.edge for edge in result.edges if edge.edge.measured]
    lenses = [optics.LensBlur.in_focus(edge.mtf50_cypx, q, angle_deg=edge.angle_deg) for edge in edges]
    return np.sqrt(np.maximum([lens.variance_px2 for lens in lenses], 0.0))
