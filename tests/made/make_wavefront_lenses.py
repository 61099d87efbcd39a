"""Invented lenses by ray tracing, written as wavefront lenses (docs/method/wavefront-lens.md).

Run by hand, not by the tests: `python tests/made/make_wavefront_lenses.py FOLDER`, in an environment of its own with
the optical design library `optiland` (made with 0.6.3), which nothing else here needs. The designs are textbook
forms, a double Gauss and a triplet, with curvatures and distances found by least squares of ray errors; they are
nobody's products. The library traces the rays; what a wavefront is, is worked out here:

W(L, M) = optical path - L (x - x0) - M (y - y0) for a ray that meets the image plane at (x, y) with direction cosines
(L, M), the mixed characteristic of Hamilton (M. Born and E. Wolf, Principles of Optics), so that dW/dL = x0 - x.
A picture is seen upright, so its axes are those of the image turned by 180 degrees.
"""

import json
import sys
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.polynomial import polynomial
from optiland.optic import Optic
from optiland.rays import RealRays

WAVELENGTHS_UM = np.round(np.arange(0.43, 0.68, 0.04), 3)
GREEN_UM = 0.55
MAGNIFICATION = 1.0 / 45.0
ANGLES = 36
FURTHEST = 1.6
"""Radius beyond which a rim is not told."""
SENSITIVITY = {"red": (0.60, 0.035), "green": (0.535, 0.042), "blue": (0.46, 0.038), "grey": (0.55, 0.07)}
"""Centre and standard deviation of invented filters under even light, in um."""


@dataclass(frozen=True, kw_only=True)
class Design:
    """Surfaces as (radius, distance to the next, glass behind) in mm; the stop has no curvature."""

    name: str
    focal_length_mm: float
    f_number: float
    half_diagonal_mm: float
    surfaces: tuple
    stop: int
    rims_mm: dict
    """Free radius of surfaces that clip the light."""
    heights: int = 9
    azimuths: int = 1
    order: int = 10
    shifted: tuple = ()
    shift_mm: tuple = (0.0, 0.0)
    """Surfaces of an element out of place, and by how much (right, down)."""

    @property
    def cone(self):
        """Sine of the widest cone's half angle, times two, as its reciprocal: the working f-number."""
        return self.f_number * (1.0 + MAGNIFICATION)


DOUBLE_GAUSS = Design(
    name="Borage 50 mm f/2",
    focal_length_mm=50.0,
    f_number=2.0,
    half_diagonal_mm=21.6,
    surfaces=(
        (32.6896, 6.0749, "N-LAK33B"),
        (81.1641, 0.7622, ""),
        (17.6692, 3.9992, "N-LAK33B"),
        (51.4172, 2.5815, "SF5"),
        (12.1466, 7.0623, ""),
        (np.inf, 7.7643, ""),
        (-16.7222, 1.8009, "SF5"),
        (-183.7375, 6.8602, "N-LAK33B"),
        (-23.0945, 0.732, ""),
        (86.4232, 6.0005, "N-LAK33B"),
        (-73.7593, 25.8298, ""),
    ),
    stop=5,
    rims_mm={0: 16.0, 10: 16.0},
)
SHIFTED = replace(
    DOUBLE_GAUSS,
    name="Borage 50 mm f/2, decentred",
    heights=7,
    azimuths=8,
    order=8,
    shifted=(9, 10),
    shift_mm=(0.12, 0.05),
)
TRIPLET = Design(
    name="Clover 50 mm f/2.8",
    focal_length_mm=50.0,
    f_number=2.8,
    half_diagonal_mm=14.2,
    surfaces=(
        (31.0228, 7.0048, "N-LAK33B"),
        (3231.709, 3.792, ""),
        (-28.9565, 3.5058, "SF2"),
        (30.1659, 0.9988, ""),
        (np.inf, 0.9984, ""),
        (93.3272, 7.0013, "N-LAK33B"),
        (-25.8508, 42.8667, ""),
    ),
    stop=4,
    rims_mm={0: 10.2, 6: 8.4},
)
FILES = {"borage": DOUBLE_GAUSS, "borage-decentred": SHIFTED, "clover": TRIPLET}


class Tracer:
    """A design before a chart: rays from its points to the image plane."""

    def __init__(self, design):
        self.design = design
        self.optic = Optic()
        self.optic.surfaces.add(index=0, radius=np.inf, thickness=np.inf)
        z_mm = 0.0
        for number, (radius, distance, glass) in enumerate(design.surfaces):
            moved = design.shift_mm if number in design.shifted else (0.0, 0.0)
            place = {"x": moved[0], "y": moved[1], "z": z_mm}
            material = (glass, "schott") if glass else "air"
            stop = number == design.stop
            self.optic.surfaces.add(index=number + 1, radius=radius, material=material, is_stop=stop, **place)
            z_mm += distance
        self.optic.surfaces.add(index=len(design.surfaces) + 1, z=z_mm)
        self.object_mm = design.focal_length_mm * (1.0 + 1.0 / MAGNIFICATION)
        self.plane_mm = 0.0
        self.stop_mm = self.focus_and_stop()

    def trace(self, point_mm, aims_mm, wavelength_um):
        """Rays from a chart point through points of the first surface's plane; hits of all surfaces beside."""
        aims_mm = np.atleast_2d(aims_mm)
        way = np.column_stack([aims_mm - point_mm, np.full(len(aims_mm), self.object_mm)])
        way /= np.linalg.norm(way, axis=1, keepdims=True)
        same = np.ones(len(way))
        rays = RealRays(
            point_mm[0] * same, point_mm[1] * same, -self.object_mm * same, *way.T, same, wavelength_um * same
        )
        self.optic.surfaces.trace(rays, skip=1)
        surfaces = self.optic.surfaces
        hits = np.stack([np.array(surfaces.x), np.array(surfaces.y)], axis=-1)[:-1]
        cosines = np.column_stack([rays.L, rays.M])
        further = self.plane_mm / rays.N  # of the image plane beyond the last surface described
        reach = np.column_stack([rays.x, rays.y]) + further[:, None] * cosines
        return reach, cosines, rays.opd + further, hits

    def focus_and_stop(self):
        """Put the image plane where the axis is sharpest in green, and find the stop of the f-number."""
        heights = np.linspace(0.0, 1.25 * self.design.focal_length_mm / self.design.f_number / 2.0, 60)
        aims_mm = np.column_stack([0.0 * heights, heights])
        tracer = self if not self.design.shifted else Tracer(replace(self.design, shifted=()))
        reach, cosines, _, hits = tracer.trace(np.zeros(2), aims_mm, GREEN_UM)
        within = np.abs(cosines[:, 1]) <= 0.5 / self.design.cone
        slope = cosines[within, 1]
        self.plane_mm = tracer.plane_mm - float(reach[within, 1] @ slope**3 / (slope @ slope**3))
        return float(np.interp(0.5 / self.design.cone, np.abs(cosines[:, 1]), hits[self.design.stop][:, 1]))

    def full_pupil(self, point_mm, wavelength_um, disc):
        """Rays that meet the stop at places `disc`, in units of its radius, to first order."""
        middle = np.zeros(2)
        steps = np.array([[0.0, 0.0], [0.05, 0.0], [0.0, 0.05]])
        for _ in range(6):
            stop = self.trace(point_mm, middle + steps, wavelength_um)[3][self.design.stop]
            slopes = (stop[1:] - stop[0]).T / 0.05
            middle = middle - np.linalg.solve(slopes, stop[0])
        aims_mm = middle + self.stop_mm * disc @ np.linalg.inv(slopes).T
        return self.trace(point_mm, np.vstack([middle, aims_mm]), wavelength_um)


def disc_of(rings=18, reach=1.06):
    """Points spread over a disc."""
    return np.array(
        [
            reach * ring / rings * np.array([np.cos(turn), np.sin(turn)])
            for ring in range(1, rings + 1)
            for turn in 2.0 * np.pi * (np.arange(6 * ring) + 0.5) / (6 * ring)
        ]
    )


def powers_of(order, *, even):
    """Pairs of powers up to an order; across the symmetry plane even ones alone."""
    pairs = [(i, j) for i in range(order + 1) for j in range(order + 1 - i) if not (even and j % 2)]
    return np.array(pairs)


def fitted(place, values, powers, weights):
    """Coefficients of a polynomial in (outward, across) by weighted least squares, and the rms that is left."""
    terms = np.stack([place[:, 0] ** i * place[:, 1] ** j for i, j in powers], axis=1)
    found = np.linalg.lstsq(terms * weights[:, None], values * weights)[0]
    left = terms @ found - values
    return found, float(np.sqrt(np.average(left**2, weights=weights)))


def rim_of(place, reach):
    """Radius over the angle at which a smooth function of the pupil comes to 1: (points, 2) values in, as hits."""
    powers = powers_of(5, even=False)
    sides = [fitted(place, reach[:, axis], powers, np.ones(len(place)))[0] for axis in (0, 1)]
    table = np.zeros((2, 6, 6))
    table[:, powers[:, 0], powers[:, 1]] = sides
    radii = np.linspace(0.0, FURTHEST, 321)
    rims = []
    for angle in 2.0 * np.pi * np.arange(ANGLES) / ANGLES:
        hit = [polynomial.polyval2d(radii * np.cos(angle), radii * np.sin(angle), side) for side in table]
        beyond = np.flatnonzero(np.hypot(*hit) > 1.0)
        rims.append(
            FURTHEST
            if beyond.size == 0
            else np.interp(
                1.0, np.hypot(*hit)[beyond[0] - 1 : beyond[0] + 1], radii[beyond[0] - 1 : beyond[0] + 1]
            )
        )
    return np.array(rims)


def at_place(tracer, height, angle, image_scale, axis_mm, disc, powers):
    """Wavefronts, rims and middle ray of one place of the picture, in (outward, across); and the fit's rms."""
    design = tracer.design
    turn = np.array([[np.cos(angle), -np.sin(angle)], [-np.sin(angle), -np.cos(angle)]])  # of (right, down)
    scale, distortion = image_scale
    point_mm = height * design.half_diagonal_mm / scale * turn[0]
    ideal_mm = axis_mm - height * (1.0 + distortion * height**2) * design.half_diagonal_mm * turn[0]
    _, cosines, _, hits = tracer.full_pupil(point_mm, GREEN_UM, disc)
    chief, place = cosines[0], 2.0 * design.cone * (cosines - cosines[0]) @ turn.T
    stop = rim_of(place, hits[design.stop] / tracer.stop_mm)
    clips = [rim_of(place, hits[number] / rim_mm) for number, rim_mm in design.rims_mm.items()]
    clip = np.min(clips, axis=0)
    lines, left = [], []
    for wavelength_um in WAVELENGTHS_UM:
        reach, cosines, path_mm, _ = tracer.full_pupil(point_mm, wavelength_um, disc)
        place = 2.0 * design.cone * (cosines - chief) @ turn.T
        error_um = 1000.0 * (path_mm - np.sum(cosines * (reach - ideal_mm), axis=1))
        radius = np.hypot(*place.T)
        angles = np.arctan2(place[:, 1], place[:, 0]) / (2.0 * np.pi) % 1.0 * ANGLES
        seen = radius < 1.05 * np.interp(angles, np.arange(ANGLES + 1), np.append(clip, clip[0]))
        found, rms = fitted(place, error_um - error_um[0], powers, np.where(seen, 1.0, 0.1))
        lines.append(np.where(powers.sum(axis=1) == 0, 0.0, found))
        left.append(rms)
    return np.array(lines), stop, clip, -turn @ chief, max(left)


def image_scale_of(tracer, disc):
    """Magnification near the axis, distortion at the half-diagonal, and where the axis is imaged (right, down)."""
    straight = tracer if not tracer.design.shifted else Tracer(replace(tracer.design, shifted=()))
    near_mm = 0.01 * tracer.design.half_diagonal_mm / MAGNIFICATION
    far_mm = tracer.design.half_diagonal_mm / MAGNIFICATION
    near, far = (
        straight.full_pupil(np.array([at, 0.0]), GREEN_UM, disc)[0][0, 0] / -at for at in (near_mm, far_mm)
    )
    axis_mm = tracer.full_pupil(np.zeros(2), GREEN_UM, disc)[0][0]
    return (near, far / near - 1.0), axis_mm


def described(design):
    """Content of the file."""
    tracer, disc = Tracer(design), disc_of()
    powers = powers_of(design.order, even=design.azimuths == 1)
    scale, axis_mm = image_scale_of(tracer, disc)
    heights = np.round(np.linspace(0.0, 1.0, design.heights), 4)
    turns = 2.0 * np.pi * np.arange(design.azimuths) / design.azimuths
    places = [[at_place(tracer, h, a, scale, axis_mm, disc, powers) for h in heights] for a in turns]
    wavefront, stop, clip, chief, left = (
        np.array([[spot[part] for spot in row] for row in places]) for part in range(5)
    )
    area = np.mean(np.minimum(stop, clip) ** 2, axis=2)
    print(
        f"{design.name}: polynomials within {1000 * left.max():.1f} nm rms, corner's light {area[:, -1] / area[:, 0]}"
    )
    channels = {}
    for channel, (center, sigma) in SENSITIVITY.items():
        light = np.exp(-0.5 * ((WAVELENGTHS_UM - center) / sigma) ** 2)
        channels[channel] = np.round(np.where(light > 0.05 * light.max(), light, 0.0), 3).tolist()
    return {
        "format": "wavefront lens 1",
        "name": design.name,
        "maker": "Invented",
        "focal_length_mm": design.focal_length_mm,
        "widest_f_number": design.f_number,
        "distortion_percent": round(100.0 * scale[1], 3),
        "wavelengths_um": WAVELENGTHS_UM.tolist(),
        "channels": channels,
        "heights": heights.tolist(),
        "powers": powers.tolist(),
        "wavefront_um": np.round(wavefront, 4).tolist(),
        "stop": np.round(stop, 4).tolist(),
        "clip": np.round(clip, 4).tolist(),
        "chief": np.round(chief, 5).tolist(),
    }


if __name__ == "__main__":
    for short, chosen in FILES.items():
        if sys.argv[2:] and short not in sys.argv[2:]:
            continue
        text = json.dumps(described(chosen), separators=(",", ":")).replace("-0.0,", "0,").replace(".0,", ",")
        (Path(sys.argv[1]) / f"{short}.json").write_text(
            text.replace('],"', '],\n"') + "\n", encoding="utf-8"
        )
