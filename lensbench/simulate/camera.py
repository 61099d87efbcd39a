"""A described camera, where it stands, and where a point of the chart falls in its picture.

The lens is a thin one: the chart's centre lies u = f (1 + 1/m) before it and the sensor v = f (1 + m) behind.
The camera is always aimed at the chart's centre; turning it moves it round that point. In the picture,
distortion and then the radial scale of the colour move a point along the radius.
"""

from dataclasses import dataclass
from typing import Final, Self

import numpy as np
import numpy.typing as npt

from lensbench import optics
from lensbench.model.errors import SettingError
from lensbench.model.units import FloatArray
from lensbench.simulate.lens import ZoomPosition

MOST_PIXELS: Final = 150_000_000  # above the largest sensors on sale; a guard against a slip of the finger

# xtrans: a six by six arrangement with green in every row and column; common knowledge, from memory.
CFA_TILES: Final = {"rggb": "rg gb", "bggr": "bg gr", "grbg": "gr bg", "gbrg": "gb rg"} | {
    "xtrans": "gbggrg rgrbgb gbggrg grggbg bgbrgr grggbg"
}
CFA_PATTERNS: Final = (*CFA_TILES, "mono")


@dataclass(frozen=True, slots=True, kw_only=True)
class Camera:
    """A camera by its description; invented names only."""

    maker: str = "Invented"
    model: str = "Box One"
    rows: int = 1160
    cols: int = 1740
    pitch_um: float = 4.0
    cfa: str = "rggb"
    """One of the four Bayer phases, xtrans or mono."""
    black: int = 512
    white: int = 16383
    bits: int = 14
    electrons_at_white: float = 40_000.0
    """At base ISO; it falls as the ISO rises."""
    base_iso: int = 100
    read_noise_electrons: float = 3.0
    red_response: float = 0.5
    """Share of the green signal that red sites give under white light."""
    blue_response: float = 0.6

    def __post_init__(self) -> None:
        if self.cfa not in CFA_PATTERNS:
            raise SettingError(f"colour filter «{self.cfa}» is not known; take one of {CFA_PATTERNS}.")
        if self.rows % 2 or self.cols % 2 or min(self.rows, self.cols) < 16:
            raise SettingError(f"a picture of {self.rows}x{self.cols} px: sides must be even and 16 or more.")
        if self.rows * self.cols > MOST_PIXELS:
            raise SettingError(
                f"a picture of {self.rows}x{self.cols} px is larger than {MOST_PIXELS / 1e6:g} million pixels."
            )
        if not 0 <= self.black < self.white < 2**self.bits:
            raise SettingError(
                f"black {self.black} and white {self.white} must rise, below 2^{self.bits} = {2**self.bits}."
            )

    @property
    def center_px(self) -> tuple[float, float]:
        """Centre of the picture (row, column)."""
        return (self.rows - 1) / 2.0, (self.cols - 1) / 2.0

    @property
    def half_diagonal_px(self) -> float:
        """From the picture's centre to its corner."""
        return float(np.hypot(self.rows, self.cols) / 2.0)

    @property
    def channels(self) -> tuple[str, ...]:
        """The channels that the sensor has."""
        return ("grey",) if self.cfa == "mono" else ("green", "red", "blue")

    def response(self, channel: str) -> float:
        """Signal of a channel under white light, as a share of green's."""
        return {"red": self.red_response, "blue": self.blue_response}.get(channel, 1.0)

    def tile(self) -> npt.NDArray[np.uint8]:
        """Smallest repeating piece of the colour filter: 0 red, 1 green, 2 blue."""
        rows = CFA_TILES[self.cfa].split()
        return np.array([["rgb".index(letter) for letter in row] for row in rows], dtype=np.uint8)

    def sites(self, channel: str) -> npt.NDArray[np.bool_]:
        """Mask, True where the sensor has a site of this channel, shape (rows, cols)."""
        if channel == "grey":
            return np.ones((self.rows, self.cols), dtype=np.bool_)
        tile = self.tile() == ("red", "green", "blue").index(channel)
        times = (-(-self.rows // tile.shape[0]), -(-self.cols // tile.shape[1]))
        return np.tile(tile, times)[: self.rows, : self.cols]


_NEWTON_STEPS = 6

MOST_TILT_DEG: Final = 45.0  # beyond it no chart is photographed, and its far side runs off to the horizon


@dataclass(frozen=True, slots=True, kw_only=True)
class Pose:
    """How the camera stands before the chart."""

    pitch_deg: float = 0.0
    """Positive when the camera is turned upward."""
    yaw_deg: float = 0.0
    """Positive when the camera is turned to its right."""
    roll_deg: float = 0.0
    """Positive clockwise, seen from behind the camera."""
    distance_mm: float | None = None
    """From the chart plane to the sensor; None: the chart fills the frame."""

    def __post_init__(self) -> None:
        if max(abs(self.pitch_deg), abs(self.yaw_deg)) > MOST_TILT_DEG:
            raise SettingError(
                f"a camera turned by pitch {self.pitch_deg:g} and yaw {self.yaw_deg:g} degrees: "
                f"give {MOST_TILT_DEG:g} at most."
            )

    def camera_axes(self) -> FloatArray:
        """Camera's right, down and forward axes as columns, in the chart's right, down, inward."""
        pitch, yaw, roll = np.deg2rad([self.pitch_deg, self.yaw_deg, self.roll_deg])
        turn_yaw = np.array([[np.cos(yaw), 0, np.sin(yaw)], [0, 1, 0], [-np.sin(yaw), 0, np.cos(yaw)]])
        turn_pitch = np.array(
            [[1, 0, 0], [0, np.cos(pitch), -np.sin(pitch)], [0, np.sin(pitch), np.cos(pitch)]]
        )
        turn_roll = np.array([[np.cos(roll), -np.sin(roll), 0], [np.sin(roll), np.cos(roll), 0], [0, 0, 1]])
        return np.asarray(turn_yaw @ turn_pitch @ turn_roll)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class View:
    """The way from the chart's millimetres to pixels and back; points are (..., 2) of (row, column)."""

    to_picture: FloatArray
    """Homography from (right, down, 1) in mm to (right, down, depth): pixels from the centre, and mm."""
    to_chart: FloatArray  # its inverse
    center_px: tuple[float, float]
    half_diagonal_px: float
    distortion: float  # radial displacement at the half-diagonal, as a fraction
    magnification: float
    object_distance_mm: float

    @classmethod
    def of(cls, camera: Camera, optics_here: ZoomPosition, *, pose: Pose, magnification: float) -> Self:
        """View of a camera standing so that the chart's centre has a magnification."""
        focal_length_mm = optics_here.focal_length_mm
        object_mm = optics.object_distance_mm(focal_length_mm=focal_length_mm, magnification=magnification)
        image_px = 1000.0 * magnification * object_mm / camera.pitch_um
        axes = pose.camera_axes()
        # A chart point X (right, down, 0) stands at axes^T X + (0, 0, u) in the camera's own axes.
        rigid = axes.T @ np.diag([1.0, 1.0, 0.0]) + np.outer([0.0, 0.0, object_mm], [0.0, 0.0, 1.0])
        to_picture = np.diag([image_px, image_px, 1.0]) @ rigid
        return cls(
            to_picture=to_picture,
            to_chart=np.linalg.inv(to_picture),
            center_px=camera.center_px,
            half_diagonal_px=camera.half_diagonal_px,
            distortion=optics_here.distortion_percent / 100.0,
            magnification=magnification,
            object_distance_mm=object_mm,
        )

    def pixel_of(self, point_mm: FloatArray, *, outward: float = 0.0) -> FloatArray:
        """Pixels that chart points fall on, for a colour displaced outward by a fraction."""
        away = _project(self.to_picture, point_mm)
        squared = np.sum(away**2, axis=-1, keepdims=True) / self.half_diagonal_px**2
        return np.asarray(away * ((1.0 + self.distortion * squared) * (1.0 + outward)) + self.center_px)

    def chart_point_of(self, pixel_px: FloatArray, *, outward: float = 0.0) -> FloatArray:
        """Chart points (mm) that pixels look at: the exact inverse of `pixel_of`."""
        away = (pixel_px - np.asarray(self.center_px)) / (1.0 + outward) / self.half_diagonal_px
        bent = np.sqrt(np.sum(away**2, axis=-1, keepdims=True))
        straight = bent.copy()
        for _ in range(_NEWTON_STEPS):
            excess = straight * (1.0 + self.distortion * straight**2) - bent
            straight = straight - excess / (1.0 + 3.0 * self.distortion * straight**2)
        ratio = np.where(bent > 0.0, straight / np.where(bent > 0.0, bent, 1.0), 1.0)
        return _project(self.to_chart, away * ratio * self.half_diagonal_px)

    def depth_mm(self, point_mm: FloatArray) -> FloatArray:
        """How much further than the chart's centre points lie, along the optical axis."""
        return np.asarray(point_mm[..., ::-1] @ self.to_picture[2, :2])

    def jacobian(self, point_mm: FloatArray, *, outward: float = 0.0, step_mm: float = 0.05) -> FloatArray:
        """Jacobian of pixels by millimetres at one point, shape (2, 2): d pixel_i / d mm_j."""
        steps = step_mm * np.array([[1.0, 0.0], [-1.0, 0.0], [0.0, 1.0], [0.0, -1.0]])
        px = self.pixel_of(point_mm + steps, outward=outward)
        return np.stack([px[0] - px[1], px[2] - px[3]], axis=1) / (2.0 * step_mm)


def _project(matrix: FloatArray, point: FloatArray) -> FloatArray:
    """Apply a homography that works on (right, down, 1) to points given as (row, column)."""
    homogeneous = point[..., ::-1] @ matrix[:, :2].T + matrix[:, 2]
    return np.asarray((homogeneous[..., :2] / homogeneous[..., 2:])[..., ::-1])


def magnification_of(
    pose: Pose, *, focal_length_mm: float, frame_mm: tuple[float, float], camera: Camera
) -> float:
    """Magnification at the chart's centre: by the distance, or so that the chart fills the frame."""
    if pose.distance_mm is None:
        height_mm, width_mm = (side * camera.pitch_um / 1000.0 for side in (camera.rows, camera.cols))
        return min(height_mm / frame_mm[0], width_mm / frame_mm[1])
    found = optics.magnification_at_chart_distance(
        focal_length_mm=focal_length_mm, chart_distance_mm=pose.distance_mm
    )
    if not found > 0.0:
        raise SettingError(
            f"distance {pose.distance_mm:g} mm is below four focal lengths ({4 * focal_length_mm:g} mm); "
            "stand further away."
        )
    return found
