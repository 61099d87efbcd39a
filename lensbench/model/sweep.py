"""Frozen records of a sweep: its shots, what was found, and the columns of the tables written beside it.

Findings mirror `findings.json` name by name, and carry beside it what a report shows. A figure that does not exist is
NaN (null in JSON); an unknown focal length is None. Settings are named by the nominal f-number; the exact one is kept
for physics.
"""

from dataclasses import dataclass, field
from enum import StrEnum
from math import nan
from pathlib import Path
from typing import Final

import numpy as np

from lensbench.model.condition import ConditionFinding, QuickFindings
from lensbench.model.errors import Note
from lensbench.model.setting import Setting
from lensbench.model.shot import ZONES, Metadata, RejectedShot, ShotResult, Turned, ZoneFigure
from lensbench.model.units import FloatArray

INDIFFERENCE: Final = 0.03
"""Settings whose MTF50 differs by less than this share count as equal; fixed before any picture is taken."""

POCKET_PERCENT: Final = 90.0
"""The share of the best that the stops on a pocket card keep."""

_ZONE_COLUMNS: Final = (
    *("mtf50_cypx", "ci95_low_cypx", "ci95_high_cypx", "sagittal_cypx", "tangential_cypx", "edges"),
)
SHOTS_COLUMNS: Final = (
    *("file", "lens", "camera", "f_number", "exact_f_number", "focal_length_mm", "exact_focal_length_mm"),
    *("focus_group", "focus_step", "condition", "used", "reason"),
    *("iso", "exposure_s", "taken_at", "rows_px", "cols_px", "picture_height_px"),
    *("pixel_pitch_um", "sensor_data"),
    *("chart", "magnification", "distance_mm", "pitch_deg", "yaw_deg", "roll_deg"),
    *("targets", "contrast", "framing_percent", "distortion_percent"),
    *("outermost_height", "outermost_light_percent", "veil_percent"),
    *(f"{zone}_{column}" for zone in ZONES for column in _ZONE_COLUMNS),
    "flags",
)
"""shots.csv, a row a photograph. `file` is the path as given, `f_number` and `focal_length_mm` name the shot's group,
`used` is yes or no, `reason` says why not, `flags` are names with a space between; unknown cells are empty."""

EDGES_COLUMNS: Final = (
    *("file", "lens", "f_number", "focal_length_mm", "target", "arm", "direction", "channel"),
    *("center_row_px", "center_col_px", "image_height", "azimuth_deg", "angle_deg", "roi"),
    *("mtf50_cypx", "mtf50_sd_cypx", "mtf30_cypx", "mtf30_sd_cypx", "mtf20_cypx", "mtf20_sd_cypx"),
    *("mtf10_cypx", "mtf10_sd_cypx"),
    *("rise_10_90_px", "rise_10_90_sd_px", "overshoot_percent", "undershoot_percent", "snr", "flags"),
)
"""edges.csv, a row an edge. `roi` is TOP, LEFT, HEIGHT, WIDTH as `lensbench edge --roi` takes it."""

PHYSICAL_COLUMNS: Final = (
    *("physical_fits", "physical_mtf50_cypx", "diffraction_q", "defocus_disc_px", "gaussian_sigma_px"),
)
"""Further columns of edges.csv where the physical reading was asked for; `physical_fits` is yes or no."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedShot:
    """One photograph with the settings it counts under, after the shots table had its say."""

    path: Path
    metadata: Metadata  # as the file says, with the filled cells of the shots table put in
    overrides: Metadata | None  # the shots table's filled cells alone; None without a row
    lens: str  # the group's name: «unknown lens» where nobody named it
    camera: str
    setting: Setting  # nominal f-number and the focal group's median; None where unknown
    pitch_um: float | None = None  # pixel pitch that the shots table names. [um]
    focus_group: str = ""
    focus_step: float | None = None
    condition: str = ""
    turned: Turned | None = None  # by 180 degrees, as the table says; the chart shows which shots were
    left_out: str = ""  # why the shot is not used at all; empty when it is
    by_choice: bool = False  # as the photographer said, or for a better file of the same shot: not rejected
    stranger: bool = (
        False  # left out, for it tells nothing of itself: whether it shows the chart is looked for
    )
    copy_of: Path | None = None  # the file of equal content that counts instead of this one

    @property
    def exact_f_number(self) -> float:
        """As the file says, else nominal; 0 where unknown."""
        return self.metadata.f_number or self.setting.f_number


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SweepShot:
    """One photograph of a sweep: what was planned and what came of it."""

    planned: PlannedShot
    result: ShotResult | RejectedShot
    reason: str = ""  # why a measured shot was not used for the findings; empty when it was

    @property
    def used(self) -> bool:
        """Whether the findings rest on this shot."""
        return isinstance(self.result, ShotResult) and not self.reason

    @property
    def measured(self) -> ShotResult:
        """What was measured; a TypeError where nothing was, which is a mistake of the programmer."""
        if not isinstance(self.result, ShotResult):
            raise TypeError(f"{self.planned.path}: not a measured shot")
        return self.result

    def log_mtf50(self, zone: str) -> float:
        """Natural logarithm of a zone's MTF50; NaN where nothing was measured or the zone was not seen."""
        figure = self.result.summary.get(zone) if isinstance(self.result, ShotResult) else None
        return float(np.log(figure.mtf50_cypx)) if figure and figure.mtf50_cypx > 0.0 else nan


@dataclass(frozen=True, slots=True, kw_only=True)
class CurvePoint:
    """MTF50 of one zone at one f-number and focal length."""

    f_number: float
    zone: str
    mtf50_cypx: float  # of the smooth curve where the model fits, else the mean of the shots
    ci95_cypx: tuple[float, float]  # NaN where the spread between shots is not known
    shots: int  # refocused shots that count
    exact_f_number: float
    measured_cypx: float  # mean of the shots
    shot_mtf50_cypx: tuple[float, ...]  # each shot that counts


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SmoothCurve:
    """The model's curve through the points of one zone, for drawing."""

    f_number: FloatArray  # exact f-numbers, ascending
    mtf50_cypx: FloatArray
    fits: bool  # False when the model was dropped for the measured means: don't draw it as the answer
    model_error: float  # by which the model errs, as a share of MTF50; NaN where the stops are too few for it


class Purpose(StrEnum):
    """What a picture is for, and so which parts of it must be sharp."""

    CENTRE = "centre"
    FRAME = "whole_frame"
    EDGES = "edges"


class Refocusing(StrEnum):
    """Whether the shots of a setting were each focused anew, and who says so."""

    SAID_ANEW = "said_anew"  # the shots table: each a focus group of its own
    AGREED = "agreed"  # the table is silent, but repeats scatter more where focus counts more
    OPEN = "open"  # nobody says
    SAID_ONE = "said_one"  # the table: one focus group for a setting
    CONTRADICTED = "contradicted"  # the stops stray from each other by more than their repeats


class Unclaimed(StrEnum):
    """Why no winner is claimed."""

    FILE_KIND = "file_kind"  # raw files and finished pictures: how many of each
    ONE_FOCUS = "one_focus"  # the stops stray by more than their repeats: the frames of a stop count as one
    CREEP = "creep"  # the focus crept; the most that it cost a stop, in percent
    FEW_SHOTS = "few_shots"  # one shot a setting; the name says what told the spread instead of repeats
    MAGNIFICATION_UNKNOWN = "magnification_unknown"
    MAGNIFICATION_DIFFERS = "magnification_differs"  # smallest and largest: the print's blur weighs unlike


_NO_WINNER: Final = (Unclaimed.FEW_SHOTS, Unclaimed.ONE_FOCUS, Unclaimed.CREEP)


@dataclass(frozen=True, slots=True, kw_only=True)
class Behind:
    """How much softer a setting is than the best of the others, by its shots alone; negative where it is ahead."""

    focal_length_mm: float | None
    f_number: float
    percent: float
    ci95_percent: tuple[float, float]  # at 95 % for all settings together; NaN where the spread is not known


@dataclass(frozen=True, slots=True, kw_only=True)
class SharpEnough:
    """Every stop tested that keeps a share of the best one's MTF50, itself among them."""

    level_percent: float
    surely: tuple[float, ...]  # at 95 %, all of them together; empty without repeats or focus brackets
    probably: tuple[float, ...]  # by their estimate, more likely than not; holds those of `surely`


@dataclass(frozen=True, slots=True, kw_only=True)
class BestSetting:
    """The setting of lowest expected loss, with all that can't be told from it."""

    focal_length_mm: float | None
    f_number: float
    zone: str
    mtf50_cypx: float  # estimated free of the winner's curse
    ci95_cypx: tuple[float, float]  # NaN without repeats or focus brackets
    tied: tuple[Setting, ...]  # all that can't be told from the best at 95 %, or seem within the indifference
    at_border: bool  # the best lies at the first or last setting tested: «best tested»
    as_good: tuple[
        Setting, ...
    ] = ()  # of those tied, surely within the indifference, the best itself among them
    behind: tuple[Behind, ...] = ()  # of every setting that competes; empty for a single one
    reservations: tuple[Note, ...] = ()  # why no winner is claimed, by `Unclaimed`; empty where one is
    take: Setting | None = None  # of those tied, by the tie rule, at the best one's focal length
    take_rule: str = "best"  # best, widest, middle, deepest
    sharp_enough: tuple[SharpEnough, ...] = ()  # at 95, 90 and 80 %; empty for several focal lengths

    @property
    def provisional(self) -> bool:
        """Whether anything speaks against a winner."""
        return bool(self.reservations)

    @property
    def claimed(self) -> bool:
        """Whether it is named the winner: settings were shot more than once, and focused anew each time."""
        return not any(note.kind in _NO_WINNER for note in self.reservations)

    @property
    def other_stops(self) -> tuple[list[float], list[float]]:
        """Stops of its focal length beside it: those surely as good, and those that can't be told from it."""
        good, tied = (
            {setting.f_number for setting in group if setting.focal_length_mm == self.focal_length_mm}
            - {self.f_number}
            for group in (self.as_good, self.tied)
        )
        return sorted(good), sorted(tied - good)

    @property
    def other_lengths_mm(self) -> tuple[set[float | None], set[float | None]]:
        """Focal lengths beside its own: those surely as good, and those that can't be told from it."""
        good, tied = (
            {setting.focal_length_mm for setting in group} - {self.focal_length_mm}
            for group in (self.as_good, self.tied)
        )
        return good, tied - good

    def keeping(self, level_percent: float) -> SharpEnough | None:
        """Stops that keep a share of the best; None where that level was not looked at."""
        return next((each for each in self.sharp_enough if each.level_percent == level_percent), None)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FocalLengthFindings:
    """The curve over the f-numbers at one focal length."""

    focal_length_mm: float | None
    best_f_number: float  # for the zone `frame`
    tied_f_numbers: tuple[float, ...]  # can't be told from the best, those as good among them
    zones: dict[str, ZoneFigure]  # at the best f-number
    curve: tuple[CurvePoint, ...]
    best_by_zone: dict[str, BestSetting] = field(default_factory=dict)
    smooth: dict[str, SmoothCurve] = field(default_factory=dict)
    magnification: float = nan  # median of the shots
    shots: int = 0
    best_by_purpose: dict[str, BestSetting] = field(default_factory=dict)  # by `Purpose`
    as_good_f_numbers: tuple[float, ...] = ()  # surely within the indifference of the best, itself left out

    @property
    def tested_f_numbers(self) -> list[float]:
        """Stops at which the whole frame was measured, widest first."""
        return sorted(point.f_number for point in self.curve if point.zone == "frame")

    @property
    def other_stops(self) -> tuple[list[float], list[float]]:
        """Stops beside the best: those surely as good, and those that can't be told from it."""
        good = [stop for stop in self.as_good_f_numbers if stop != self.best_f_number]
        return good, [stop for stop in self.tied_f_numbers if stop not in {self.best_f_number, *good}]


class Observed(StrEnum):
    """What a remark on a whole series goes by; beside each what its values are."""

    ISO = "iso"  # lowest and highest
    FILE_KIND = "file_kind"  # raw files, finished pictures
    PICTURE_SIZE = "picture_size_px"  # rows and columns of each size
    SHARPENED = "sharpened"  # how many, of how many
    LIGHT = "light_stops"  # between the brightest and the darkest paper
    POSITION = "position_px"  # how far the picture wanders, first shot to last; so do the next three
    SCALE = "scale_percent"
    TURN = "turn_deg"
    CREEP = "creep_percent"  # the most that a focus that crept cost a stop
    PRINT_RISE = "print_rise_mm"  # 10-90 % on the chart in mm; sigma in pixels of the picture; photographs
    BRACKET_END = "bracket_end"  # f-number, and the step at its end where MTF50 still rises; its name
    BRACKET_FLAT = "bracket_flat"  # the same of one that hardly falls to its ends; its step is NaN
    CHARTS = "charts"  # f-number of a setting photographed with two charts; their names
    DISTANCES = "distances"  # f-number of a setting photographed from two distances; both magnifications
    ASKEW = "askew_deg"  # in how many photographs, of how many; the most
    FRAMELESS = "frameless"  # f-number of which a third has no figure; the names of such thirds
    STOP_DEPARTS = "stop_departs"  # f-number, and by how many percent it is softer than the others let expect


@dataclass(frozen=True, slots=True, kw_only=True)
class SeriesRemark:
    """A flag raised for a whole series."""

    flag: str
    observations: tuple[Note, ...] = ()  # by `Observed`
    focal_length_mm: float | None = None  # of the set-up, where the remark is on one; so are the next two
    condition: str = ""
    shots: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Basis:
    """What findings hold for: kind of files, distance, number of shots."""

    sensor_data: bool  # raw files, all of them
    channels: tuple[str, ...]
    shots_a_setting: tuple[int, int]  # fewest and most; a group not refocused, or a bracket, counts once
    bracketed: bool
    refocusing: Refocusing = Refocusing.OPEN  # the worst of the focal lengths
    distance_mm: tuple[float, float] = (nan, nan)
    """Shortest and longest; both the median where they are alike within 5 %."""
    distance_focal_lengths: tuple[float, float] = (nan, nan)
    covered_percent: float = 100.0
    """Share of the picture inside the outline of the targets, median of the focal length where it is least; 100 where
    it is not known."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LensFindings:
    """All that was found for one lens on one camera."""

    lens: str
    camera: str
    shots: int  # photographs given, the rejected ones included
    rejected: tuple[RejectedShot, ...]
    best: BestSetting | None  # for the zone `frame`; None where no setting could be measured
    by_focal_length: tuple[FocalLengthFindings, ...]
    condition: tuple[ConditionFinding, ...] = ()
    best_by_zone: dict[str, BestSetting] = field(default_factory=dict)
    basis: Basis | None = None
    pixel_pitch_um: float | None = None
    size_px: tuple[int, int] | None = None  # (rows, columns) of the photographs
    picture_height_px: int | None = None  # as they are viewed: of the first that counts
    spread_from: str = ""  # where the spread comes from: «repeats», «scatter about the curve», or «assumed»
    shot_sd_percent: float = nan  # spread between refocused shots, in percent of MTF50
    remarks: tuple[SeriesRemark, ...] = ()
    quick: QuickFindings | None = None  # of a ten-minute test; `best` is None then
    best_by_purpose: dict[str, BestSetting] = field(default_factory=dict)
    purposes: dict[str, str] = field(default_factory=dict)  # purpose -> the zone that counts for it
    zoom_at_own_best: BestSetting | None = None  # each focal length at its best stop; None for one
    zoom_at_equal_stop: tuple[BestSetting, ...] = ()  # the same at each stop that two share

    @property
    def at_best(self) -> FocalLengthFindings | None:
        """Findings at the best setting's focal length."""
        of_best = (
            focal
            for focal in self.by_focal_length
            if self.best and focal.focal_length_mm == self.best.focal_length_mm
        )
        return next(of_best, None)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SweepFindings:
    """Everything a sweep found."""

    lenses: tuple[LensFindings, ...]
    unplaced: tuple[RejectedShot, ...] = ()  # of no lens: unreadable, or shut out by the table
    version: str = ""
    method: str = "refined"
    command: str = ""  # by which it was asked for; empty where it was no command
    tie: str = "best"  # rule by which one of equally good stops is taken


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class KeptShots:
    """What a sweep's folder keeps, to make its reports anew without the photographs."""

    shots: tuple[SweepShot, ...]  # as `SweepFindings` rest on them
    method: str
    tie: str
    command: str = ""
    missing: tuple[RejectedShot, ...] = ()  # photographs that could not be had, and are no shots
