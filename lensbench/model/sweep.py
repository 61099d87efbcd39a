"""Frozen records of a sweep: its shots, what was found, and the columns of the tables written beside it.

Findings mirror `findings.json` name by name, and carry beside it what a report shows. A figure that does not exist is
NaN (null in JSON); an unknown focal length is None. Settings are named by the nominal f-number; the exact one is kept
for physics.
"""

from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from typing import Final

import numpy as np

from lensbench.model.condition import ConditionFinding, QuickFindings
from lensbench.model.flags import Note
from lensbench.model.setting import Setting
from lensbench.model.shot import ZONES, Metadata, RejectedShot, ShotResult, Turned, ZoneFigure
from lensbench.model.units import FloatArray

INDIFFERENCE: Final = 0.03
"""Settings whose MTF50 differs by less than this share count as equal; fixed before any picture is taken."""

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
    *("outermost_height", "outermost_light_percent"),
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
"""edges.csv, a row an edge. `roi` is TOP,LEFT,HEIGHT,WIDTH as `lensbench edge --roi` takes it."""

PHYSICAL_COLUMNS: Final = (
    *("physical_fits", "physical_mtf50_cypx", "diffraction_q", "defocus_disc_px", "gaussian_sigma_px"),
)
"""Further columns of edges.csv where the physical reading was asked for; `physical_fits` is yes or no."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedShot:
    """One photograph with the settings it counts under, after the shots table had its say."""

    path: Path
    metadata: Metadata
    """As the file says, with the filled cells of the shots table put in."""
    overrides: Metadata | None
    """The shots table's filled cells alone; None without a row."""
    lens: str
    """The group's name: «unknown lens» where nobody named it."""
    camera: str
    setting: Setting
    """Nominal f-number and the focal group's median; None where unknown."""
    pitch_um: float | None = None
    """Pixel pitch that the shots table names. [um]"""
    focus_group: str = ""
    focus_step: float | None = None
    condition: str = ""
    turned: Turned | None = None
    """What was turned by 180 degrees, as the shots table says; the chart itself shows which shots were."""
    left_out: str = ""
    """Why the shot is not used at all; empty when it is."""
    by_choice: bool = False
    """Left out because the photographer said so or a better file of the same shot is there: not rejected."""
    copy_of: Path | None = None
    """The file of equal content that counts instead of this one."""

    @property
    def exact_f_number(self) -> float:
        """As the file says, else nominal; 0 where unknown."""
        return self.metadata.f_number or self.setting.f_number


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SweepShot:
    """One photograph of a sweep: what was planned and what came of it."""

    planned: PlannedShot
    result: ShotResult | RejectedShot
    reason: str = ""
    """Why a measured shot was not used for the findings; empty when it was."""

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
        return float(np.log(figure.mtf50_cypx)) if figure and figure.mtf50_cypx > 0.0 else float("nan")


@dataclass(frozen=True, slots=True, kw_only=True)
class CurvePoint:
    """MTF50 of one zone at one f-number and focal length."""

    f_number: float
    zone: str
    mtf50_cypx: float
    """Of the smooth curve where the model fits, else the mean of the shots."""
    ci95_cypx: tuple[float, float]
    """NaN where the spread between shots is not known."""
    shots: int
    """Refocused shots that count."""
    exact_f_number: float
    measured_cypx: float
    """Mean of the shots."""
    shot_mtf50_cypx: tuple[float, ...]
    """Each shot that counts."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SmoothCurve:
    """The model's curve through the points of one zone, for drawing."""

    f_number: FloatArray
    """Exact f-numbers, ascending."""
    mtf50_cypx: FloatArray
    fits: bool
    """False when the model was dropped for the measured means: don't draw it as the answer."""
    model_error: float
    """By which the model errs, as a share of MTF50; NaN where the stops are too few for it."""


class Purpose(StrEnum):
    """What a picture is for, and so which parts of it must be sharp."""

    CENTRE = "centre"
    FRAME = "whole_frame"
    EDGES = "edges"


class Unclaimed(StrEnum):
    """Why no winner is claimed."""

    FEW_SHOTS = "few_shots"
    """One shot a setting; the name says where the spread between shots was taken from instead of repeats."""
    MAGNIFICATION_UNKNOWN = "magnification_unknown"
    MAGNIFICATION_DIFFERS = "magnification_differs"
    """Between the focal lengths: the smallest and the largest. The print's own blur weighs differently."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SharpEnough:
    """The run of stops around the best one that keep a share of its MTF50, as far as stops were tested."""

    level_percent: float
    surely: tuple[float, ...]
    """f-numbers that keep it at 95 % confidence, all of them together; empty without repeats or focus brackets."""
    probably: tuple[float, ...]
    """f-numbers whose estimate keeps it: more likely than not. Holds those of `surely`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BestSetting:
    """The setting of lowest expected loss, with all that can't be told from it."""

    focal_length_mm: float | None
    f_number: float
    zone: str
    mtf50_cypx: float
    """Estimated free of the winner's curse."""
    ci95_cypx: tuple[float, float]
    tied: tuple[Setting, ...]
    """The best, and every setting that can't be told from it at 95 % or is within the indifference."""
    at_border: bool
    """The best lies at the first or last setting tested: «best tested»."""
    reservations: tuple[Note, ...] = ()
    """Why no winner is claimed, by `Unclaimed`; empty where one is."""
    take: Setting | None = None
    """Which of the tied settings the tie rule names, at the best one's focal length."""
    take_rule: str = "best"
    """best, widest, middle, deepest."""
    sharp_enough: tuple[SharpEnough, ...] = ()
    """At 95, 90 and 80 % of the best; empty where several focal lengths compete."""

    @property
    def provisional(self) -> bool:
        """Whether no winner is claimed."""
        return bool(self.reservations)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FocalLengthFindings:
    """The curve over the f-numbers at one focal length."""

    focal_length_mm: float | None
    best_f_number: float
    """For the zone `frame`."""
    tied_f_numbers: tuple[float, ...]
    zones: dict[str, ZoneFigure]
    """At the best f-number."""
    curve: tuple[CurvePoint, ...]
    best_by_zone: dict[str, BestSetting] = field(default_factory=dict)
    smooth: dict[str, SmoothCurve] = field(default_factory=dict)
    magnification: float = float("nan")
    """Median of the shots."""
    shots: int = 0
    best_by_purpose: dict[str, BestSetting] = field(default_factory=dict)
    """By `Purpose`."""


class Observed(StrEnum):
    """What a remark on a whole series goes by; beside each what its values are."""

    ISO = "iso"
    """Lowest and highest."""
    FILE_KIND = "file_kind"
    """Raw files, finished pictures."""
    PICTURE_SIZE = "picture_size_px"
    """Rows and columns of each size."""
    SHARPENED = "sharpened"
    """How many, of how many."""
    LIGHT = "light_stops"
    """Between the brightest and the darkest paper."""
    POSITION = "position_px"
    """How far the picture wanders, from the first shot to the last; so do the next three."""
    SCALE = "scale_percent"
    TURN = "turn_deg"
    SHARPNESS = "sharpness_percent"
    PRINT_RISE = "print_rise_mm"
    """10-90 % on the chart in mm; sigma in pixels of the picture; photographs."""
    BRACKET_END = "bracket_end"
    """The f-number of a focus bracket, and the step at its end where MTF50 still rises; its name."""
    BRACKET_FLAT = "bracket_flat"
    """The same of a focus bracket that hardly falls to its ends; its step is NaN."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SeriesRemark:
    """A flag raised for a whole series."""

    flag: str
    observations: tuple[Note, ...] = ()
    """By `Observed`."""
    focal_length_mm: float | None = None
    """Of the set-up, where the remark is on one; so are the next two."""
    condition: str = ""
    shots: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Basis:
    """What findings hold for: kind of files, distance, number of shots."""

    sensor_data: bool
    """Raw files, all of them."""
    channels: tuple[str, ...]
    shots_a_setting: tuple[int, int]
    """Fewest and most refocused shots; a group that was not refocused, or a bracket, counts once."""
    bracketed: bool
    distance_mm: tuple[float, float] = (float("nan"), float("nan"))
    """Shortest and longest; both the median where they are alike within 5 %."""
    distance_focal_lengths: tuple[float, float] = (float("nan"), float("nan"))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LensFindings:
    """All that was found for one lens on one camera."""

    lens: str
    camera: str
    shots: int
    """Photographs given, the rejected ones included."""
    rejected: tuple[RejectedShot, ...]
    best: BestSetting | None
    """For the zone `frame`; None where no setting could be measured."""
    by_focal_length: tuple[FocalLengthFindings, ...]
    condition: tuple[ConditionFinding, ...] = ()
    best_by_zone: dict[str, BestSetting] = field(default_factory=dict)
    basis: Basis | None = None
    pixel_pitch_um: float | None = None
    size_px: tuple[int, int] | None = None
    """(rows, columns) of the photographs."""
    picture_height_px: int | None = None
    """Height of the photographs as they are viewed: of the first that counts."""
    spread_from: str = ""
    """Where the spread comes from: «repeats», «scatter about the curve», or «assumed»."""
    shot_sd_percent: float = float("nan")
    """Spread between refocused shots, in percent of MTF50."""
    remarks: tuple[SeriesRemark, ...] = ()
    quick: QuickFindings | None = None
    """Of a ten-minute test; `best` is None then."""
    best_by_purpose: dict[str, BestSetting] = field(default_factory=dict)
    purposes: dict[str, str] = field(default_factory=dict)
    """Purpose -> the zone that counts for it."""
    zoom_at_own_best: BestSetting | None = None
    """Focal lengths against each other, each at its own best stop; None for a single one."""
    zoom_at_equal_stop: tuple[BestSetting, ...] = ()
    """The same at each stop that was tested at two or more focal lengths."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SweepFindings:
    """Everything a sweep found."""

    lenses: tuple[LensFindings, ...]
    unplaced: tuple[RejectedShot, ...] = ()
    """Files that belong to no lens: unreadable, or shut out by the shots table."""
    version: str = ""
    method: str = "refined"
