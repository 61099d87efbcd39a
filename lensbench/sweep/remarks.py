"""What a whole series is remarked on, and what keeps a winner from being claimed: figures and limits, no words.

- A print that blurs, as the whole series shows it: no edge anywhere, at any stop, is sharper than it. Diffraction and
  the pixel are known; what an edge's blur holds beyond them is the lens, the focus and the print. The lens differs
  from place to place and from stop to stop, the print's share is the same in all. So the least blur of all edges of
  all photographs is the most that the print can have done. Where this is far more than a home printer does, and is
  alike over the sharpest picture, the print is suspect.
- Focus brackets whose peak they do not enclose.
- Drift: a focus that crept (see `focus.creep`), or a picture that wanders with the order of the shots. Where it lies
  comes from the edges of all photographs that show the same arms: the shift against the first one, freed of scale and
  turn, by least squares along the edges' normals; a camera that turns on its tripod shows there, too. Such a way is
  beyond chance, large enough to matter, and goes on from shot to shot: a camera set up anew makes one step, no drift.
"""

from collections import defaultdict
from collections.abc import Sequence
from typing import Final

import numpy as np
from scipy import special

from lensbench import optics
from lensbench.focus import LEAST_LOSS, brackets_among, in_order, moved_px, session_focus
from lensbench.model.errors import Note
from lensbench.model.setting import focal_length
from lensbench.model.shot import ShotResult
from lensbench.model.sweep import Observed, Refocusing, SeriesRemark, SweepShot, Unclaimed
from lensbench.model.units import FloatArray
from lensbench.stats import Spread
from lensbench.sweep.countable import FocalShots, bracket_peak
from lensbench.sweep.mixed import bears, mixed_remarks, raw_and_finished

MAGNIFICATION_LIMIT: Final = 0.05  # focal lengths further apart see other shares of the print's blur
RISE_LIMIT_MM: Final = 0.2  # 10-90 % rise on the chart: twice a home printer's; common practice, no source
SIGMA_LIMIT_PX: Final = 0.5  # below it the sensor's own filter may do as much; common practice, no source
ALIKE_LIMIT: Final = 0.25  # 10th to 90th percentile over median, of the sharpest picture's blur
_LEAST_SHARE: Final = 10.0
_FEWEST_EDGES: Final = 20

FEWEST_SHOTS: Final = 4
CHANCE: Final = 0.001  # two-sided probability of a trend of place by chance
POSITION_LIMIT_PX: Final = 2.0  # first shot to last. These: common practice, no source.
_LARGEST_STEP: Final = 0.5  # of the whole way: a larger step between two shots is one move, not a drift


def reservations(spread: Spread, focals: Sequence[FocalShots] = ()) -> tuple[Note, ...]:
    """Why no winner is claimed among focal lengths that compete; empty where one is.

    Raw files beside finished pictures; one shot a setting, without focus brackets; or focal lengths seen at different
    magnifications, unless the print was divided out.
    """
    kinds = raw_and_finished([shot for focal in focals for shot in focal.members])
    reasons = [Note(Unclaimed.FILE_KIND, kinds)] if kinds else []
    reasons += [Note(Unclaimed.CREEP, (most,))] if (most := _most_crept(focals)) else []
    if any(focal.focus.refocusing is Refocusing.CONTRADICTED for focal in focals):
        reasons.append(Note(Unclaimed.ONE_FOCUS, names=(spread.source,)))
    elif not spread.repeated:
        reasons.append(Note(Unclaimed.FEW_SHOTS, names=(spread.source,)))
    if len(focals) > 1 and not all(
        bears("print_divided", shot.measured) for focal in focals for shot in focal.members
    ):
        sizes = [focal.magnification for focal in focals]
        if not np.all(np.isfinite(sizes)):
            reasons.append(Note(Unclaimed.MAGNIFICATION_UNKNOWN))
        elif max(sizes) / min(sizes) - 1.0 > MAGNIFICATION_LIMIT:
            reasons.append(Note(Unclaimed.MAGNIFICATION_DIFFERS, (min(sizes), max(sizes))))
    return tuple(reasons)


def _most_crept(focals: Sequence[FocalShots]) -> float:
    """The most that a creeping focus cost a stop of any focal length, in percent."""
    return max((100.0 * creep.largest for focal in focals if (creep := focal.focus.creep)), default=0.0)


def remarks(
    focals: Sequence[FocalShots], spread: Spread, *, shots: Sequence[SweepShot] = ()
) -> tuple[SeriesRemark, ...]:
    """Remarks on a whole series; `shots` are all of the lens, the rejected ones included."""
    contradicted = any(focal.focus.refocusing is Refocusing.CONTRADICTED for focal in focals)
    few = [] if spread.repeated else [SeriesRemark(flag="few_shots")]
    few = [SeriesRemark(flag="one_focus")] if contradicted else few
    counted = [shot for focal in focals for shot in focal.members]
    return (
        *few,
        *([SeriesRemark(flag="shake_grows")] if spread.by_time else []),
        *_open_brackets(focals),
        *mixed_remarks(counted, shots),
        *print_remarks(counted),
        *drift_remarks(shots),
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


def print_remarks(shots: Sequence[SweepShot]) -> list[SeriesRemark]:
    """Whether every edge of every shot is as blurred as by a poor print, not divided out, as far as that is known."""
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
    if f_number is None or pitch_um is None or bears("print_divided", result):
        return np.empty(0)
    q = optics.working_q(f_number, pixel_pitch_um=pitch_um, magnification=result.magnification)
    edges = [edge.edge for edge in result.edges if edge.edge.measured]
    figures, angles = np.array([edge.mtf50_cypx for edge in edges]), [edge.angle_deg for edge in edges]
    return np.sqrt(np.maximum(optics.variance_in_focus_px2(figures, q, angle_deg=angles), 0.0))


def drift_remarks(shots: Sequence[SweepShot]) -> list[SeriesRemark]:
    """A remark for each set-up of one lens whose shots drift; those out of focus count, for creeping focus looks so."""
    return [
        SeriesRemark(
            flag="drift",
            observations=observations,
            focal_length_mm=members[0].planned.setting.focal_length_mm,
            condition=members[0].planned.condition,
            shots=len(members),
        )
        for members in _setups(shots)
        if (observations := (*_moved(members), *_crept(members)))
    ]


def _setups(shots: Sequence[SweepShot]) -> list[list[SweepShot]]:
    """Measured shots of each set-up (a focal length and a condition) in order; a bracket moves the picture."""
    setups: dict[tuple[str, str], list[SweepShot]] = defaultdict(list)
    for shot in shots:
        if isinstance(shot.result, ShotResult) and shot.planned.focus_step is None:
            setups[focal_length(shot.planned.setting.focal_length_mm), shot.planned.condition].append(shot)
    return [in_order(members) for members in setups.values()]


def _moved(shots: Sequence[SweepShot]) -> list[Note]:
    """How far the picture wandered from the first shot to the last, where that matters."""
    shifts_px = np.array([moved_px(shot.measured, shots[0].measured)[:2] for shot in shots])
    wandered = float(np.linalg.norm([_steady_way(column) for column in shifts_px.T]))
    if wandered <= POSITION_LIMIT_PX:
        return []
    return [Note(Observed.POSITION, (wandered,), limit=POSITION_LIMIT_PX)]


def _steady_way(figures: FloatArray) -> float:
    """Way of a figure from the first shot to the last; 0 unless beyond chance and going on from shot to shot."""
    known = np.flatnonzero(np.isfinite(figures))
    if known.size < FEWEST_SHOTS:
        return 0.0
    slope, r = np.polyfit(known, figures[known], 1)[0], np.corrcoef(known, figures[known])[0, 1]
    freedom = known.size - 2
    chance = 2.0 * special.stdtr(freedom, -abs(r) * np.sqrt(freedom / max(1.0 - r * r, 1e-300)))
    way = float(slope) * float(np.ptp(known))
    largest = float(np.abs(np.diff(figures[known])).max())
    return 0.0 if chance > CHANCE or largest > _LARGEST_STEP * abs(way) else way


def _crept(shots: Sequence[SweepShot]) -> list[Note]:
    """The most that a creeping focus cost a stop."""
    creep = session_focus(shots).creep
    return [] if creep is None else [Note(Observed.CREEP, (100.0 * creep.largest,), limit=100.0 * LEAST_LOSS)]
