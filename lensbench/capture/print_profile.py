"""The print measured: how soft its own edges are, by a flatbed scan or by photographs from two distances.

A scan shows the print through the scanner. What is known of a scanner is its pixel; its lens is not, and is
taken as a Gaussian whose variance may be anything from nothing to twice the value assumed.

Photographs by the same lens at the same stop differ, from near to far, only by diffraction, which is known, and by the
print, whose blur on the sensor goes with the scale m / p. With one band of frequencies and equal weights,
v = mean of -ln SFR / (2 pi^2 f^2) adds up exactly, so

    v(edge) = what the lens does at this place + sigma^2 (m / p)^2

is a linear fit over all edges. Profiles are kept by name in the user's data folder, or in a file that the user names.
"""

import json
import re
from collections.abc import Iterable, Sequence
from dataclasses import asdict
from math import cos, log, pi, radians, sqrt
from pathlib import Path
from typing import Any, Final

import numpy as np

from lensbench import optics
from lensbench.model.errors import EdgeError, SettingError, Severity, TextFileError, worst
from lensbench.model.shot import ChartEdge, Edge, PrintProfile, ShotResult
from lensbench.model.units import FloatArray
from lensbench.storage.files import data_folder, is_protected, write_whole
from lensbench.storage.text import read_json

SCANNER_VARIANCE_PX2: Final = 0.3
"""Blur of a flatbed scanner beyond its pixel, assumed with a doubt as large; common practice, no source."""
_BAND: Final = (0.25, 0.95)
_PRINT_BAND: Final = (0.25, 0.985)
"""Transfer within which the blur is read, of a scan and of photographs: above, it hardly shows; below, noise and the
lens's tails do."""
_LEAST_SIGMA_MM: Final = 1e-3
FOCUS_DOUBT: Final = 0.02
"""Of the squared blur: what focusing anew changes from shot to shot, 1 % of MTF50; common practice, no source."""
LEAST_DISTANCE_RATIO: Final = 1.4
_POINTS: Final = 400
_TERMS: Final = 6  # of the fit: five for the lens, one for the print
_SURE: Final = 2.0  # standard deviations that the print's blur must stand out by
_NAME: Final = re.compile(r"[\w][\w .+-]{0,59}")
_LARGEST_BYTES: Final = 1_000_000
_ARRAYS: Final = ("frequency_cymm", "mtf", "mtf_sd")


def profile_from_scan(edges: Sequence[Edge], *, dpi: float, name: str) -> PrintProfile:
    """Profile of a print from linear edges measured on a flatbed scan with 300 dpi or more.

    Several directions are best, for printers differ across and along.

    Raises
    ------
    EdgeError
        No edge can be used, or the scan is too coarse to show the print's blur.
    SettingError
        The resolution is below 300 dpi.
    """
    if not 300.0 <= dpi <= 20_000.0:
        raise SettingError(f"a scan with {dpi:g} dpi: give 300 to 20000; 1200 or more shows a good print")
    sound = _sound(edges)
    if not sound:
        raise EdgeError(
            "no edge of the scan can be used; scan solid edges turned a few degrees off the scanner's rows"
        )
    pixel_mm = 25.4 / dpi
    frequency_cypx = sound[0].frequency_cypx[sound[0].frequency_cypx <= 0.5]
    size = frequency_cypx.size
    scanner = optics.gaussian_mtf(frequency_cypx, sqrt(SCANNER_VARIANCE_PX2))
    pixels = np.stack([optics.pixel_mtf(frequency_cypx, edge.angle_deg) for edge in sound])
    curves = np.stack([edge.sfr[:size] for edge in sound]) / (pixels * scanner)
    mean = curves.mean(axis=0)
    own_sd = np.sqrt(sum(edge.sfr_sd[:size] ** 2 for edge in sound)) / len(sound)
    # By the spread between edges, or by their own where that is larger.
    scatter = np.maximum(own_sd, curves.std(axis=0, ddof=1) / sqrt(len(sound))) if len(sound) > 1 else own_sd
    sd = np.hypot(scatter, mean * 2.0 * pi**2 * frequency_cypx**2 * SCANNER_VARIANCE_PX2)
    # The curve counts until it first falls below the band, but for three points at least.
    below = np.flatnonzero(mean < _BAND[0])
    until = max(3, int(below[0]) if below.size else mean.size)
    frequency_cypx, mean, sd = frequency_cypx[:until], mean[:until], sd[:until]
    variance_px2, variance_sd_px2 = _gaussian_of(frequency_cypx, mean, sd)
    if variance_px2 * pixel_mm**2 <= _LEAST_SIGMA_MM**2:
        raise EdgeError(f"a scan with {dpi:g} dpi is too coarse to show this print's blur; scan with more")
    sigma_mm = sqrt(variance_px2) * pixel_mm
    return PrintProfile(
        name=name,
        edge_sigma_mm=sigma_mm,
        edge_sigma_sd_mm=variance_sd_px2 * pixel_mm**2 / (2.0 * sigma_mm),
        frequency_cymm=frequency_cypx / pixel_mm,
        mtf=np.clip(mean, 0.01, 1.0),
        mtf_sd=sd,
        made_from=f"{len(sound)} edges of a scan with {dpi:g} dpi",
    )


def _sound(edges: Iterable[Edge]) -> list[Edge]:
    return [edge for edge in edges if edge.measured and worst(edge.flags) is not Severity.REJECT]


def _gaussian_of(frequency_cypx: FloatArray, mtf: FloatArray, sd: FloatArray) -> tuple[float, float]:
    """Variance of the Gaussian that suits a curve, and its standard deviation; doubt shared by the band."""
    inside = (mtf > _BAND[0]) & (mtf < _BAND[1]) & (frequency_cypx > 0.0)
    if not inside.any():
        return 0.0, 0.0
    scale = 2.0 * pi**2 * frequency_cypx[inside] ** 2
    weight = scale**2 * mtf[inside] ** 2
    variance = -np.log(mtf[inside]) / scale
    variance_sd = sd[inside] / mtf[inside] / scale
    return float(np.average(variance, weights=weight)), float(np.average(variance_sd, weights=weight))


def profile_path(name: str) -> Path:
    """File of a profile: a name of letters, digits, spaces and . + - _ lies in the data folder, a .json is itself."""
    if name.endswith(".json"):
        return Path(name)
    if not _NAME.fullmatch(name):
        raise SettingError(
            f"print profile '{name}': use letters, digits, spaces and . + - _, or a path to a .json file"
        )
    return data_folder("APPDATA") / "prints" / f"{name}.json"


def keep_profile(profile: PrintProfile, name: str) -> Path:
    """Keep a profile under a name, in place of one that is there; gives the file.

    Raises
    ------
    SettingError
        The name cannot be used; what is there is a link, write-protected or no profile; or the file cannot be written.
    """
    path = profile_path(name)
    if path.is_symlink() or path.exists():
        try:
            kept_profile(str(path))
        except SettingError as error:
            raise SettingError(
                f"{path} is there already and is no print profile; name another file"
            ) from error
        if path.is_symlink() or is_protected(path):
            raise SettingError(f"{path} is there already and is a link or write-protected; name another file")
    text = json.dumps(asdict(profile), indent=1, default=lambda column: column.round(6).tolist())
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_whole(path, f"{text}\n".encode())
    except OSError as error:
        raise SettingError(f"{path}: the print profile cannot be kept there ({error.strerror})") from error
    return path


def kept_profile(name: str) -> PrintProfile:
    """The profile that was kept under a name.

    Raises
    ------
    SettingError
        There is none of this name, or the file is no print profile.
    """
    path = profile_path(name)
    if not path.exists():
        names = sorted(other.stem for other in path.parent.glob("*.json"))[:20]
        others = f" (there are: {', '.join(names)})" if names else ""
        raise SettingError(f"no print profile '{name}'{others}; make one with --keep-print")
    try:
        return _profile_of(read_json(path, most_bytes=_LARGEST_BYTES))
    except TextFileError as error:
        raise SettingError(f"{path}: the print profile cannot be read: {error}") from error
    except (KeyError, TypeError, ValueError) as error:
        raise SettingError(
            f"{path}: this is no print profile ({error}); make it anew with --keep-print"
        ) from error


def _profile_of(plain: dict[str, Any]) -> PrintProfile:
    arrays = {name: np.array(plain[name], dtype=np.float64) for name in _ARRAYS}
    frequency, mtf, sd = (arrays[name] for name in _ARRAYS)
    sigma_mm, sigma_sd_mm = float(plain["edge_sigma_mm"]), float(plain["edge_sigma_sd_mm"])
    if not (frequency.ndim == 1 and 3 <= frequency.size == mtf.size == sd.size):
        raise ValueError("its columns differ in length")
    if not (np.isfinite(frequency).all() and frequency[0] == 0.0 and (np.diff(frequency) > 0.0).all()):
        raise ValueError("its frequencies do not rise from 0")
    if not ((mtf >= 0.0).all() and (mtf <= 1.0).all() and (sd >= 0.0).all() and np.isfinite(sd).all()):
        raise ValueError("its MTF does not lie between 0 and 1")
    if not (0.0 < sigma_mm < 10.0 and 0.0 <= sigma_sd_mm < 10.0):
        raise ValueError("its edge sigma is out of range")
    return PrintProfile(
        name=str(plain["name"])[:80],
        edge_sigma_mm=sigma_mm,
        edge_sigma_sd_mm=sigma_sd_mm,
        made_from=str(plain["made_from"])[:300],
        **arrays,
    )


def profile_from_distances(shots: Sequence[ShotResult], *, name: str) -> PrintProfile:
    """Profile of a print from photographs of it at two or more distances.

    Same print, lens, stop and focal length; focus anew at each distance. Two shots a distance are better than one.

    Raises
    ------
    SettingError
        The scale of a photograph is unknown, the distances are too alike, or settings differ.
    EdgeError
        Too few edges, or no blur that shrinks with distance: nothing of the print can be seen.
    """
    scales = _scales_px_per_mm(shots)
    frequency_cypx = _shared_band(shots)
    rows = [
        (number, blur, *_place_terms(edge), scale**2)
        for number, (shot, scale) in enumerate(zip(shots, scales, strict=True))
        for edge in shot.edges
        if _sound([edge.edge]) and (blur := _squared_blur_px2(shot, edge.edge, frequency_cypx)) is not None
    ]
    if len(rows) <= 3 * _TERMS:
        raise EdgeError(
            f"{len(rows)} edges are too few to tell the print from the lens; show more of the chart"
        )
    table = np.array(rows)
    variance_mm2, variance_sd_mm2 = _print_variance(table[:, 0], table[:, 1], table[:, 2:])
    if variance_mm2 <= _SURE * variance_sd_mm2:
        raise EdgeError(
            "the near photograph is no softer than the far one allows: the print's blur does not show at these "
            "distances. Go nearer, or scan the print"
        )
    sigma_mm = sqrt(variance_mm2)
    highest_cymm = sqrt(2.0 * log(1.0 / _PRINT_BAND[0])) / (2.0 * pi * sigma_mm)
    frequency_cymm = np.linspace(0.0, highest_cymm, _POINTS)
    mtf = optics.gaussian_mtf(frequency_cymm, sigma_mm)
    listing = ", ".join(f"{scale:.2f}" for scale in sorted(scales, reverse=True))
    return PrintProfile(
        name=name,
        edge_sigma_mm=sigma_mm,
        edge_sigma_sd_mm=variance_sd_mm2 / (2.0 * sigma_mm),
        frequency_cymm=frequency_cymm,
        mtf=mtf,
        mtf_sd=np.asarray(mtf * 2.0 * pi**2 * frequency_cymm**2 * variance_sd_mm2, np.float64),
        made_from=f"{len(rows)} edges of {len(shots)} photographs at scales of {listing} px/mm",
    )


def _scales_px_per_mm(shots: Sequence[ShotResult]) -> list[float]:
    scales = []
    for shot in shots:
        if shot.magnification is None or shot.pixel_pitch_um is None:
            raise SettingError(
                f"{shot.path.name}: its scale is unknown; give the pixel pitch with --pitch-um"
            )
        scales.append(1000.0 * shot.magnification / shot.pixel_pitch_um)
    if max(scales) < LEAST_DISTANCE_RATIO * min(scales):
        raise SettingError(
            f"the photographs' scales lie between {min(scales):.2f} and {max(scales):.2f} px/mm: take one from "
            f"at least {LEAST_DISTANCE_RATIO:g} times as far as the other, better twice"
        )
    for what in ("f_number", "focal_length_mm"):
        values = {getattr(shot.metadata, what) for shot in shots}
        if len(values) > 1:
            raise SettingError(
                f"the photographs differ in {what}: {', '.join(map(str, values))}; keep all but the distance"
            )
    return scales


def _shared_band(shots: Sequence[ShotResult]) -> FloatArray:
    """Frequencies at which nearly every edge of every photograph lies within the band."""
    edges = _sound(edge.edge for shot in shots for edge in shot.edges)
    if not edges:
        raise EdgeError("no edge of the photographs can be used; show more of the chart, in focus")
    frequency_cypx = edges[0].frequency_cypx
    curves = np.stack([edge.sfr for edge in edges])
    upper, lower = np.quantile(curves, (0.98, 0.02), axis=0)
    inside = (frequency_cypx > 0.02) & (upper < _PRINT_BAND[1]) & (lower > _PRINT_BAND[0])
    if np.count_nonzero(inside) < 3:
        raise EdgeError(
            "the photographs differ too much in sharpness to be compared; take them at a middle stop"
        )
    return np.asarray(frequency_cypx[inside], np.float64)


def _squared_blur_px2(shot: ShotResult, edge: Edge, frequency_cypx: FloatArray) -> float | None:
    """What is left without diffraction at the f-number that the distance makes of the engraved one, where known."""
    sfr = np.interp(frequency_cypx, edge.frequency_cypx, edge.sfr)
    f_number, pitch_um, diffraction = shot.metadata.f_number, shot.pixel_pitch_um, np.ones_like(sfr)
    if f_number is not None and pitch_um is not None:
        q = optics.working_q(f_number, pixel_pitch_um=pitch_um, magnification=shot.magnification)
        diffraction = optics.diffraction_mtf(frequency_cypx, q)
    if (sfr < 0.5 * _PRINT_BAND[0]).any() or (diffraction <= 0.0).any():
        return None
    scale = 2.0 * pi**2 * frequency_cypx**2
    return float(np.average(-np.log(sfr / diffraction) / scale, weights=scale**2))


def _place_terms(edge: ChartEdge) -> tuple[float, ...]:
    """How a lens's blur may depend on the place: even in the image height, and turned with the radius."""
    height2 = edge.image_height**2
    turned = cos(2.0 * radians(edge.edge.angle_deg + edge.azimuth_deg))
    return (1.0, height2, height2**2, height2 * turned, height2**2 * turned)


def _print_variance(number: FloatArray, blur: FloatArray, design: FloatArray) -> tuple[float, float]:
    """Fit, once more without the edges that stray; the doubt counts edges, and the focus of every shot."""
    kept = np.ones(blur.size, np.bool_)
    for _ in range(2):
        fit = np.linalg.lstsq(design[kept], blur[kept], rcond=None)[0]
        stray = np.abs(blur - design @ fit)
        kept = stray <= 4.0 * 1.4826 * float(np.median(stray[kept])) + 1e-12
    solver = np.linalg.pinv(design[kept])[-1]
    left = blur[kept] - design[kept] @ fit
    noise = float((left**2).sum()) / (int(kept.sum()) - design.shape[1]) * float(solver @ solver)
    per_shot = np.array([solver[number[kept] == shot].sum() for shot in np.unique(number)])
    focus = (FOCUS_DOUBT * float(np.median(blur))) ** 2 * float(per_shot @ per_shot)
    return float(fit[-1]), sqrt(noise + focus)
