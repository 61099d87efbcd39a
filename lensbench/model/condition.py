"""Frozen records of the state of a lens: what was judged, how it came out, and the figures that say so.

Percent are of MTF50. f-numbers are nominal ones; an unknown focal length is None. A figure that does not exist is NaN:
micrometres where the pixel pitch is unknown, and a reach, half the interval of 95 %, with a single shot. There is no
sentence here: `report` makes them.
"""

from dataclasses import dataclass
from enum import StrEnum
from math import nan
from typing import Final

QUICK_TEST: Final = "ten-minute test"
"""A shots table asks for the ten-minute test where the condition of every shot begins so, as `plan --quick` writes."""


class Subject(StrEnum):
    """What is judged."""

    TILT = "tilt"
    DECENTRING = "decentring"
    FIELD_CURVATURE = "field curvature"
    FOCUS_SHIFT = "focus shift"
    ASTIGMATISM = "astigmatism"
    LATERAL_COLOUR = "lateral colour"
    DISTORTION = "distortion"


class Verdict(StrEnum):
    """How it came out; `matters` only where the interval leaves no doubt and the size matters in a picture."""

    WITHIN_LIMITS = "within_limits"
    CANNOT_TELL = "cannot_tell"
    MATTERS = "matters"

    @property
    def weight(self) -> int:
        """Place from the harmless to the grave, for the worst of several."""
        return list(Verdict).index(self)


class Side(StrEnum):
    """A side of the picture as stored; from the right, counter-clockwise, in steps of 45 degrees."""

    RIGHT = "right"
    UPPER_RIGHT = "upper right"
    TOP = "top"
    UPPER_LEFT = "upper left"
    LEFT = "left"
    LOWER_LEFT = "lower left"
    BOTTOM = "bottom"
    LOWER_RIGHT = "lower right"


class Source(StrEnum):
    """What an asymmetry comes from."""

    SHOTS = "shots"
    FOCUS_BRACKET = "focus bracket"  # the peak of every target at its own best focus


class Colour(StrEnum):
    """A colour that is held against green."""

    RED = "red"
    BLUE = "blue"


class TurnedOutcome(StrEnum):
    """What the test with the camera (or the chart) turned by 180 degrees showed."""

    NOT_DONE = "not_done"
    STAYED = "stayed"  # with the picture, hence with lens and camera
    MOVED = "moved"  # with the chart or the wall
    BOTH = "both"
    OPEN = "open"


class Cause(StrEnum):
    """What else could make one side softer."""

    TILT = "tilt"
    FOCUS = "focus"
    SHAKE = "shake"
    CHART = "chart and wall"


class Reason(StrEnum):
    """Why another cause is, or is not, out of the question."""

    PEAKS_COMPARED = "peaks_compared"  # tilt costs nothing where every target is taken at its own best focus
    IN_INTERVAL = "in_interval"  # what the tilt could account for at most, in percent, is in the interval
    FOCUS_TILTS = "focus_tilts"  # it is focus: its plane is tilted
    NO_FOCUS_REGAINS = "no_focus_regains"  # no position of a focus bracket makes the soft side as sharp
    BRACKET_SILENT = "bracket_silent"  # there is one, but it does not show the asymmetry by itself
    REFOCUSED_ONLY = "refocused_only"  # it stayed through so many refocused shots
    SHAKEN = "shaken"  # so many photographs show shake
    NONE_SHAKEN = "none_shaken"  # none of so many photographs does
    TURNED_TEST = "turned_test"  # as the turned test says
    NOT_TURNED = "not_turned"


@dataclass(frozen=True, slots=True, kw_only=True)
class CameraTilt:
    """How squarely the camera stood: medians over the shots."""

    yaw_deg: float
    yaw_sd_deg: float
    pitch_deg: float
    pitch_sd_deg: float
    f_number: float  # the widest one, at which the loss is stated


@dataclass(frozen=True, slots=True, kw_only=True)
class SideAsymmetry:
    """How much one side stays behind the side opposite, at one setting."""

    focal_length_mm: float | None
    f_number: float
    percent: float  # what the shots' scatter alone would make of it is taken off
    ci95_percent: tuple[float, float]
    softer_azimuth_deg: float  # 0 to the right of the picture as stored, positive counter-clockwise
    softer_side: Side
    shots: int  # refocused ones, those of the turned camera included
    turned_shots: int
    tilt_percent: float
    """What the chart's tilt could do at most, with the largest focus error that the stop's blur allows; it is in the
    interval, and 0 from a focus bracket."""
    source: Source
    matters: bool  # beyond chance and beyond the tilt, and large enough
    matters_from_percent: float = nan
    """What it would have to be with this scatter, all settings judged together; NaN from one shot."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TurnedTest:
    """What stayed on its side of the picture and what changed sides, at the widest stop shot both ways."""

    outcome: TurnedOutcome
    stayed_percent: float = nan
    moved_percent: float = nan
    reach_percent: float = nan
    chart_only: bool = False  # not the camera, as far as is known: wall, light and tilt stayed as they were
    told: bool = True  # whether the shots table or the files say what was turned; else the chart is assumed


@dataclass(frozen=True, slots=True, kw_only=True)
class FocusTilt:
    """How much the plane of best focus is tilted beyond what the chart's tilt explains."""

    focal_length_mm: float | None
    f_number: float
    um: float  # at one half-diagonal
    loss_percent: float  # what that costs the sides where the centre is in focus
    ci95_percent: tuple[float, float]  # NaN where the chart's own part is not known
    side: Side  # whose best focus lies at higher steps
    matters: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class SideFigure:
    """Mean MTF50 of one side of the picture, outside of an image height of 0.5."""

    side: Side
    mtf50_cypx: float


@dataclass(frozen=True, slots=True, kw_only=True)
class OtherCause:
    """One other cause, and whether it is out of the question."""

    cause: Cause
    ruled_out: bool
    reason: Reason
    figure: float = nan  # what the reason counts: percent or photographs
    shots: int = 0  # of how many


@dataclass(frozen=True, slots=True, kw_only=True)
class Decentring:
    """All that bears on the asymmetry of one lens."""

    rows: tuple[SideAsymmetry, ...]  # every setting
    main: SideAsymmetry  # the setting that shows it most clearly, else the widest one that was repeated
    detection_limit_percent: float  # what every repeated stop would have shown; NaN without repeats
    lean_limit_percent: float  # what a leaning plane of focus could cost the sides unseen
    focus_tilt: FocusTilt | None  # of the clearest focus bracket
    turned: TurnedTest
    repeats: tuple[int, int]  # fewest and most shots of settings shot more than once; (0, 0) without
    brackets: int
    bracket_shots: int
    sides: tuple[SideFigure, ...] = ()  # at the main setting; filled in, as the next, where it matters
    other_causes: tuple[OtherCause, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaneDistance:
    """The distance between two planes of focus, and what it costs to focus on the other one.

    In the sds and intervals is what the model of the pupil and the law of the height may err by.
    """

    verdict: Verdict
    focal_length_mm: float | None
    f_number: float
    against_f_number: float  # the stop that it is held against (focus shift); the same for the others
    steps: float
    sd_steps: float
    um: float  # on the sensor's side
    sd_um: float
    image_height: float  # where it is told: of the outermost target with a peak; 0 for focus shift
    loss_percent: float  # of the outer zone, at image height 0.8; of focus shift, of the inner zone
    ci95_percent: tuple[float, float]
    brackets: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Falloff:
    """How much softer the outer zone is than the inner one at one setting."""

    focal_length_mm: float | None
    f_number: float
    percent: float
    reach_percent: float
    middle_percent: float  # of the middle zone
    shots: int


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldCurvature:
    """From focus brackets; without, the fall of sharpness bounds it."""

    distance: PlaneDistance | None  # of the outermost target's best focus from the centre's
    falloff: Falloff | None  # at the stop where it is largest


@dataclass(frozen=True, slots=True, kw_only=True)
class SagittalSplit:
    """Sagittal against tangential sharpness in the outer field of refocused shots, at one setting."""

    verdict: Verdict
    focal_length_mm: float | None
    f_number: float
    sagittal_percent: float  # how far the softer ones stay behind; positive where sagittal is sharper
    ci95_percent: tuple[float, float]  # of its size; for all settings at once
    shots: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Astigmatism:
    """From refocused shots and from focus brackets, as far as there are any."""

    split: SagittalSplit | None
    distance: PlaneDistance | None  # of the sagittal from the tangential plane at the outermost target


@dataclass(frozen=True, slots=True, kw_only=True)
class ColourShift:
    """Radial position of one colour against green in the corner of the picture, positive outwards."""

    verdict: Verdict
    colour: Colour
    focal_length_mm: float | None
    px: float
    reach_px: float
    um: float
    shots: int


@dataclass(frozen=True, slots=True, kw_only=True)
class LateralColour:
    """Red and blue at every focal length."""

    shifts: tuple[ColourShift, ...]
    main: ColourShift  # the one that shows most


@dataclass(frozen=True, slots=True, kw_only=True)
class Distortion:
    """Radial distortion in the corner at the focal length that shows most; negative is barrel."""

    verdict: Verdict
    focal_length_mm: float | None
    percent: float
    reach_percent: float
    shots: int
    focal_lengths: int  # how many there are to choose from


Details = (
    CameraTilt | Decentring | FieldCurvature | PlaneDistance | Astigmatism | LateralColour | Distortion | None
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ConditionFinding:
    """One finding on the state of the lens."""

    subject: Subject
    limit: float  # from which size on it matters in a picture
    unit: str = "%"  # of value, limit and interval: «%» of MTF50 (distortion: of the image height), or «px»
    verdict: Verdict = Verdict.CANNOT_TELL
    value: float = nan  # the limit is for its size; the sign is lateral colour's or distortion's
    ci95: tuple[float, float] = (nan, nan)
    side: Side | None = None  # decentring: the softer one, or that to which the plane of focus leans
    details: Details = None  # what the sentences need; None where nothing could be measured


@dataclass(frozen=True, slots=True, kw_only=True)
class InnerSharpness:
    """The inner zone at the narrower stop of a ten-minute test, against what physics and a home print let pass."""

    focal_length_mm: float | None
    f_number: float
    share_percent: float  # of the MTF50 that diffraction, pixel and a home print allow
    wide_f_number: float  # the wider stop; NaN where one stop was shot
    wide_inner_percent: float  # change of MTF50 there
    wide_outer_percent: float


@dataclass(frozen=True, slots=True, kw_only=True)
class QuickFindings:
    """The answer of a ten-minute test: no best stop, only whether this copy is grossly wrong."""

    grossly_uneven: Verdict
    slightly_uneven: bool  # uneven beyond doubt, but no more than many sound lenses
    grossly_soft: Verdict
    inner: tuple[InnerSharpness, ...]  # by focal length; empty where f-number, scale or pitch are unknown
    turned_shots: int  # those with the chart, or the camera, on its head
