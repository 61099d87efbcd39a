"""Frozen records of what a study found: the findings of a sweep.

They mirror `findings.json` name by name, and carry beside it what a report shows. A figure that does not
exist is NaN (null in JSON); an unknown focal length is None. Settings are named by the nominal f-number;
the exact one is kept for physics.

Tables written beside them have the columns `SHOTS_COLUMNS` and `EDGES_COLUMNS`, in that order: one row a
photograph, one row an edge. `reading` takes `findings.json` and `shots.csv` up again.
"""

from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from lensbench.model.condition import LensEvidence
from lensbench.model.flags import Remark
from lensbench.model.setting import Setting
from lensbench.model.shot import ZONES, Metadata, RejectedShot, ShotResult, ZoneFigure
from lensbench.model.units import FloatArray

__all__ = [
    "EDGES_COLUMNS",
    "INDIFFERENCE",
    "PHYSICAL_COLUMNS",
    "SHOTS_COLUMNS",
    "BestSetting",
    "ConditionFinding",
    "CurvePoint",
    "FocalLengthFindings",
    "LensFindings",
    "PlannedShot",
    "QuickFindings",
    "Setting",
    "SharpEnough",
    "SmoothCurve",
    "SweepFindings",
    "SweepShot",
]


INDIFFERENCE: Final = 0.03
"""Settings whose MTF50 differs by less than this share count as equal; fixed before any picture is taken."""

_ZONE_COLUMNS: Final = (
    "mtf50_cypx",
    "ci95_low_cypx",
    "ci95_high_cypx",
    "sagittal_cypx",
    "tangential_cypx",
    "edges",
)

SHOTS_COLUMNS: Final = (
    *("file", "lens", "camera", "f_number", "exact_f_number", "focal_length_mm", "exact_focal_length_mm"),
    *("focus_group", "focus_step", "condition", "used", "reason"),
    *("iso", "exposure_s", "taken_at", "rows_px", "cols_px", "pixel_pitch_um", "sensor_data"),
    *("chart", "magnification", "distance_mm", "pitch_deg", "yaw_deg", "roll_deg"),
    *("targets", "contrast", "framing_percent", "distortion_percent"),
    *("outermost_height", "outermost_light_percent"),
    *(f"{zone}_{column}" for zone in ZONES for column in _ZONE_COLUMNS),
    "flags",
)
"""shots.csv. `file` is the path as given, `f_number` and `focal_length_mm` name the group the shot was put
in, `used` is yes or no, `reason` says why not, `flags` are names with a space between; unknown cells are
empty."""

EDGES_COLUMNS: Final = (
    *("file", "lens", "f_number", "focal_length_mm", "target", "arm", "direction", "channel"),
    *("center_row_px", "center_col_px", "image_height", "azimuth_deg", "angle_deg", "roi"),
    *("mtf50_cypx", "mtf50_sd_cypx", "mtf30_cypx", "mtf20_cypx", "mtf10_cypx"),
    *("rise_10_90_px", "overshoot_percent", "undershoot_percent", "snr", "flags"),
)
"""edges.csv. `roi` is TOP,LEFT,HEIGHT,WIDTH as `lensbench edge --roi` takes it."""

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
    focus_group: str = ""
    focus_step: float | None = None
    condition: str = ""
    left_out: str = ""
    """Why the shot is not used at all; empty when it is."""
    by_choice: bool = False
    """Left out because the photographer said so or a better file of the same shot is there: not rejected."""
    copy_of: Path | None = None
    """The file of equal content that counts instead of this one."""


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
    note: str
    """One sentence: what the model says, or why it was dropped."""


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
    provisional: bool
    """No winner is claimed: one shot a setting, or focal lengths at different magnifications."""
    caution: str
    """Why it is provisional or what it holds for; empty when nothing is to be said."""
    take: Setting | None = None
    """Which of the tied settings the tie rule names, at the best one's focal length."""
    take_rule: str = "best"
    """best, widest, middle, deepest."""
    sharp_enough: tuple[SharpEnough, ...] = ()
    """At 95, 90 and 80 % of the best; empty where several focal lengths compete."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ConditionFinding:
    """One finding on the state of the lens."""

    subject: str
    """tilt, decentring, field curvature, focus shift, astigmatism, lateral colour, distortion."""
    verdict: str
    """seen, not seen, can't tell."""
    evidence: str
    caution: str
    advice: str


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
    """By what the picture is for: `purposes.PURPOSES`."""
    holds_for: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class QuickFindings:
    """The answer of a ten-minute test: no best stop, only whether this copy is grossly wrong."""

    verdict: str
    """One clause, behind the lens's name."""
    evenness: str
    softness: str
    limits: str
    """What so few shots cannot tell. These four in plain words."""
    grossly_uneven: str
    """seen, not seen, can't tell."""
    grossly_soft: str
    """seen, not seen, can't tell."""
    turned_shots: int
    """Those with the chart, or the camera, on its head."""


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
    evidence: LensEvidence | None = None
    """For somebody who may want to return or repair the lens; None where no decentring was seen."""
    best_by_zone: dict[str, BestSetting] = field(default_factory=dict)
    answer: str = ""
    """The plain answer, one or two sentences."""
    holds_for: str = ""
    """«This copy, on this body, green channel, at 1.3 m (25 focal lengths), 3 shots a setting.»"""
    pixel_pitch_um: float | None = None
    size_px: tuple[int, int] | None = None
    """(rows, columns) of the photographs."""
    spread_from: str = ""
    """Where the spread comes from: «repeats», «scatter about the curve», or «assumed»."""
    shot_sd_percent: float = float("nan")
    """Spread between refocused shots, in percent of MTF50."""
    remarks: tuple[Remark, ...] = ()
    quick: QuickFindings | None = None
    """Of a ten-minute test; `best` is None then."""
    best_by_purpose: dict[str, BestSetting] = field(default_factory=dict)
    purposes: dict[str, str] = field(default_factory=dict)
    """Purpose -> what counts how much, in words."""
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
