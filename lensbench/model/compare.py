"""Frozen records of what a comparison of lenses found, and of what one change did.

`comparison.json` and `effect.json` mirror them name by name. A figure that does not exist is NaN (null in JSON); an
unknown focal length is None. An effect is the difference of a level against the reference, in percent of the
reference's figure; overshoot, itself in percent, differs in percentage points.
"""

from dataclasses import dataclass
from enum import StrEnum

from lensbench.model.flags import Note
from lensbench.model.shot import RejectedShot
from lensbench.model.sweep import SweepShot


class Verdict(StrEnum):
    """Which of two lenses is sharper."""

    FIRST = "first"
    SECOND = "second"
    EQUAL = "equal"
    """No difference that matters."""
    CANNOT_TELL = "cannot_tell"


class Seen(StrEnum):
    """Which of two lenses looks sharper, or whether the sharper ones look it."""

    FIRST = "first"
    SECOND = "second"
    VISIBLE = "visible"
    NONE = "none"
    """No difference one could see."""
    SOME = "some"
    """Visible against some of the others only."""
    CANNOT_TELL = "cannot_tell"
    UNKNOWN = ""
    """The way of looking is not known, or there is nothing to look at."""


class Caution(StrEnum):
    """What a comparison must not be taken for; the names are the labels of the lenses that it concerns."""

    MANY_ROWS = "many_rows"
    """Every row holds at 95 % by itself."""
    RAW_AGAINST_FINISHED = "raw_against_finished"
    """No verdict is given."""
    NO_REPEATS = "no_repeats"
    UNEQUAL_SHOTS = "unequal_shots"
    ONE_BRACKETED = "one_bracketed"
    """By focus brackets; the other one was not."""
    SHARPENED = "sharpened"
    STAND_IN_RESPONSE = "stand_in_response"
    """What one could see rests on a Gaussian of the same MTF50."""
    UNLIKE_MAGNIFICATION = "unlike_magnification"


@dataclass(frozen=True, slots=True, kw_only=True)
class WayOfLooking:
    """How pictures are looked at, all equally high."""

    print_height_mm: float
    """Of a print, or of the picture on a screen."""
    distance_mm: float
    """From the eye."""
    pixel_for_pixel: bool
    """On a screen, at 100 %."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparedLens:
    """One lens that is compared, and where its figures come from."""

    label: str
    """Unique among those compared: the lens, with the camera or the folder where that is needed."""
    lens: str
    camera: str
    folder: str
    shots: int
    pixel_pitch_um: float | None
    picture_height_px: int | None
    sensor_data: bool = True
    """Measured on raw files."""
    shots_a_setting: tuple[int, int] = (0, 0)
    """Fewest and most refocused shots, whole frame."""
    distance_focal_lengths: tuple[int, int] | None = None
    """Of the chart, shortest and longest; None where it is not known."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CompareRow:
    """Two lenses at the same focal length, f-number and zone, in `ComparedPair.unit`."""

    focal_length_mm: float | None
    f_number: float
    zone: str
    first: float
    second: float
    first_shots: int
    second_shots: int
    difference_percent: float
    """Second over first, less one; positive where the second is sharper."""
    ci95_percent: tuple[float, float]
    """NaN where the spread between shots is not known; joint over the pairs of lenses where there are several."""
    verdict: Verdict
    difference_jnd: float = float("nan")
    """Second less first on the quality ruler, for `CompareFindings.looking`."""
    ci95_jnd: tuple[float, float] = (float("nan"), float("nan"))
    visible_from_percent: float = float("nan")
    """Difference of MTF50 that is just seen here; NaN where even the double would not be seen."""
    seen: Seen = Seen.CANNOT_TELL
    """Which one looks sharper."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StopChoice:
    """Which lens at which stop: one focal length, f-number and zone."""

    focal_length_mm: float | None
    f_number: float
    zone: str
    lenses: tuple[str, ...]
    """Labels of those that no other is sharper than, the highest figure first."""
    photographed: tuple[str, ...]
    """Labels of all lenses with this setting."""
    seen: Seen
    """Whether the first looks sharper than those that are not among `lenses` (than the other ones, where all are)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparedPair:
    """Two lenses side by side."""

    first: str
    """Label of the first lens."""
    second: str
    unit: str
    """cypx on like sensors, else lpmm where both pitches are known (lwph beside it), else lwph."""
    rows: tuple[CompareRow, ...]
    rows_lwph: tuple[CompareRow, ...]
    """The same in line widths per picture height; empty on like sensors."""
    best_row: CompareRow | None
    """Each at its own best setting for the whole frame (`focal_length_mm`, `f_number` are the first's)."""
    cautions: tuple[Note, ...] = ()
    """By `Caution`."""
    overall: CompareRow | None = None
    """Mean over all equal settings, whole frame; focal length None and f-number NaN."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CompareFindings:
    """Everything a comparison found."""

    lenses: tuple[ComparedLens, ...]
    pairs: tuple[ComparedPair, ...]
    version: str = ""
    choices: tuple[StopChoice, ...] = ()
    """Which lens at which stop, every zone."""
    looking: WayOfLooking | None = None
    """For which way of looking a difference counts as seen; None where a picture's size is not known."""


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
    veil_percent: float
    """NaN, too, where the whole printed dark is in it: such a figure can't be held against others."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelFigures:
    """One level of what was changed: a condition, a speed, an ISO value."""

    level: str
    shots: int
    mtf50_cypx: float
    noise_percent: float
    overshoot_percent: float
    veil_percent: float


@dataclass(frozen=True, slots=True, kw_only=True)
class EffectRow:
    """The difference of one level against the reference in one figure."""

    level: str
    figure: str
    """mtf50, noise, overshoot or veil."""
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
