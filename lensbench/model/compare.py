"""Frozen records of what a comparison found; `comparison.json` mirrors them name by name.

A figure that does not exist is NaN (null in JSON); an unknown focal length is None.
"""

from dataclasses import dataclass
from enum import StrEnum

from lensbench.model.flags import Note


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
