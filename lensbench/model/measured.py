"""The shots of a lens that count, as a sweep leaves them: the one table that sweep, comparison and library read.

One row is one refocused shot. Photographs of one focus group are one row, and of a focus bracket the fitted peak has
already been taken. Photographs that don't count stand in the same table, with the reason. What is unknown is None, so a
table is written as JSON and read back without loss; the limits are far wider than anything measured.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from math import isfinite, nan
from statistics import median
from typing import Annotated

import numpy as np
from msgspec import Meta

from lensbench.model.condition import Side, Subject, Verdict
from lensbench.model.setting import Setting, focal_order
from lensbench.model.shot import Thumbnail
from lensbench.model.sweep import SharpEnough

Cypx = Annotated[float, Meta(ge=1e-4, le=10.0)]
Positive = Annotated[float, Meta(gt=0.0, le=1e9)]
Pixels = Annotated[int, Meta(ge=1, le=1_000_000)]


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneValue:
    """What one refocused shot says of one zone of the picture."""

    mtf50_cypx: Cypx
    sd: Annotated[float, Meta(gt=0.0, le=10.0)] | None = None  # of log MTF50, of a bracket's peak
    dof: Positive | None = None  # degrees of freedom of that sd; None where it was assumed, or there is none
    noise_sd: Annotated[float, Meta(ge=0.0, le=10.0)] = 0.0  # of log MTF50, from the noise of its edges alone
    edges: Annotated[int, Meta(ge=0)] = 0
    sagittal_cypx: Cypx | None = None
    tangential_cypx: Cypx | None = None
    sfr: tuple[Annotated[float, Meta(ge=-10.0, le=10.0)], ...] = ()  # at `edge.RESPONSE_CYPX`


@dataclass(frozen=True, slots=True, kw_only=True)
class CountedShot:
    """One refocused shot that counts, or a photograph that was left out."""

    files: tuple[str, ...]  # the photographs it stands for
    setting: Setting
    exact_f_number: Annotated[float, Meta(ge=0.0, le=300.0)]  # 0 where unknown
    zones: dict[str, ZoneValue] = field(default_factory=dict)  # zone -> value; what was not seen is left out
    reason: str = ""  # why it doesn't count; empty where it does
    bracket: bool = False  # a focus bracket, of which the fitted peak (else the sharpest frame) counts
    iso: Positive | None = None
    snr: float | None = None  # of the chart's edges, their median
    magnification: Positive | None = None
    pixel_pitch_um: Positive | None = None
    size_px: tuple[Pixels, Pixels] | None = None  # (lesser side, greater side)
    picture_height_px: Pixels | None = None  # as the picture is viewed
    sensor_data: bool = True
    flags: tuple[str, ...] = ()
    thumbnails: tuple[
        Thumbnail, ...
    ] = ()  # of one shot a setting alone: the one in the middle of its repeats


@dataclass(frozen=True, slots=True, kw_only=True)
class BestOfSweep:
    """What a sweep found to be the best setting for the whole frame."""

    setting: Setting
    mtf50_cypx: Cypx
    ci95_cypx: tuple[Cypx, Cypx] | None  # None where nothing told the spread between shots


@dataclass(frozen=True, slots=True, kw_only=True)
class CopyVerdict:
    """How one thing that was judged of a copy came out."""

    subject: Subject
    verdict: Verdict
    percent: Annotated[float, Meta(ge=-1e3, le=1e3)] | None = (
        None  # of MTF50 that it costs; None in other units
    )
    side: Side | None = None  # of the picture; the softer one
    setting: Setting | None = (
        None  # that shows it most clearly; None of decentring where the focus leans alone
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class PocketRow:
    """One focal length, as briefly as it can be said: which stops of it to use for one zone of the picture."""

    focal_length_mm: float | None
    zone: str
    stops: dict[float, float]  # nominal -> exact f-number, of every stop tested
    best_f_number: float
    enough: SharpEnough | None  # the stops that keep 90 % of its best
    percent: float  # of the lens's sharpest focal length in this zone, each at its own best stop
    claimed: bool  # whether the best stop is more than how it came out


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredLens:
    """One lens on one camera, as one sweep measured it."""

    lens: str
    camera: str
    best: BestOfSweep | None
    shots: tuple[CountedShot, ...]
    condition: tuple[CopyVerdict, ...] = ()  # empty where nothing was judged, or by an older version

    @property
    def counted(self) -> tuple[CountedShot, ...]:
        """The shots that count."""
        return tuple(shot for shot in self.shots if not shot.reason)

    @property
    def photographs(self) -> int:
        """How many photographs the shots that count stand for."""
        return sum(len(shot.files) for shot in self.counted)

    @property
    def focal_lengths_mm(self) -> tuple[float, ...]:
        """The focal lengths photographed, ascending; unknown ones are left out."""
        return tuple(sorted({focal for shot in self.counted if (focal := shot.setting.focal_length_mm)}))

    @property
    def pixel_pitch_um(self) -> float | None:
        """Median of the shots."""
        return median_known([shot.pixel_pitch_um for shot in self.counted])

    @property
    def size_px(self) -> tuple[int, int] | None:
        """(lesser side, greater side) of the photographs, medians."""
        sizes = [shot.size_px for shot in self.counted if shot.size_px]
        if not sizes:
            return None
        return int(median(size[0] for size in sizes)), int(median(size[1] for size in sizes))

    @property
    def picture_height_px(self) -> int | None:
        """Median height of the photographs, as they are viewed."""
        heights = [shot.picture_height_px for shot in self.counted if shot.picture_height_px]
        return int(median(heights)) if heights else None

    @property
    def sensor_data(self) -> bool:
        """Whether all shots that count are raw."""
        return all(shot.sensor_data for shot in self.counted)

    @property
    def magnifications(self) -> dict[float | None, float]:
        """Focal length -> median magnification, where it is known."""
        known: dict[float | None, list[float]] = {}
        for shot in sorted(self.counted, key=lambda shot: focal_order(shot.setting.focal_length_mm)):
            if shot.magnification:
                known.setdefault(shot.setting.focal_length_mm, []).append(shot.magnification)
        return {focal: float(median(sizes)) for focal, sizes in known.items()}


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepLens(MeasuredLens):
    """One lens of a sweep's folder."""

    folder: str


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptSession(MeasuredLens):
    """One lens as the library keeps it."""

    session: str  # by which sweeps of the same lens are told apart
    added_at: str  # ISO 8601, UTC

    @property
    def title(self) -> str:
        """The lens, its camera and its session in one line."""
        return f"{self.lens} on {self.camera}, session «{self.session}»"


def median_known(values: list[float | None]) -> float | None:
    """Median of those that are known; None where none is."""
    known = [value for value in values if value is not None]
    return float(median(known)) if known else None


def finite_median(values: Iterable[float]) -> float:
    """Median of those that are finite; NaN where none is."""
    finite = [value for value in values if isfinite(value)]
    return float(median(finite)) if finite else nan


def mean_known(values: Sequence[float | None]) -> float | None:
    """Mean of those that are neither None nor NaN; None where all are."""
    known = [value for value in values if value is not None and isfinite(value)]
    return float(np.mean(known)) if known else None
