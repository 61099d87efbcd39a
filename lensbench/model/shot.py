"""Frozen records that rooms hand to each other; no room's logic lives here.

Lengths on the sensor are pixels; coordinates and sizes are (row, column), and the centre of the first visible
pixel is (0, 0). A figure that could not be measured is NaN and its edge bears a flag that says why.
"""

from dataclasses import dataclass, field, fields
from enum import StrEnum
from math import isfinite
from pathlib import Path
from typing import Final

import numpy as np
import numpy.typing as npt

from lensbench.model.errors import Remark
from lensbench.model.units import FloatArray, picture_height_px

BoolArray = npt.NDArray[np.bool_]
ByteArray = npt.NDArray[np.uint8]
IntArray = npt.NDArray[np.int64]
NAN: Final = float("nan")

ZONES: Final = ("inner", "middle", "outer", "frame")
"""Three rings about the centre, each a third of the picture's area, and their plain mean."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Box:
    """A rectangle of whole pixels."""

    top: int
    left: int
    height: int
    width: int

    def __str__(self) -> str:
        return f"{self.top},{self.left},{self.height},{self.width}"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Samples:
    """Linear samples of one channel inside a box, each at its true position on the sensor."""

    box: Box
    channel: str  # green, red, blue, grey or luminance
    values: FloatArray  # shape (height, width): 0 is black, 1 is white; only meaningful where `present`
    present: BoolArray  # True where the sensor has a site of this channel (everywhere in a finished picture)
    clipped: BoolArray  # True where the sample stands at the white or the black limit
    is_sensor: bool = True  # False in a finished picture, whose errors hang together from pixel to pixel
    rounding_sd: tuple[float, float] = (
        0.0,
        0.0,
    )  # by rounding to whole codes, on the dark and on the bright side
    tone_known: bool = True  # False where a tone curve was assumed (JPEG): figures are then relative only
    light_slope_per_px: tuple[float, float] | None = None
    """Of the light's logarithm, downwards and to the right, where something outside the box tells it."""
    light_slope_sd_per_px: float = 0.0
    """How far the light at the box may slope otherwise, in any direction."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Overview:
    """A small grey copy of a picture.

    Row i of the overview averages the full picture's rows i * factor .. (i + 1) * factor - 1, so its centre
    stands at row (i + 0.5) * factor - 0.5 of the full picture; columns likewise.
    """

    grey: ByteArray  # about the square root of linear light, paper near white
    factor: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Metadata:
    """What a photograph says of itself; None where it says nothing that can be true."""

    camera: str | None = None
    lens: str | None = None
    f_number: float | None = None
    focal_length_mm: float | None = None
    focal_length_35mm_mm: float | None = None
    iso: int | None = None
    exposure_s: float | None = None
    taken_at: str | None = None  # ISO 8601, with fractions of a second where known
    orientation: int = 1  # EXIF orientation: how a picture is shown, and so which of its sides is its height
    sensor_width_mm: float | None = None  # from the focal-plane resolution and the width it refers to
    sensor_width_px: int | None = None  # the picture width that the focal-plane resolution refers to
    lens_focal_range_mm: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PhysicalFit:
    """The blur of one edge told apart into what physics demands and what was added."""

    fits: bool
    mtf50_cypx: float
    mtf50_sd_cypx: float
    diffraction_q: float  # wavelength times f-number over pixel pitch
    defocus_disc_px: float  # diameter of the geometric blur disc
    gaussian_sigma_px: float
    reduced_chi2: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Edge:
    """One measured edge: its line, its SFR and the figures drawn from it."""

    roi: Box
    channel: str
    angle_deg: float
    """From the columns' direction, in [-90, 90), positive when the upper end leans to the right."""
    mtf50_cypx: float = NAN
    mtf50_sd_cypx: float = NAN
    mtf30_cypx: float = NAN
    mtf30_sd_cypx: float = NAN
    mtf20_cypx: float = NAN
    mtf20_sd_cypx: float = NAN
    mtf10_cypx: float = NAN
    mtf10_sd_cypx: float = NAN
    rise_10_90_px: float = NAN
    rise_10_90_sd_px: float = NAN
    overshoot_percent: float = NAN
    undershoot_percent: float = NAN
    snr: float = NAN  # (bright - dark) over the rms noise of the two plateaus
    point_px: tuple[float, float] = (NAN, NAN)
    """Where the edge passes nearest to the region's centre: (row, column) in the picture; known wherever a line could
    be fitted, even where its sharpness is refused."""
    dark_level: float = NAN  # plateau on the dark side, linear, white = 1
    bright_level: float = NAN
    frequency_cypx: FloatArray = field(default_factory=lambda: np.empty(0))
    sfr: FloatArray = field(default_factory=lambda: np.empty(0))
    sfr_sd: FloatArray = field(default_factory=lambda: np.empty(0))
    esf_position_px: FloatArray = field(default_factory=lambda: np.empty(0))
    """Positions along the edge normal, from the edge, towards the bright side."""
    esf: FloatArray = field(default_factory=lambda: np.empty(0))
    """Edge spread function, 0 on the dark plateau and 1 on the bright one."""
    flags: tuple[Remark, ...] = ()
    physical: PhysicalFit | None = None
    acutance: float | None = None  # 0 to about 1; for a way of looking at a print, as are the next three
    acutance_sd: float | None = None
    sharpness_jnd: float | None = None  # just noticeable differences above the ruler's softest picture
    sharpness_jnd_sd: float | None = None
    lateral_color_px: tuple[float, float] | None = None  # red, blue against green, outwards along the radius

    @property
    def measured(self) -> bool:
        """Whether a figure came out."""
        return isfinite(self.mtf50_cypx)


class Direction(StrEnum):
    """Lens trade's line convention: an edge along the radius gives the sagittal figure."""

    SAGITTAL = "sagittal"
    TANGENTIAL = "tangential"
    OBLIQUE = "oblique"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ChartEdge:
    """An edge of the chart, with its place in the picture."""

    edge: Edge
    target: str
    arm: int  # 1 to 4, counter-clockwise on the chart as printed
    center_px: tuple[float, float]
    image_height: float  # fraction of the half-diagonal
    azimuth_deg: float  # 0 to the right of the picture as stored, positive counter-clockwise
    direction: Direction


@dataclass(frozen=True, slots=True, kw_only=True)
class Tilt:
    """How the camera was turned away from facing the chart squarely."""

    pitch_deg: float
    yaw_deg: float
    roll_deg: float
    pitch_sd_deg: float = NAN  # from the picture, and of a wall set from the pages' prints and hanging
    yaw_sd_deg: float = NAN
    roll_sd_deg: float = NAN


@dataclass(frozen=True, slots=True, kw_only=True)
class TargetLight:
    """How bright the paper is beside one target."""

    target: str
    center_px: tuple[float, float]
    image_height: float  # fraction of the half-diagonal
    percent: float  # of that in the picture's centre, light from one side taken out


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartSeen:
    """Which chart was recognised, and how much of it."""

    name: str  # as the chart prints it: «sheet A3»
    targets_found: int
    targets_on_chart: int
    contrast: float  # bright over dark, as the sensor saw it
    residual_px: float  # rms distance of the found crossings from the fitted geometry
    radial_distortion_percent: float
    """At the picture's corner: 100 (actual image height - predicted) / predicted (ISO 17850, local geometric
    distortion, from memory); negative is barrel."""
    tone_exponent: float = NAN  # power of the printed greys that the levels follow, 1 linear; NaN: not read
    framing_percent: float = NAN  # share of the picture inside the outline of the targets seen
    outermost_light_percent: float = NAN  # paper's light at the outermost target's distance, of the centre's
    outermost_height: float = NAN  # that distance, as a fraction of the half-diagonal
    relative_illumination: tuple[TargetLight, ...] = ()  # target by target; empty where too few are seen


class VeilBound(StrEnum):
    """What a veil holds besides: it is an upper bound by as much."""

    INK = "ink"  # the reflectance of the print's solid black
    PRINT = "print"  # that of the dark quarters, whatever they were drawn for: no black was at hand


@dataclass(frozen=True, slots=True, kw_only=True)
class Veil:
    """Light on the dark quarters that does not belong there, in percent of the level of the paper beside them."""

    percent: float = NAN  # median over the targets
    sd_over_field_percent: float = NAN  # standard deviation over the targets
    bound: VeilBound = VeilBound.PRINT


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneFigure:
    """MTF50 of one zone of the picture, sagittal and tangential counting equally."""

    mtf50_cypx: float
    ci95_cypx: tuple[float, float]
    edges: int
    sagittal_cypx: float
    tangential_cypx: float


class Place(StrEnum):
    """Where in the picture, as stored, a thumbnail comes from."""

    CENTRE = "centre"
    UPPER_LEFT = "upper left"
    UPPER_RIGHT = "upper right"
    LOWER_LEFT = "lower left"
    LOWER_RIGHT = "lower right"


_CODES_BEYOND: Final = 0.35
"""Of the step from dark to bright, below and above it: room for overshoots and noise in a thumbnail's codes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Thumbnail:
    """A few actual pixels about a target's crossing, linear: enough to see how sharp it is."""

    place: Place
    target: str
    box: Box
    codes: bytes  # row by row, one byte a pixel; `light` reads them
    dark_level: float  # of the target's dark and bright quarters, linear, white = 1
    bright_level: float

    def __post_init__(self) -> None:
        """Refuse, by a ValueError, what was kept and is damaged."""
        if len(self.codes) != self.box.height * self.box.width:
            raise ValueError(f"{len(self.codes)} codes for {self.box.height} x {self.box.width} pixels")

    @staticmethod
    def coded(light: FloatArray, *, dark_level: float, bright_level: float) -> bytes:
        """Codes of linear light, shape (rows, columns), evenly from 35 % of the step below dark to as much above."""
        share = (light - dark_level) / (bright_level - dark_level)
        codes = np.rint(255.0 * (share + _CODES_BEYOND) / (1.0 + 2.0 * _CODES_BEYOND))
        return bytes(np.clip(codes, 0.0, 255.0).astype(np.uint8).tobytes())

    @property
    def light(self) -> FloatArray:
        """Linear light, shape (height, width), 0 at the dark quarters and 1 at the bright ones: alike for all shots."""
        codes = np.frombuffer(self.codes, np.uint8).reshape(self.box.height, self.box.width)
        return codes / 255.0 * (1.0 + 2.0 * _CODES_BEYOND) - _CODES_BEYOND


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, weakref_slot=True)
class ShotResult:
    """Everything measured in one photograph of the chart."""

    path: Path
    metadata: Metadata
    size_px: tuple[int, int]
    sensor_data: bool  # True for raw, False for a finished picture
    pixel_pitch_um: float | None
    chart: ChartSeen
    magnification: float | None
    distance_mm: float | None
    tilt: Tilt
    edges: tuple[ChartEdge, ...]
    summary: dict[str, ZoneFigure]
    quality: tuple[Remark, ...]
    veil: Veil = Veil()
    thumbnails: tuple[Thumbnail, ...] = ()  # at most five: centre and corners; none of a quick look
    sha256: str = ""  # of the file; empty where the result was not to be kept

    @property
    def picture_height_px(self) -> int:
        """Height of the picture as it is viewed."""
        return picture_height_px(self.size_px, orientation=self.metadata.orientation)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PrintProfile:
    """How sharply a chart was printed, measured on the print itself."""

    name: str
    edge_sigma_mm: float  # of the Gaussian that blurs like the print's edges
    edge_sigma_sd_mm: float
    frequency_cymm: FloatArray  # cycles per millimetre on the paper, from 0, evenly spaced
    mtf: FloatArray  # what the print leaves; beyond the last frequency, the Gaussian of `edge_sigma_mm`
    mtf_sd: FloatArray
    made_from: str  # in words: «3 edges of a scan with 1200 dpi»


@dataclass(frozen=True, slots=True, kw_only=True)
class RejectedShot:
    """A photograph that could not be used, and why."""

    path: Path
    reason: str


class Turned(StrEnum):
    """What was turned by 180 degrees for a shot."""

    CAMERA = "camera"
    CHART = "chart"


@dataclass(frozen=True, slots=True, kw_only=True)
class TableRow:
    """One row of a shots table, in the order of its columns; None or empty where a cell is empty.

    An empty `file` stands for a shot that was planned and not taken.
    """

    file: str = ""
    lens: str | None = None
    camera: str | None = None
    f_number: float | None = None
    focal_length_mm: float | None = None
    pitch_um: float | None = None
    focus_group: str = ""
    focus_step: float | None = None
    condition: str = ""
    turned: Turned | None = None
    use: bool = True


TABLE_COLUMNS: Final = tuple(item.name for item in fields(TableRow))  # of a shots table
