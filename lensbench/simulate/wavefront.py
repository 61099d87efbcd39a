"""A lens by its wavefronts: what its pupil is, and how the light arrives through it, all over the picture.

The point spread of one wavelength is the squared modulus of the pupil's Fourier transform (J. W. Goodman,
Introduction to Fourier Optics), so diffraction, every aberration and the asymmetry that goes with it are of one piece.
Stopping down uses the inner part of the same wavefronts. The file is described in docs/method/wavefront-lens.md.
"""

from dataclasses import dataclass
from functools import lru_cache
from typing import Any, ClassVar, Final

import numpy as np
import numpy.typing as npt
from scipy import fft, interpolate, ndimage, optimize

from lensbench.model.errors import SettingError
from lensbench.model.units import FloatArray
from lensbench.simulate.lens import ComplexArray, Lens, PointBlur, PupilTransfer, ZoomPosition, cusp

FORMAT: Final = "wavefront lens 1"
_HIGHEST_POWER: Final = 20
_CHANNELS: Final = ("red", "green", "blue", "grey")
_FEWEST, _MOST = 192, 1024  # samples across the pupil: at least, and for the widest spread
_REACHES: Final = 3.0  # width of the point spread's window against the furthest ray: transfers to 1e-3
_TURNS: Final = 90
_RIM_STEPS: Final = 16  # over which cells divided by the rim meet their like
_HIGHEST_CYPX: Final = 2.2  # beyond what the renderer's fine grid holds
_FOCUSED_CYUM: Final = 0.03  # frequency at which a lens is focused: the usual 30 cycles per millimetre


@dataclass(frozen=True, kw_only=True, eq=False)
class Pupil:
    """The pupil that one place of the picture sees; axes (outward, across), unit the widest stop's radius.

    Its figures are told on square grids, each by the one axis that both directions share.
    """

    turn: FloatArray  # matrix from (down, right) to (outward, across)
    wavefront_um: FloatArray  # polynomials, shape (wavelengths, powers, powers)
    stop: FloatArray  # radius of the widest stop's image over the angle from outward
    clip: FloatArray  # radius at which other elements cut the light off
    chief: FloatArray  # direction cosines of the ray through the pupil's middle

    def light(self, axis: FloatArray, opening: float) -> FloatArray:
        """Share of each cell's light that passes: 1 inside, less where the rim divides the cell."""
        outward, across = axis[:, None], axis[None, :]
        angle = np.arctan2(across, outward) / (2.0 * np.pi) % 1.0 * self.stop.size
        rims = np.minimum(opening * self.stop, self.clip)
        rim = np.interp(angle, np.arange(rims.size + 1), np.append(rims, rims[0]))
        return np.asarray(np.clip((rim - np.hypot(outward, across)) / (axis[1] - axis[0]) + 0.5, 0.0, 1.0))

    def rim(self, opening: float) -> tuple[FloatArray, FloatArray]:
        """Normals of the pieces of the opening's rim, shape (2, pieces), and their lengths over its area."""
        angle = np.linspace(0.0, 2.0 * np.pi, self.stop.size, endpoint=False)
        radius = np.minimum(opening * self.stop, self.clip)
        corner = radius * np.stack([np.cos(angle), np.sin(angle)])
        piece = np.roll(corner, -1, axis=1) - corner
        length = np.hypot(*piece)
        return np.stack([piece[1], -piece[0]]) / length, length / (np.pi * float(np.mean(radius**2)))

    def error_um(self, axis: FloatArray, number: int) -> FloatArray:
        """Wavefront error of a wavelength in the plane of reference."""
        return np.asarray(np.polynomial.polynomial.polygrid2d(axis, axis, self.wavefront_um[number]))

    def defocus(self, axis: FloatArray, f_number: float) -> FloatArray:
        """Wavefront error that one micrometre from the lens adds: exact for plane waves of every direction.

        For a small, upright pupil it is -p^2 / (8 N^2). What merely shifts the image is left out.
        """
        (outward, across), slant = self.chief, axis / (2.0 * f_number)
        cosine = np.sqrt(1.0 - outward**2 - across**2)
        shift = (outward * slant[:, None] + across * slant) / cosine
        ray = np.sqrt(1.0 - (outward - slant[:, None]) ** 2 - (across - slant) ** 2)
        return np.asarray(ray - cosine - shift)


@dataclass(frozen=True, kw_only=True, eq=False)
class WavefrontMaps:
    """Pupils over the picture."""

    wavelengths_um: FloatArray
    weights: dict[str, FloatArray]  # light of each channel over the wavelengths
    powers: npt.NDArray[np.int64]
    """Powers of (outward, across) of each term of the polynomials, shape (terms, 2)."""
    angles: int  # radii that a rim is told by
    figures: interpolate.CubicSpline
    """Over the height: terms of all wavelengths, rims, middle ray; shape (azimuths and the first again, figures)."""

    def pupil(self, field: tuple[float, float]) -> Pupil:
        """Pupil seen from a place (down, right) of the picture, in half-diagonals; beyond 1 as at 1."""
        down, right = field
        angle = float(np.arctan2(-down, right))
        around = self.figures(min(float(np.hypot(down, right)), 1.0))
        azimuths = np.linspace(0.0, 2.0 * np.pi, len(around))
        figures = interpolate.CubicSpline(azimuths, around, bc_type="periodic")(angle % (2.0 * np.pi))
        ends = self.wavelengths_um.size * len(self.powers) + self.angles * np.arange(3)
        terms_um, stop, clip, chief = np.split(figures, ends)
        most = int(self.powers.max()) + 1
        wavefront_um = np.zeros((self.wavelengths_um.size, most, most))
        wavefront_um[:, self.powers[:, 0], self.powers[:, 1]] = terms_um.reshape(-1, len(self.powers))
        outward, across = [-np.sin(angle), np.cos(angle)], [-np.cos(angle), -np.sin(angle)]
        return Pupil(
            turn=np.array([outward, across]), wavefront_um=wavefront_um, stop=stop, clip=clip, chief=chief
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class WavefrontLens(Lens):
    """A lens of one focal length by its wavefronts; its position holds distortion and vignetting alone."""

    margin_px: ClassVar[int] = 48
    maps: WavefrontMaps

    def focus_shift_um(self, focal_length_mm: float, f_number: float) -> float:
        """How much nearer to the lens than the plane of reference the middle is sharpest in green, in um."""
        self.at(focal_length_mm)
        return _focus_shift_um(self.maps, self.stopped_down(f_number), f_number)

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
        """Blur of a point, as of any lens; `focus_um` counts from the plane of reference.

        The wavefronts stay as they are for a near subject; only the cone of light grows narrower.
        """
        self.at(focal_length_mm)
        opening = self.stopped_down(f_number)
        cone = working_f_number * opening
        seen = self.maps.weights[channel] > 0.0
        return PointBlur(
            q=float(self.maps.wavelengths_um[seen].min()) * working_f_number / pitch_um,
            pupil=transfer(self.maps, field, channel, opening, cone, focus_um, pitch_um),
        )


@lru_cache(maxsize=256)
def transfer(
    maps: WavefrontMaps,
    field: tuple[float, float],
    channel: str,
    opening: float,
    f_number: float,
    focus_um: float,
    pitch_um: float,
) -> PupilTransfer:
    """Transfer of a channel: its wavelengths' point spreads added up, and transformed.

    `opening` is the stop's radius as a share of the widest, `f_number` the working one of the widest stop, and
    `focus_um` the sensor plane less the plane of reference.
    """
    pupil, weights = maps.pupil(field), maps.weights[channel]
    numbers = [int(number) for number in np.flatnonzero(weights)]
    radius = float(np.minimum(opening * pupil.stop, pupil.clip).max())
    # Of the point spread's details.
    narrowest_um = float(maps.wavelengths_um[numbers].min()) * f_number / radius
    coarse = radius * np.linspace(-1.0, 1.0, 33)
    seen, added_um = pupil.light(coarse, opening) > 0.5, focus_um * pupil.defocus(coarse, f_number)
    # A ray arrives 2 N times the wavefront's slope from the point's place.
    slopes = [np.gradient(pupil.error_um(coarse, n) + added_um, coarse[1] - coarse[0]) for n in numbers]
    reach_um = 2.0 * f_number * max(float(np.hypot(*slope)[seen].max()) for slope in slopes)
    side = fft.next_fast_len(2 * int(np.clip(_REACHES * reach_um / narrowest_um, _FEWEST, _MOST)), real=True)
    samples = side // 2
    step_cyum = 1.0 / (narrowest_um * samples)
    spread = np.zeros((side, side), np.float32)
    for number in numbers:
        wavelength_um = float(maps.wavelengths_um[number])
        cells = np.arange(samples, dtype=np.float64) - 0.5 * (samples - 1)
        axis = 2.0 * f_number * wavelength_um * step_cyum * cells
        light = pupil.light(axis, opening)
        inside = light > 0.0
        error_um = (pupil.error_um(axis, number) + focus_um * pupil.defocus(axis, f_number))[inside]
        wave = np.zeros(light.shape, np.complex64)
        wave[inside] = light[inside] * np.exp(
            1j * (2.0 * np.pi / wavelength_um * error_um).astype(np.float32)
        )
        spread += weights[number] / light.sum() * np.abs(fft.fft2(wave, s=(side, side))) ** 2
    half = min(samples - 1, int(np.ceil(_HIGHEST_CYPX / (step_cyum * pitch_um))) + 2)
    upper = fft.rfft2(spread)[np.arange(-half, half + 1), : half + 1] / side**2
    upper[half, 0] = 1.0  # where the squares of the rim's shares would stand
    table = np.concatenate([np.conj(upper[::-1, :0:-1]), upper], axis=1)
    fall = _sort_out_rim(
        table, *pupil.rim(opening), cell=2.0 * f_number * float(weights @ maps.wavelengths_um) * step_cyum
    )
    return PupilTransfer(
        fall=fall,
        spline=ndimage.spline_filter(table, order=3, output=np.complex128).astype(np.complex64),
        step_cypx=step_cyum * pitch_um,
        turn=pupil.turn,
    )


def _sort_out_rim(
    table: ComplexArray, normals: FloatArray, lengths: FloatArray, *, cell: float
) -> FloatArray:
    """Take the cusp that the pupil's rim makes at zero off a table, in place; how steeply it falls, as `cusp` takes it.

    `normals` and `lengths` as of `Pupil.rim`; `cell` is the mean step of the wavelengths in the pupil. A pupil moved
    over itself loses, along every piece of rim, half of the step's part along the normal. Cells that the rim divides
    count by squares of their shares where they meet their like, which lacks (1 - part)^3 / 6 of a cell (derived).
    """
    half, lengths = len(table) // 2, cell * lengths
    turns = np.linspace(0.0, np.pi, _TURNS, endpoint=False)
    fall = 0.5 * np.abs(np.stack([np.cos(turns), np.sin(turns)], axis=1) @ normals) @ lengths
    near = min(half, _RIM_STEPS)
    steps = np.stack(np.meshgrid(*2 * [np.arange(-near, near + 1.0)], indexing="ij"), axis=-1)
    lacking = np.maximum(1.0 - np.abs(steps @ normals), 0.0) ** 3 @ lengths / 6.0
    lacking[near, near] = 0.0
    middle = slice(half - near, half + near + 1)
    table[middle, middle] += lacking
    table -= cusp(np.stack(np.meshgrid(*2 * [np.arange(-half, half + 1.0)], indexing="ij")), fall)
    return np.asarray(fall, np.float64)


@lru_cache(maxsize=64)
def _focus_shift_um(maps: WavefrontMaps, opening: float, f_number: float) -> float:
    """Search round the plane of least wavefront variance for the highest transfer, sagittal and tangential alike."""
    widest, middle = f_number * opening, maps.pupil((0.0, 0.0))
    axis = np.linspace(-1.0, 1.0, 65)
    inside = middle.light(axis, opening) > 0.5
    strongest = int(np.argmax(maps.weights["green"]))
    causes = [middle.defocus(axis, widest), *np.meshgrid(axis, axis, indexing="ij"), np.ones(inside.shape)]
    seen_um = middle.error_um(axis, strongest)[inside]
    least_um = -float(np.linalg.lstsq(np.stack(causes, axis=-1)[inside], seen_um)[0][0])

    def lost(focus_um: float) -> float:
        seen = transfer(maps, (0.0, 0.0), "green", opening, widest, focus_um, 1.0)
        return -float(np.abs(seen.at([_FOCUSED_CYUM, 0.0], [0.0, _FOCUSED_CYUM])).sum())

    reach_um = 6.0 * maps.wavelengths_um[strongest] * f_number**2
    grid_um = least_um + np.linspace(-reach_um, reach_um, 9)
    best = int(np.argmin([lost(float(focus_um)) for focus_um in grid_um]))
    around = (grid_um[max(best - 1, 0)], grid_um[min(best + 1, 8)])
    found = optimize.minimize_scalar(lost, bounds=around, method="bounded", options={"xatol": 0.5})
    return -float(found.x)


def wavefront_lens(described: dict[str, Any], where: str) -> WavefrontLens:
    """Lens of a wavefront file's content; where it is incomplete, a SettingError names the file as `where`."""
    try:
        tables = {name: np.array(described[name], np.float64) for name in _TABLES}
        weights = {channel: np.array(described["channels"][channel], np.float64) for channel in _CHANNELS}
        name, maker = str(described["name"]), str(described["maker"])
        widest, focal_length_mm, distortion = (float(described[name]) for name in _NUMBERS)
        powers = np.array(described["powers"], np.int64).reshape(-1, 2)
        azimuths, heights = len(tables["stop"]), tables["heights"].size
        parts = [tables[name].reshape(azimuths, heights, -1) for name in _TABLES[2:]]
        figures = np.concatenate(parts, axis=2)
        spline = interpolate.CubicSpline(tables["heights"], np.concatenate([figures, figures[:1]]), axis=1)
    except (KeyError, TypeError, ValueError, IndexError) as error:
        raise SettingError(f"{where}: the wavefront lens is incomplete or malformed: {error}.") from error
    lines = tables["wavelengths_um"].size
    sizes = [part.shape[2] for part in parts]
    if sizes != [lines * len(powers), sizes[1], sizes[1], 2] or {
        light.size for light in weights.values()
    } != {lines}:
        raise SettingError(
            f"{where}: its tables do not belong together: see docs/method/wavefront-lens.md for shapes."
        )
    if not (powers.min() >= 0 and powers.max() <= _HIGHEST_POWER):
        raise SettingError(f"{where}: «powers» are whole numbers from 0 to {_HIGHEST_POWER}.")
    rims = np.minimum(parts[1], parts[2])
    sums = [light.sum() for light in weights.values()]
    if not np.all(np.concatenate([rims.ravel(), tables["wavelengths_um"], sums, [widest]]) > 0.0):
        raise SettingError(f"{where}: rims, wavelengths, f-number and each channel's light must be above 0.")
    maps = WavefrontMaps(
        wavelengths_um=tables["wavelengths_um"],
        weights={channel: light / light.sum() for channel, light in weights.items()},
        powers=powers,
        angles=rims.shape[2],
        figures=spline,
    )
    area = np.mean(rims**2, axis=(0, 2))  # of the pupil, as r^2 over the angles
    position = ZoomPosition(
        focal_length_mm=focal_length_mm,
        distortion_percent=distortion,
        vignetting_stops=float(np.log2(area[0] / area[-1])),
    )
    return WavefrontLens(name=name, maker=maker, widest_f_number=widest, positions=(position,), maps=maps)


_NUMBERS: Final = ("widest_f_number", "focal_length_mm", "distortion_percent")
_TABLES: Final = ("heights", "wavelengths_um", "wavefront_um", "stop", "clip", "chief")
