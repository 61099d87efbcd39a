"""A described lens: what it does to a point, as a function of stop, focal length, field and colour.

The transfer function at one place of the picture is a product of two: a circular pupil, exact in and out of focus
(Hopkins 1955), and a Gaussian for the aberrations, wider along the radius than across it where the description
says so. Every length of the description is on the sensor, in micrometres.
"""

from dataclasses import dataclass, fields
from typing import ClassVar, Final

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from lensbench import optics
from lensbench.model.errors import SettingError
from lensbench.model.units import FloatArray

ComplexArray = npt.NDArray[np.complex128]

_CUSP_STEPS: Final = 8.0
_GEOMETRIC_WAVES: Final = 40.0  # defocus beyond which the geometric disc alone is exact enough


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PupilTransfer:
    """Complex transfer of a pupil that is not round, as a cubic spline over a square of frequencies."""

    spline: npt.NDArray[np.complex64]
    """Coefficients over frequencies along the pupil's own axes, zero in the middle; the cusp there is left out."""
    step_cypx: float
    turn: FloatArray  # matrix from (down, right) to the pupil's axes
    fall: FloatArray
    """How steeply the transfer falls from 1 at zero, over directions of half a turn. [1 / table step]"""

    def at(self, down_cypx: npt.ArrayLike, right_cypx: npt.ArrayLike) -> ComplexArray:
        """Transfer at frequencies; nothing passes beyond the table."""
        down, right = np.broadcast_arrays(np.asarray(down_cypx), np.asarray(right_cypx))
        steps = self.turn @ np.stack([down.ravel(), right.ravel()]) / self.step_cypx
        places = steps + len(self.spline) // 2
        found = ndimage.map_coordinates(self.spline, places, output=np.complex128, prefilter=False)
        near = np.flatnonzero(np.abs(steps).max(axis=0) < 4.0 * _CUSP_STEPS)
        found[near] += cusp(steps[:, near], self.fall)
        return np.asarray(found.reshape(down.shape), np.complex128)


def cusp(steps: FloatArray, fall: FloatArray) -> FloatArray:
    """The cusp of a transfer at zero, fading away from it: no spline follows it, and it holds the far diffraction.

    `steps` holds frequencies, shape (2, ...), in steps of a table; `fall` as in `PupilTransfer`.
    """
    away = np.hypot(*steps)
    turn = np.arctan2(steps[1], steps[0]) / np.pi % 1.0 * fall.size
    steep = np.interp(turn, np.arange(fall.size + 1), np.append(fall, fall[0]))
    return np.asarray(-away * steep * np.exp(-np.square(away / _CUSP_STEPS)))


@dataclass(frozen=True, slots=True, kw_only=True)
class PointBlur:
    """What the lens does to a point at one place of the picture, in one colour."""

    q: float  # wavelength times working f-number over pixel pitch
    disc_px: float = 0.0  # diameter of the geometric focus disc
    spread_px2: tuple[float, float, float] = (0.0, 0.0, 0.0)
    """Gaussian covariance: row-row, row-column, column-column."""
    motion_px: tuple[float, float] = (0.0, 0.0)
    """Even movement of the image during the exposure: (down, right), from its beginning to its end."""
    pupil: PupilTransfer | None = None  # in place of the round pupil, in or out of focus

    def radial(self, frequency_cypx: npt.ArrayLike) -> FloatArray:
        """Part that is the same in every direction: the pupil, in or out of focus.

        A disc of diameter d stands for d / (8 q) waves of defocus at the pupil's rim.
        """
        if self.disc_px == 0.0:
            return optics.diffraction_mtf(frequency_cypx, self.q)
        waves = self.disc_px / (8.0 * self.q)
        if waves > _GEOMETRIC_WAVES:
            return optics.defocus_mtf(frequency_cypx, self.disc_px)
        return optics.defocused_diffraction_otf(np.asarray(frequency_cypx) * self.q, waves)

    def along(self, frequency_cypx: npt.ArrayLike, normal: tuple[float, float]) -> FloatArray | ComplexArray:
        """Optical transfer along a unit normal (row, column); it may turn negative, or complex."""
        row_row, row_col, col_col = self.spread_px2
        row, col = normal
        frequency = np.asarray(frequency_cypx, np.float64)
        pupil = (
            self.radial(frequency) if self.pupil is None else self.pupil.at(frequency * row, frequency * col)
        )
        variance_px2 = row_row * row**2 + 2.0 * row_col * row * col + col_col * col**2
        path_px = row * self.motion_px[0] + col * self.motion_px[1]
        return (
            pupil
            * optics.gaussian_mtf(frequency, float(np.sqrt(variance_px2)))
            * np.sinc(path_px * frequency)
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoomPosition:
    """The optics at one focal length; what is said of the corner grows as the height squared."""

    focal_length_mm: float
    residual_um: float = 0.7
    """Gaussian blur (sigma) that stays at every stop, in the centre."""
    residual_corner_um: float = 0.8
    """The same, added in quadrature in the corner."""
    open_um: float = 1.0
    """Gaussian blur at the widest stop in the centre, falling as (widest / N)^power."""
    open_corner_along_um: float = 2.0
    """The same, added in quadrature in the corner, along the radius."""
    open_corner_across_um: float = 1.4
    """The same, across the radius."""
    power: float = 2.0
    curvature_um: float = 0.0
    """Focus error that the curved field makes in the corner."""
    focus_shift_um: float = 0.0
    """How much nearer to the lens the image is sharpest at the widest stop than fully stopped down, all over the
    picture: the work of spherical aberration. It falls as (widest / N)^2."""
    focal_tilt_um: tuple[float, float] = (0.0, 0.0)
    """Focus error (down, right) at one half-diagonal below and to the right of the centre."""
    decentring: tuple[float, float] = (0.0, 0.0)
    """Growth of all aberration blur over one half-diagonal (down, right): 0.4 makes it 1.4 times as wide."""
    red_outward: float = 0.0
    """Radial scale of red against green, less one: positive when red lies further out."""
    blue_outward: float = 0.0
    distortion_percent: float = 0.0
    """Radial displacement in the corner: negative is barrel."""
    vignetting_stops: float = 0.6
    """Light lost in the corner at the widest stop, falling as (widest / N)^2."""

    def between(self, other: "ZoomPosition", share: float) -> "ZoomPosition":
        """Position a share of the way to another, every figure interpolated linearly."""
        mixed: dict[str, float | tuple[float, ...]] = {}
        for item in fields(self):
            near, far = np.asarray(getattr(self, item.name)), np.asarray(getattr(other, item.name))
            value = (1.0 - share) * near + share * far
            mixed[item.name] = float(value) if value.ndim == 0 else tuple(float(v) for v in value)
        return ZoomPosition(**mixed)  # type: ignore[arg-type]


@dataclass(frozen=True, slots=True, kw_only=True)
class Lens:
    """A lens by its description; invented names only."""

    margin_px: ClassVar[int] = 14
    """Paper round every shape, so that its blur does not run into the patch's other side."""
    name: str
    maker: str = "Invented"
    widest_f_number: float = 2.8
    positions: tuple[ZoomPosition, ...]
    """One for a prime; two or more, by growing focal length, for a zoom."""
    red_um: float = 0.62
    green_um: float = optics.GREEN_UM
    blue_um: float = 0.46
    grey_um: float = 0.55

    def __post_init__(self) -> None:
        lengths = [position.focal_length_mm for position in self.positions]
        if not lengths or lengths != sorted(set(lengths)) or lengths[0] <= 0.0:
            raise SettingError(
                f"lens «{self.name}»: focal lengths are {lengths}; give them above 0, in growing order."
            )
        if self.widest_f_number <= 0.0:
            raise SettingError(f"lens «{self.name}»: widest f-number {self.widest_f_number} is not above 0.")

    @property
    def focal_range_mm(self) -> tuple[float, float]:
        """Shortest and longest focal length."""
        return self.positions[0].focal_length_mm, self.positions[-1].focal_length_mm

    def wavelength_um(self, channel: str) -> float:
        """Wavelength that stands for a channel."""
        return float(getattr(self, f"{channel}_um"))

    def at(self, focal_length_mm: float) -> ZoomPosition:
        """Optics at a focal length, between the described ones."""
        shortest, longest = self.focal_range_mm
        if not shortest <= focal_length_mm <= longest:
            raise SettingError(
                f"lens «{self.name}» reaches from {shortest:g} to {longest:g} mm, not {focal_length_mm:g} mm."
            )
        lengths = np.array([position.focal_length_mm for position in self.positions])
        upper = int(np.searchsorted(lengths, focal_length_mm))
        if lengths[upper] == focal_length_mm:
            return self.positions[upper]
        share = (focal_length_mm - lengths[upper - 1]) / (lengths[upper] - lengths[upper - 1])
        return self.positions[upper - 1].between(self.positions[upper], float(share))

    def stopped_down(self, f_number: float) -> float:
        """Widest stop over f-number: 1 wide open, falling as the lens is stopped down."""
        if f_number < self.widest_f_number * 0.99:
            raise SettingError(f"lens «{self.name}» opens to f/{self.widest_f_number:g}, not f/{f_number:g}.")
        return self.widest_f_number / f_number

    def focus_shift_um(self, focal_length_mm: float, f_number: float) -> float:
        """How much nearer to the lens than fully stopped down the image is sharpest at a stop, in um.

        Primary spherical aberration moves the best focus by 8 wavelength N^2 times its coefficient in waves, and that
        grows with the fourth power of the opening: together with its square (derived).
        """
        return self.at(focal_length_mm).focus_shift_um * self.stopped_down(f_number) ** 2

    def point_blur(
        self,
        field: tuple[float, float],
        *,
        channel: str,
        focal_length_mm: float,
        f_number: float,
        working_f_number: float,
        focus_um: float,
        pitch_um: float,
    ) -> PointBlur:
        """Blur of a point at a place (down, right) of the picture, in half-diagonals from its centre.

        The near distance makes the working f-number of the one that is set; diffraction and focus discs go by it.
        `focus_um`: sensor plane less plane of the sharp image when stopped down, before field curvature and tilt.
        """
        optics_here = self.at(focal_length_mm)
        height = float(np.hypot(*field))
        focus_um = focus_um + optics_here.curvature_um * height**2
        focus_um += self.focus_shift_um(focal_length_mm, f_number)
        focus_um += float(np.dot(optics_here.focal_tilt_um, field))
        return PointBlur(
            q=self.wavelength_um(channel) * working_f_number / pitch_um,
            disc_px=abs(focus_um) / working_f_number / pitch_um,
            spread_px2=_aberration_px2(optics_here, field, self.stopped_down(f_number), pitch_um),
        )


def _aberration_px2(
    here: ZoomPosition, field: tuple[float, float], opening: float, pitch_um: float
) -> tuple[float, float, float]:
    """Gaussian's covariance at a place: (row-row, row-column, column-column) in square pixels."""
    height = float(np.hypot(*field))
    growth = max(0.0, 1.0 + float(np.dot(here.decentring, field)))
    falling = opening**here.power
    steady = here.residual_um**2 + (here.residual_corner_um * height**2) ** 2
    centre = steady + (here.open_um * falling) ** 2
    along = centre + (here.open_corner_along_um * falling * height**2) ** 2
    across = centre + (here.open_corner_across_um * falling * height**2) ** 2
    row, col = (field[0] / height, field[1] / height) if height > 0.0 else (0.0, 1.0)
    scale = (growth / pitch_um) ** 2
    return (
        scale * (along * row**2 + across * col**2),
        scale * (along - across) * row * col,
        scale * (along * col**2 + across * row**2),
    )


def prime(name: str, position: ZoomPosition, *, widest_f_number: float = 2.8) -> Lens:
    """Describe a lens of one focal length."""
    return Lens(name=name, positions=(position,), widest_f_number=widest_f_number)
