"""Frozen records of what a comparison of lenses found, and of what one change did.

`comparison.json` and `effect.json` mirror them name by name. A figure that does not exist is NaN (null in JSON); an
unknown focal length is None. An effect is the difference of a level against the reference, in percent of the
reference's figure; overshoot, itself in percent, differs in percentage points.
"""

from dataclasses import dataclass
from enum import StrEnum
from math import nan

from lensbench.model.errors import Note
from lensbench.model.measured import SweepLens
from lensbench.model.setting import Setting
from lensbench.model.shot import RejectedShot
from lensbench.model.sweep import SweepShot


class Verdict(StrEnum):
    """How the interval of a difference lies to the band that counts as equal, and to what one could see."""

    VISIBLE = "visible"  # sharper, and all of the 95 % interval could be seen
    NOT_VISIBLE = "not_visible"  # sharper, and surely not to be seen
    EQUAL = "equal"  # surely within the band, which need not hold zero
    CANNOT_TELL = "cannot_tell"  # neither; who is sharper, or that none of it could be seen, may be known


class Sharper(StrEnum):
    """Which of two lenses is sharper, by however little: in all rows together, and if set-ups repeat badly."""

    FIRST = "first"
    SECOND = "second"
    NEITHER = ""


class Seen(StrEnum):
    """Which of two lenses looks sharper, or whether the sharper ones, or a change, can be seen."""

    FIRST = "first"
    SECOND = "second"
    VISIBLE = "visible"
    NONE = "none"  # no difference one could see
    SOME = "some"  # visible against some of the others only
    CANNOT_TELL = "cannot_tell"
    UNKNOWN = ""  # the way of looking is not known, or there is nothing to look at


class Caution(StrEnum):
    """What a comparison must not be taken for; the names are the labels of the lenses that it concerns."""

    MANY_ROWS = "many_rows"  # every interval holds at 95 % by itself
    RAW_AGAINST_FINISHED = "raw_against_finished"  # of which lenses, raw first; no verdict is given
    SET_UP_ASSUMED = "set_up_assumed"  # sd of one set-up that the intervals allow for, in percent
    SET_UP_FOUND = "set_up_found"  # the same, from lenses set up more than once
    NO_REPEATS = "no_repeats"
    UNEQUAL_SHOTS = "unequal_shots"
    ONE_BRACKETED = "one_bracketed"  # by focus brackets; the other one was not
    SHARPENED = "sharpened"
    STAND_IN_RESPONSE = "stand_in_response"  # what one could see rests on a Gaussian of the same MTF50
    UNLIKE_MAGNIFICATION = "unlike_magnification"


@dataclass(frozen=True, slots=True, kw_only=True)
class WayOfLooking:
    """How pictures are looked at, all equally high."""

    print_height_mm: float  # of a print, or of the picture on a screen
    distance_mm: float  # from the eye
    pixel_for_pixel: bool  # on a screen, at 100 %


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparedLens:
    """One lens that is compared, and where its figures come from."""

    label: str  # unique among those compared: the lens, with the camera or the folder where that is needed
    lens: str
    camera: str
    folder: str
    shots: int
    pixel_pitch_um: float | None
    picture_height_px: int | None
    sensor_data: bool = True  # measured on raw files
    shots_a_setting: tuple[int, int] = (0, 0)  # fewest and most that count, whole frame
    one_focus: bool = False  # several frames of a setting count as one shot, being of one focus
    distance_focal_lengths: tuple[int, int] | None = None  # of the chart; None where unknown
    best: Setting | None = None  # its own, for the whole frame


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
    difference_percent: float  # second over first, less one; positive where the second is sharper
    ci95_percent: tuple[float, float]
    """The set-up's error included; NaN where the spread between shots is not known; joint over several pairs."""
    lead_percent: float  # by how much the sharper of the two is sharper: a share of the softer one's figure
    lead_ci95_percent: tuple[float, float]  # below zero where the other may be the sharper
    sharper: Sharper
    verdict: Verdict
    equal_within_percent: float  # the band that counts as equal; never wider than what could be seen
    difference_jnd: float = nan  # second less first on the quality ruler, for `CompareFindings.looking`
    ci95_jnd: tuple[float, float] = (nan, nan)
    first_each: tuple[float, ...] = ()  # figure of every shot
    second_each: tuple[float, ...] = ()
    visible_from_percent: float = nan  # just seen here; NaN where even the double would not be
    seen: Seen = Seen.CANNOT_TELL  # which one looks sharper


@dataclass(frozen=True, slots=True, kw_only=True)
class StopChoice:
    """Which lens at which stop: one focal length, f-number and zone."""

    focal_length_mm: float | None
    f_number: float
    zone: str
    lenses: tuple[str, ...]  # labels of those that no other is sharper than, the highest figure first
    photographed: tuple[str, ...]  # labels of all lenses with this setting
    seen: Seen
    """Whether the first looks sharper than those that are not among `lenses` (than the other ones, where all are)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparedPair:
    """Two lenses side by side."""

    first: str  # label of the first lens
    second: str
    unit: str  # cypx on like sensors, else lwph, for a picture is what is wanted; lpmm where its size is unknown
    rows: tuple[CompareRow, ...]  # none where raw files stand against finished pictures
    rows_lpmm: tuple[CompareRow, ...]  # beside lwph the same on the sensor, where both pitches are known
    best_row: CompareRow | None  # each at its own best setting, whole frame; named by the first's
    cautions: tuple[Note, ...] = ()  # by `Caution`


@dataclass(frozen=True, slots=True, kw_only=True)
class CompareFindings:
    """Everything a comparison found."""

    lenses: tuple[ComparedLens, ...]
    pairs: tuple[ComparedPair, ...]
    version: str = ""
    choices: tuple[StopChoice, ...] = ()  # which lens at which stop, every zone; among lenses that compare
    looking: WayOfLooking | None = None  # for which a difference is seen; None: a picture's size is not known

    @property
    def contested(self) -> list[StopChoice]:
        """Choices for the whole frame that two lenses or more were photographed for."""
        return [choice for choice in self.choices if choice.zone == "frame" and len(choice.photographed) > 1]


class VisibleFrom(StrEnum):
    """What the least visible difference rests on."""

    RULER = "quality_ruler"  # one just noticeable difference of the quality ruler (ISO 20462-3)
    BEYOND_RULER = "beyond_quality_ruler"  # less than half of MTF50 would not be seen
    HABIT = "common_practice"  # the SFR is not at hand; no source


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Comparison:
    """Lenses compared, and what they were read from."""

    findings: CompareFindings
    lenses: tuple[SweepLens, ...]  # in the order of the findings


class EffectCaution(StrEnum):
    """What an effect must not be taken for; the names are levels."""

    ONE_SHOT = "one_shot"  # of this level
    DRIFT_LEFT_IN = "drift_left_in"  # too few shots, or their order is not known
    IN_A_ROW = "in_a_row"  # the kinds were shot one after the other; sd assumed to stand between, in percent
    HARD_TO_PART = "hard_to_part"  # the order makes drift and effect hard to tell apart
    BETWEEN_ROWS = (
        "between_rows"  # shots in a row are alike, others are not; sd found between the rows, in percent
    )
    UNEVEN_SCATTER = "uneven_scatter"  # of the first level, far above the second's; both sds in percent
    JOINT_INTERVALS = "joint_intervals"  # at 95 % for all levels together
    ON_SUBJECT = "on_subject"  # the subject was seen at different sizes
    RAW_AGAINST_FINISHED = "raw_against_finished"
    FINISHED = "finished_pictures"
    CAMERAS_DIFFER = "cameras_differ"
    STOP_DIFFERS = "stop_differs"  # it changed along with the level; the f-numbers, by name


@dataclass(frozen=True, slots=True, kw_only=True)
class ShotFigures:
    """One photograph that counts."""

    photo: str
    order: int  # place in the order of shooting, from 1
    level: str
    setting: str  # f-number and focal length, by name
    mtf50_cypx: float  # of the whole frame
    noise_percent: float  # noise on the plateaus of the edges, rms, in percent of the paper's signal
    overshoot_percent: float
    veil_percent: float  # NaN, too, where the whole printed dark is in it


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
    figure: str  # mtf50, noise, overshoot or veil
    zone: str
    unit: str  # percent, or percentage points
    difference: float
    ci95: tuple[float, float]  # joint over the levels where there are several; NaN where repeats are lacking
    equal_within: float  # the band that counts as equal, in the same unit
    visible_from: float  # smallest difference that could be seen, in the same unit
    differs: bool  # beyond doubt, by however little: the interval leaves out zero
    seen: Seen  # VISIBLE, NONE or CANNOT_TELL
    verdict: Verdict
    drift_removed: bool
    processed: bool = False  # sharpness differs along with overshoot: by sharpening, not resolution


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

    exposure_s: float  # NaN where every speed or none showed shake
    ci95_s: tuple[float, float]  # (fastest, slowest) 95 % limits
    shows_from_percent: float  # loss of MTF50 against the fast speeds that counts as shake
    shares: tuple[tuple[float, int, int], ...]  # each speed [s], its shots, how many showed shake


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
    on_subject: bool  # detail on the subject counts, for the magnification differs between the levels
    shots: tuple[ShotFigures, ...]
    rejected: tuple[RejectedShot, ...]
    cautions: tuple[Note, ...]  # by `EffectCaution`
    lens: str  # of the first shot, as its camera
    camera: str
    version: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Effect:
    """An effect measured, and every shot it rests on."""

    findings: EffectFindings
    shots: tuple[SweepShot, ...]
