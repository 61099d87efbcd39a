"""From blur to order: who is sharper with which odds, and which frames look alike.

Differences are judged with Student's t on the spread that leaving out pieces shows, with what developing leaves in
doubt; over all pairs the 5 % risk of a false order is shared out by Holm's rule.

References
----------
S. Holm, Scand. J. Statist. 6, 65 (1979).
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path
from typing import Final

import numpy as np
from scipy import special

from lensbench.model.shot import BoolArray, RejectedShot
from lensbench.model.units import FloatArray
from lensbench.rank.fit import BlurFit
from lensbench.rank.frames import Frame
from lensbench.storage.text import told_apart

RISK: Final = 0.05
_SHAPE_SHARE: Final = 0.12  # what the Gaussian fall may miss of a difference: by trial on known blur


@dataclass(frozen=True, slots=True, kw_only=True)
class RankedFrame:
    """One frame in the order."""

    photo: Path
    rank: int
    """1 is the sharpest; frames of one group bear their place in the list all the same."""
    group: int
    """Frames of one group can't be told from the group's first."""
    detail_percent: float
    """Contrast of fine detail (at `Ranking.frequency_cypx`) against the sharpest frame, less 100 %."""
    ci95_percent: tuple[float, float]
    """95 % interval of that; zeros for the sharpest itself."""
    extra_blur_px: float
    """Sigma of the Gaussian that would make the sharpest frame as soft."""
    shift_px: tuple[float, float]
    """How far the scene lies from where the frame has it that the others were laid over (down, right)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PairOdds:
    """Two frames, one of which seems sharper."""

    sharper: Path
    softer: Path
    probability: float
    """That the order is right, 0.5 to 1."""
    detail_percent: float
    """Contrast of fine detail of the softer against the sharper, less 100 %."""
    ci95_percent: tuple[float, float]
    told_apart: bool
    """After sharing out the risk over all pairs."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ranking:
    """Frames in order, the sharpest first."""

    frames: tuple[RankedFrame, ...]
    pairs: tuple[PairOdds, ...]
    groups: tuple[tuple[Path, ...], ...]
    told_apart: bool
    """False: no frame can be told from any other, and the order means nothing."""
    channel: str
    sensor_data: bool
    frequency_cypx: float
    pieces: int
    """Places in the scene that were compared."""
    cell_px: int
    """1, or the side of the squares that the samples were averaged over."""
    answer: str
    cautions: tuple[str, ...]
    left_out: tuple[RejectedShot, ...] = ()
    """Photographs that could not be read, or show another scene or another kind of picture."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Judged:
    """All differences at once; row i, column j: blur of i less blur of j."""

    difference_px2: FloatArray
    half_px2: FloatArray
    p_value: FloatArray
    told: BoolArray
    fall: float  # log contrast of fine detail by blur variance

    def detail(self, index: int, other: int) -> tuple[float, tuple[float, float]]:
        """Contrast of fine detail against another frame, less 100 %, and its interval; zeros for itself."""
        middle, half = self.difference_px2[index, other], self.half_px2[index, other] * (index != other)
        # Adding zero turns a negative zero into a plain one.
        percent, low, high = (
            100.0 * float(np.expm1(self.fall * float(px2))) + 0.0
            for px2 in (middle, middle + half, middle - half)
        )
        return percent, (low, high)


def holm(p_values: FloatArray) -> BoolArray:
    """Which of many p-values hold when the risk of any false one is kept below `RISK`.

    >>> holm(np.array([0.01, 0.04, 0.03, 0.005])).tolist()
    [True, False, False, True]
    """
    order = np.argsort(p_values)
    limits = RISK / np.arange(len(p_values), 0, -1)
    holds = np.cumprod(p_values[order] <= limits).astype(np.bool_)
    apart = np.zeros(len(p_values), np.bool_)
    apart[order] = holds
    return apart


def ordered(paths: Sequence[Path], fit: BlurFit, reference: Frame, *, shifts_cells: FloatArray) -> Ranking:
    """Put frames in order by their fitted blur."""
    judged = _judged(fit)
    order = [int(index) for index in np.argsort(fit.variance_px2, kind="stable")]
    groups = _groups(order, judged.told)
    cell = reference.lattice.cell_px
    pairs = []
    for sharper, softer in combinations(order, 2):
        detail_percent, ci95_percent = judged.detail(softer, sharper)
        pairs.append(
            PairOdds(
                sharper=paths[sharper],
                softer=paths[softer],
                probability=1.0 - 0.5 * float(judged.p_value[softer, sharper]),
                detail_percent=detail_percent,
                ci95_percent=ci95_percent,
                told_apart=bool(judged.told[softer, sharper]),
            )
        )
    frames = []
    for number, index in enumerate(order, start=1):
        detail_percent, ci95_percent = judged.detail(index, order[0])
        more = float(judged.difference_px2[index, order[0]])
        frames.append(
            RankedFrame(
                photo=paths[index],
                rank=number,
                group=next(group for group, members in enumerate(groups, start=1) if index in members),
                detail_percent=detail_percent,
                ci95_percent=ci95_percent,
                extra_blur_px=float(np.sqrt(max(more, 0.0))) * cell,
                shift_px=(float(shifts_cells[index, 0]) * cell, float(shifts_cells[index, 1]) * cell),
            )
        )
    told = bool(judged.told.any())
    return Ranking(
        frames=tuple(frames),
        pairs=tuple(pairs),
        groups=tuple(tuple(paths[index] for index in group) for group in groups),
        told_apart=told,
        channel=reference.channel,
        sensor_data=reference.photograph.sensor_data,
        frequency_cypx=fit.frequency_cypx / cell,
        pieces=fit.pieces,
        cell_px=cell,
        answer=_answer(frames, len(groups[0]), told=told),
        cautions=tuple(_cautions(reference)),
    )


def _judged(fit: BlurFit) -> _Judged:
    difference = fit.variance_px2[:, None] - fit.variance_px2[None, :]
    freedom = fit.pieces - 1
    p_value = 2.0 * special.stdtr(freedom, -np.abs(difference) / fit.sd_px2)
    above = np.triu_indices(len(difference), 1)
    told = np.zeros(difference.shape, np.bool_)
    told[above] = holm(p_value[above])
    return _Judged(
        difference_px2=difference,
        half_px2=float(special.stdtrit(freedom, 0.975)) * np.hypot(fit.sd_px2, _SHAPE_SHARE * difference),
        p_value=p_value,
        told=told | told.T,
        fall=-2.0 * np.pi**2 * fit.frequency_cypx**2,
    )


def _groups(order: Sequence[int], told: BoolArray) -> list[list[int]]:
    """Gather frames, sharpest first: one that can't be told from a group's first joins it."""
    groups: list[list[int]] = []
    for index in order:
        if groups and not told[groups[-1][0], index]:
            groups[-1].append(index)
        else:
            groups.append([index])
    return groups


def _answer(frames: Sequence[RankedFrame], sharpest: int, *, told: bool) -> str:
    if not told:
        return (
            f"These {len(frames)} frames can't be told apart: their differences in sharpness lie within the noise "
            "(keep whichever you like, or photograph with less noise and finer detail)."
        )
    best, last = frames[0], frames[-1]
    names = told_apart(frame.photo for frame in frames)
    low, high = last.ci95_percent
    if sharpest == 1:
        first = f"{names[best.photo]} is the sharpest of {len(frames)} frames"
    else:
        among = f"{names[best.photo]} among them"
        first = f"{sharpest} of {len(frames)} frames are sharpest and can't be told apart, {among}"
    return (
        f"{first}; {names[last.photo]} is the softest, with {-last.detail_percent:.0f} % less contrast in fine detail "
        f"(95 % interval {-high:.0f} to {-low:.0f} %)."
    )


def _cautions(reference: Frame) -> Iterator[str]:
    yield "The order holds for these frames of this scene; it says nothing of a lens by itself."
    if not reference.photograph.sensor_data:
        yield "Finished pictures: the camera's sharpening and noise reduction are part of what is compared."
    cell = reference.lattice.cell_px
    if cell > 1:
        yield (
            f"Samples were averaged over {cell} x {cell} pixels (the pattern of this sensor's filters), so detail "
            "finer than that is not compared."
        )
