"""Wavefront lenses made from others or from coefficients: thinned out, leaning, turned on the camera, by Seidel terms.

    copy_of("borage", leaning_um=(12.0, 5.0))
    by_terms("Yarrow 40 mm f/2.8", 40.0, 2.8, Terms(astigmatism_um=1.2, curvature_um=-20.0))

The files they make are described in docs/method/wavefront-lens.md. Terms are those of W. T. Welford, Aberrations of
Optical Systems: W040 p^4, W131 h p^3 cos, W222 h^2 p^2 cos^2, W220 h^2 p^2, W111 by colour.
"""

import json
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np

import lensbench.simulate
from lensbench.simulate.wavefront import wavefront_lens

SHIPPED = Path(lensbench.simulate.__file__).parent / "invented"

LINES_UM = (0.47, 0.51, 0.55, 0.59, 0.63)
"""Enough of a shipped lens's seven wavelengths: one for blue, three for green, one for red; rendering is the cost."""
LIGHT = {
    "red": (0.0, 0.0, 0.0, 0.0, 1.0),
    "green": (0.0, 0.838, 0.938, 0.424, 0.0),
    "blue": (1.0, 0.0, 0.0, 0.0, 0.0),
    "grey": (0.0, 0.838, 0.938, 0.424, 0.0),
}
AZIMUTHS, HEIGHTS, ANGLES = 12, 9, 36
POWERS = tuple((i, j) for i in range(7) for j in range(7 - i))


@dataclass(frozen=True, kw_only=True)
class Terms:
    """What a lens does, in micrometres: of wavefront at the rim, of the corner's focus, of the corner's colours."""

    spherical_um: float = 0.0
    spherical_high_um: float = 0.0
    coma_um: float = 0.0
    astigmatism_um: float = 0.0
    """Distance of the tangential behind the sagittal plane of focus in the corner."""
    curvature_um: float = 0.0
    """Distance of the mean of both behind the centre's."""
    leaning_um: tuple[float, float] = (0.0, 0.0)
    """Of the plane of focus at one half-diagonal to the right, and down, away from the lens."""
    off_axis_um: tuple[float, float] = (0.0, 0.0)
    """Coma alike all over the picture, as of an element out of place, pointing (right, down)."""
    off_tilt_um: tuple[float, float] = (0.0, 0.0)
    """Coma's companion: astigmatism that grows with the height on one side and falls on the other."""
    red_um: float = 0.0
    blue_um: float = 0.0
    """Lateral colour: how far out the corner of each lies."""


@cache
def copy_of(name, *, leaning_um=(0.0, 0.0), turned=False):
    """A shipped lens of five wavelengths; its plane of focus leaning (right, down), or turned by 180 degrees."""
    described = json.loads((SHIPPED / f"{name}.json").read_text(encoding="utf-8"))
    lines = [described["wavelengths_um"].index(line) for line in LINES_UM]
    described |= {"wavelengths_um": LINES_UM, "channels": LIGHT}
    tables = {key: np.array(described[key]) for key in ("wavefront_um", "stop", "clip", "chief")}
    tables["wavefront_um"] = tables["wavefront_um"][:, :, lines]
    if any(leaning_um):
        if len(tables["stop"]) == 1:
            tables = {key: np.repeat(table, AZIMUTHS, axis=0) for key, table in tables.items()}
        heights, powers = np.array(described["heights"]), np.array(described["powers"])
        for number, azimuth in enumerate(_azimuths(len(tables["stop"]))):
            away_um = leaning_um[0] * np.cos(azimuth) - leaning_um[1] * np.sin(azimuth)
            for place, height in enumerate(heights):
                chief = tables["chief"][number, place]
                added = _defocus(powers, chief, described["widest_f_number"])
                tables["wavefront_um"][number, place] -= height * away_um * added
    if turned:
        half = len(tables["stop"]) // 2
        tables = {key: np.roll(table, half, axis=0) for key, table in tables.items()}
    return wavefront_lens(described | {key: table.tolist() for key, table in tables.items()}, name)


def _azimuths(count):
    return 2.0 * np.pi * np.arange(count) / count


def _defocus(powers, chief, f_number):
    """Coefficients of what a micrometre further from the lens adds over the pupil, without constant and tilt."""
    axis = np.linspace(-1.1, 1.1, 41)
    x, y = (grid.ravel() for grid in np.meshgrid(axis, axis, indexing="ij"))
    inside = np.hypot(x, y) <= 1.1
    x, y = x[inside], y[inside]
    ray = np.sqrt(1.0 - (chief[0] - x / (2.0 * f_number)) ** 2 - (chief[1] - y / (2.0 * f_number)) ** 2)
    terms = np.stack([x**i * y**j for i, j in powers], axis=1)
    found = np.linalg.lstsq(terms, ray)[0]
    found[powers.sum(axis=1) < 2] = 0.0
    return found


def by_terms(name, focal_length_mm, f_number, terms):
    """A lens of its own, alike in all colours but for their sizes; its corners' pupils are clipped."""
    powers = np.array(POWERS)
    heights = np.linspace(0.0, 1.0, HEIGHTS)
    wavefront = [
        [[_wavefront(terms, f_number, h, azimuth, line) for line in LINES_UM] for h in heights]
        for azimuth in _azimuths(AZIMUTHS)
    ]
    rim = np.ones((AZIMUTHS, HEIGHTS, ANGLES))
    outward = np.cos(2.0 * np.pi * np.arange(ANGLES) / ANGLES)
    clip = 1.3 * rim - 0.25 * heights[:, None] ** 2 * (1.0 + outward**2)
    described = {
        "format": "wavefront lens 1",
        "name": name,
        "maker": "Invented",
        "focal_length_mm": focal_length_mm,
        "widest_f_number": f_number,
        "distortion_percent": 0.3,
        "wavelengths_um": LINES_UM,
        "channels": LIGHT,
        "heights": heights.tolist(),
        "powers": powers.tolist(),
        "wavefront_um": wavefront,
        "stop": rim.tolist(),
        "clip": clip.tolist(),
        "chief": np.zeros((AZIMUTHS, HEIGHTS, 2)).tolist(),
    }
    return wavefront_lens(described, name)


def _wavefront(terms, f_number, height, azimuth, line_um):
    """Coefficients at one place: x outward, y a quarter turn counter-clockwise from it."""
    table = np.zeros((7, 7))
    right, down = np.cos(azimuth), -np.sin(azimuth)
    along = np.array([[right, down], [-np.sin(azimuth), -np.cos(azimuth)]])  # of (right, down)
    per_um = -1.0 / (8.0 * f_number**2)  # of rim wavefront, against a plane further from the lens
    lean_um = height * float(np.dot(terms.leaning_um, along[0]))
    twist_um = height * float(np.dot(terms.off_tilt_um, along[0]))
    mean_um = terms.curvature_um * height**2 + lean_um
    half_um = 0.5 * (terms.astigmatism_um * height**2 + twist_um)
    # Minus: the light must come together so much further away, where the sensor's defocus undoes this.
    table[2, 0] -= per_um * (mean_um + half_um)
    table[0, 2] -= per_um * (mean_um - half_um)
    for i, j, share in ((4, 0, 1.0), (2, 2, 2.0), (0, 4, 1.0)):
        table[i, j] += share * terms.spherical_um
    for i, j, share in ((6, 0, 1.0), (4, 2, 3.0), (2, 4, 3.0), (0, 6, 1.0)):
        table[i, j] += share * terms.spherical_high_um
    outward, across = along @ np.array(terms.off_axis_um)
    coma = np.array([terms.coma_um * height + outward, across])
    table[3, 0] += coma[0]
    table[1, 2] += coma[0]
    table[2, 1] += coma[1]
    table[0, 3] += coma[1]
    shift_um = {LINES_UM[0]: terms.blue_um, LINES_UM[-1]: terms.red_um}.get(line_um, 0.0) * height
    table[1, 0] += shift_um / (2.0 * f_number)
    return [table[i, j] for i, j in POWERS]
