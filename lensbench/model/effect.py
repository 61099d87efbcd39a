"""Frozen records of what one change did; they become effect.json field by field.

A difference is that of a level against the reference, in percent of the reference's figure; overshoot, itself in
percent, differs in percentage points. Figures that do not exist are NaN (null in JSON).
"""

from dataclasses import dataclass
from enum import StrEnum

from lensbench.model.compare import WayOfLooking
from lensbench.model.flags import Note
from lensbench.model.shot import RejectedShot
from lensbench.model.sweep import SweepShot


class EffectVerdict(StrEnum):
    """Whether a difference could be seen."""

    VISIBLE = "visible"
    """Surely larger than could be seen."""
    TOO_SMALL = "too_small"
    """Surely smaller."""
    CANNOT_TELL = "cannot_tell"


class VisibleFrom(StrEnum):
    """What the least visible difference rests on."""

    RULER = "quality_ruler"
    """One just noticeable difference of the quality ruler (ISO 20462-3)."""
    BEYOND_RULER = "beyond_quality_ruler"
    """Less than half of MTF50 would not be seen."""
    HABIT = "common_practice"
    """The SFR is not at hand; no source."""


class EffectCaution(StrEnum):
    """What an effect must not be taken for; the names are levels."""

    ONE_SHOT = "one_shot"
    """Of this level."""
    DRIFT_LEFT_IN = "drift_left_in"
    """Too few shots, or their order is not known."""
    IN_A_ROW = "in_a_row"
    """The kinds were shot one after the other: drift and effect are hard to tell apart."""
    UNEVEN_SCATTER = "uneven_scatter"
    """The first level scatters far more than the second; both standard deviations in percent."""
    JOINT_INTERVALS = "joint_intervals"
    """At 95 % for all levels together."""
    ON_SUBJECT = "on_subject"
    """The subject was seen at different sizes."""
    RAW_AGAINST_FINISHED = "raw_against_finished"
    FINISHED = "finished_pictures"
    CAMERAS_DIFFER = "cameras_differ"


@dataclass(frozen=True, slots=True, kw_only=True)
class ShotFigures:
    """One photograph that counts."""

    photo: str
    order: int
    """Place in the order of shooting, from 1."""
    level: str
    setting: str
    """f-number and focal length, by name."""
    mtf50_cypx: float
    """Of the whole frame."""
    noise_percent: float
    """Noise on the plateaus of the edges, rms, in percent of the paper's signal."""
    overshoot_percent: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelFigures:
    """One level of what was changed: a condition, a speed, an ISO value."""

    level: str
    shots: int
    mtf50_cypx: float
    noise_percent: float
    overshoot_percent: float


@dataclass(frozen=True, slots=True, kw_only=True)
class EffectRow:
    """The difference of one level against the reference in one figure."""

    level: str
    figure: str
    """mtf50, noise or overshoot."""
    zone: str
    unit: str
    """percent, or percentage points."""
    difference: float
    ci95: tuple[float, float]
    """Joint over the levels where there are several; NaN where repeats are lacking."""
    visible_from: float
    """Smallest difference that could be seen, in the same unit."""
    verdict: EffectVerdict
    drift_removed: bool
    processed: bool = False
    """Sharpness differs along with overshoot: what differs is sharpening, and the figure is no resolution."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """Change of sharpness from shot to shot that has nothing to do with the levels."""

    percent_per_shot: float
    ci95_percent: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Visible:
    """From which difference of MTF50 a change can be seen."""

    percent: float
    rests_on: VisibleFrom
    looking: WayOfLooking | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ShutterSpeed:
    """From which speed on shake no longer shows, in nine shots of ten."""

    exposure_s: float
    """NaN where every speed or none showed shake."""
    ci95_s: tuple[float, float]
    """(fastest, slowest) 95 % limits."""
    shows_from_percent: float
    """Loss of MTF50 against the fast speeds that counts as shake."""
    shares: tuple[tuple[float, int, int], ...]
    """Each speed, its shots, and how many of them showed shake. [s]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class EffectFindings:
    """What one change did."""

    by: str
    reference: str
    levels: tuple[LevelFigures, ...]
    rows: tuple[EffectRow, ...]
    drift: Drift | None
    visible: Visible
    shutter: ShutterSpeed | None
    on_subject: bool
    """Sharpness counts detail on the subject, because the magnification differs between the levels."""
    shots: tuple[ShotFigures, ...]
    rejected: tuple[RejectedShot, ...]
    cautions: tuple[Note, ...]
    """By `EffectCaution`."""
    lens: str
    """Of the first shot, as its camera."""
    camera: str
    version: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Effect:
    """An effect measured, and every shot it rests on."""

    findings: EffectFindings
    shots: tuple[SweepShot, ...]
