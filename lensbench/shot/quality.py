"""What one photograph tells of its own faults; each remark bears the figure seen and its limit.

Among them: whether the picture's tone scale is linear, by the chart's row of tones against their nominal reflectances.
A printer's greys are not exact, so only a scale that is clearly bent is called so: one that follows the
reflectance to a power far from 1. Bare paper at both ends of the row takes out light that falls unevenly.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot, isfinite
from typing import Final, Protocol

import numpy as np

from lensbench import optics
from lensbench.chart.find import ChartFound
from lensbench.chart.layout import TONES
from lensbench.model.flags import Remark, remark
from lensbench.model.shot import Box, ChartEdge, ChartSeen, Metadata, Samples
from lensbench.model.units import FloatArray
from lensbench.shot.geometry import Pose, zone_of
from lensbench.shot.shake import shake_remarks

WHITE_CLIPPED_SHARE: Final = 0.2
"""Of the regions; a glare spot spoils fewer."""
DARKEST_WHITE: Final = 0.2
LOWEST_SNR: Final = 20.0
FLAGGED_SHARE: Final = 0.25
LARGEST_OVERSHOOT_PERCENT: Final = 0.3
"""As a median over the photograph's edges; without sharpening it is 0, for an edge is held free of overshoots that
noise could make."""
LARGEST_OF_BOUND: Final = 1.05
"""Of the MTF50 that diffraction and pixel allow: f-numbers are told to 1 %, wavelengths to some."""
FEWEST_TARGETS: Final = 8
NEAREST_FOCAL_LENGTHS: Final = 25.0
"""Customary; common practice, no source."""
UNEVEN_LIGHT_PERCENT: Final = 10.0
"""Of the centre's light: what chart standards allow across a chart, from memory."""

_LOSS_PERCENT: Final = 3.0
_TILT_FLOOR_DEG: Final = 0.5
_TILT_WITHOUT_SETTINGS_DEG: Final = 1.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Seen:
    """What the remarks go by."""

    metadata: Metadata
    size_px: tuple[int, int]
    pixel_pitch_um: float | None
    chart: ChartSeen
    pose: Pose
    edges: Sequence[ChartEdge]
    samples: Sequence[Samples]
    """The region of each edge, in the same order."""
    uneven_light_percent: float
    """Slope of the lamps' light over half a diagonal; NaN where it is not known."""


def quality_remarks(seen: Seen) -> list[Remark]:
    """Raise every flag of the registry that this photograph deserves by itself."""
    raised = [
        *_settings(seen.metadata, seen.pixel_pitch_um),
        *_exposure(seen),
        *_processing(seen.edges),
        *_too_sharp(seen),
        *_standing(seen),
        *_coverage(seen),
        *shake_remarks(seen.edges),
    ]
    uneven = seen.uneven_light_percent
    if uneven > UNEVEN_LIGHT_PERCENT:
        limit = f"limit {UNEVEN_LIGHT_PERCENT:.0f} %"
        raised.append(remark("uneven_light", f"{uneven:.0f} % from the centre to one side, {limit}"))
    return raised


def _settings(metadata: Metadata, pixel_pitch_um: float | None) -> list[Remark]:
    missing = {
        "pitch_unknown": pixel_pitch_um,
        "lens_unknown": metadata.lens,
        "f_number_unknown": metadata.f_number,
    }
    return [remark(flag) for flag, value in missing.items() if value is None]


def _exposure(seen: Seen) -> list[Remark]:
    clipped = sum(
        _white_clipped(samples)
        for samples, edge in zip(seen.samples, seen.edges, strict=True)
        if any(flag.flag == "clipped" for flag in edge.edge.flags)
    )
    if clipped > WHITE_CLIPPED_SHARE * len(seen.samples):
        return [remark("white_clipped", f"{clipped} of {len(seen.samples)} edges")]
    remarks = []
    white = _median([edge.edge.bright_level for edge in seen.edges])
    if white < DARKEST_WHITE:
        limit = f"limit {100 * DARKEST_WHITE:.0f} %"
        remarks.append(remark("underexposed", f"paper white at {100 * white:.0f} % of full scale, {limit}"))
    snr = _median([edge.edge.snr for edge in seen.edges])
    if snr < LOWEST_SNR:
        remarks.append(remark("low_snr", f"median SNR {snr:.0f}, limit {LOWEST_SNR:.0f}"))
    return remarks


def _white_clipped(samples: Samples) -> bool:
    share = np.count_nonzero(samples.clipped & (samples.values > 0.5)) / np.count_nonzero(samples.present)
    return bool(share > 0.001)


def _median(figures: list[float]) -> float:
    finite = [figure for figure in figures if isfinite(figure)]
    return float(np.median(finite)) if finite else float("nan")


def _processing(edges: Sequence[ChartEdge]) -> list[Remark]:
    """Raise for the photograph what a quarter of its edges bear, and overshoots that are small but common to all.

    Light cannot overshoot: over a hundred edges the median tells even mild sharpening from noise.
    """
    measured = [edge.edge for edge in edges if edge.edge.measured]
    remarks = []
    overshoot = _median([(edge.overshoot_percent + edge.undershoot_percent) / 2.0 for edge in measured])
    if overshoot > LARGEST_OVERSHOOT_PERCENT:
        limit = f"limit {LARGEST_OVERSHOOT_PERCENT:g} %"
        remarks.append(remark("sharpened", f"median over- and undershoot {overshoot:.1f} %, {limit}"))
    for flag in ("tone_curve", "screened_print", "curved"):
        bearing = sum(any(r.flag == flag for r in edge.flags) for edge in measured)
        if bearing > FLAGGED_SHARE * len(measured):
            limit = f"limit {100 * FLAGGED_SHARE:.0f} %"
            remarks.append(remark(flag, f"{bearing} of {len(measured)} edges, {limit}"))
    return remarks


def _too_sharp(seen: Seen) -> list[Remark]:
    """Raise for edges sharper than diffraction and pixel let any lens be: only processing makes them so."""
    f_number, pitch_um = seen.metadata.f_number, seen.pixel_pitch_um
    if f_number is None or pitch_um is None or seen.pose.magnification is None:
        return []
    q = optics.working_q(f_number, pixel_pitch_um=pitch_um, magnification=seen.pose.magnification)
    bound = optics.allowed_mtf50_cypx(q)
    mtf50 = _median([edge.edge.mtf50_cypx for edge in seen.edges])
    if not mtf50 > LARGEST_OF_BOUND * bound:
        return []
    return [
        remark(
            "sharpened",
            f"middle MTF50 {mtf50:.3f} cy/px, where diffraction and pixel allow {bound:.3f}; limit "
            f"{LARGEST_OF_BOUND:g} times as much",
        )
    ]


def _standing(seen: Seen) -> list[Remark]:
    remarks = []
    limit = tilt_limit_deg(seen.metadata, size_px=seen.size_px, pitch_um=seen.pixel_pitch_um, pose=seen.pose)
    tilt = seen.pose.tilt
    off_deg = hypot(tilt.yaw_deg, tilt.pitch_deg)
    if off_deg > limit:  # NaN compares as no tilt
        parts = f"yaw {tilt.yaw_deg:+.2f}, pitch {tilt.pitch_deg:+.2f}"
        remarks.append(remark("tilted", f"{off_deg:.2f} degrees: {parts}; limit {limit:.2f}"))
    focal, distance = seen.metadata.focal_length_mm, seen.pose.distance_mm
    if focal is not None and distance is not None and distance / focal < NEAREST_FOCAL_LENGTHS:
        limit_words = f"limit {NEAREST_FOCAL_LENGTHS:.0f}"
        remarks.append(remark("too_near", f"{distance / focal:.1f} focal lengths, {limit_words}"))
    return remarks


def tilt_limit_deg(
    metadata: Metadata, *, size_px: tuple[int, int], pitch_um: float | None, pose: Pose
) -> float:
    """Tilt at which defocus costs the picture's corner 3 % of MTF50, but at least half a degree.

    One degree where f-number, magnification or pixel pitch are unknown.
    """
    if metadata.f_number is None or pose.magnification is None or pitch_um is None:
        return _TILT_WITHOUT_SETTINGS_DEG
    corner_mm = hypot(*size_px) / 2.0 * pitch_um / 1000.0
    allowed_um = optics.focus_shift_for_loss_um(metadata.f_number, loss_percent=_LOSS_PERCENT)
    tilt_deg = optics.tilt_deg_for_focus_shift(
        corner_mm, magnification=pose.magnification, focus_shift_um=allowed_um
    )
    return max(tilt_deg, _TILT_FLOOR_DEG)


def _coverage(seen: Seen) -> list[Remark]:
    chart = seen.chart
    if chart.targets_found < FEWEST_TARGETS:
        return [
            remark(
                "few_targets",
                f"{chart.targets_found} of the chart's {chart.targets_on_chart}, limit {FEWEST_TARGETS}",
            )
        ]
    zones = {zone_of(edge.image_height, seen.size_px) for edge in seen.edges if edge.edge.measured}
    empty = [zone for zone in ("inner", "middle", "outer") if zone not in zones]
    return [remark("few_targets", f"no edge measured in zone {', '.join(empty)}")] if empty else []


TONE_LIMITS: Final = (0.65, 1.5)
"""Of the exponent: a gamma that was not undone gives 0.45 or 2.2; office printers' greys reach 0.75 to 1.35
(common practice, no source)."""
_SMALLEST_HALF_PX: Final = 2.0
_BLUR_MARGIN: Final = 1.5
_DARKEST: Final = 0.002
"""Of the paper: what lies below says more of glare than of tone."""


class _Cuttable(Protocol):
    """A photograph, as far as this module needs it."""

    @property
    def size_px(self) -> tuple[int, int]:
        """Rows and columns."""

    def cut(self, box: Box) -> Samples:
        """Linear samples inside a box."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ToneScale:
    """The tones as the picture shows them."""

    exponent: float
    """Of the reflectance that the picture's levels follow: 1 is linear. NaN where no row can be read."""
    rows: int
    """Rows of tones that were read."""


def tone_scale(photo: _Cuttable, chart: ChartFound) -> ToneScale:
    """Read every row of tones that the picture shows whole, and fit the exponent.

    Levels count from the row's own black to its own paper; the exponent is the weighted mean slope of their
    logarithm over that of the reflectance, light tones counting more, for dark ones are printed worse.
    """
    levels = [_level(photo, box) for box in _boxes(chart, photo.size_px)]
    rows = [_row(levels[start : start + len(TONES)]) for start in range(0, len(levels), len(TONES))]
    read = [row for row in rows if row is not None]
    if not read:
        return ToneScale(exponent=float("nan"), rows=0)
    level = np.median(read, axis=0)
    reflectance = np.array([tone for tone in TONES if 0.0 < tone < 1.0])
    if (np.diff(level) <= 0.0).any() or level[0] < _DARKEST or level[-1] >= 1.0:
        return ToneScale(exponent=float("nan"), rows=len(read))
    weight, log = reflectance, np.log(reflectance)
    exponent = float((weight * log * np.log(level)).sum() / (weight * log**2).sum())
    return ToneScale(exponent=exponent, rows=len(read))


def _row(levels: Sequence[float]) -> FloatArray | None:
    """Grey tones' levels, 0 at the row's black and 1 at its paper; None where it can't be read."""
    if not all(isfinite(level) for level in levels):
        return None
    share = np.linspace(0.0, 1.0, len(levels))[1:-1]
    paper = (1.0 - share) * levels[0] + share * levels[-1]
    relative = np.array(levels[1:-1]) / paper
    black = relative[0]
    grey: FloatArray = (relative[1:] - black) / (1.0 - black) if black < 0.9 else np.zeros(len(relative) - 1)
    return grey


def _boxes(chart: ChartFound, size_px: tuple[int, int]) -> list[Box | None]:
    """Box inside every tone, whichever way it is turned; None where it is too small or not in the picture."""
    tones = chart.layout.tones
    if not tones:
        return []
    centers_mm = np.array([tone.center_mm for tone in tones])
    turns = np.radians([tone.turn_deg for tone in tones])
    own = np.array([[np.cos(turns), np.sin(turns)], [-np.sin(turns), np.cos(turns)]]).transpose(2, 0, 1)
    to_own_mm = np.linalg.inv(chart.mapping.jacobian(centers_mm) @ own)
    sides_mm = np.array([tone.side_mm for tone in tones])
    half = 0.5 * sides_mm / np.abs(to_own_mm).sum(axis=2).max(axis=1) - 1.0 - _BLUR_MARGIN * chart.blur_px
    side = np.maximum(2.0 * half, 0.0).astype(int)
    corner = np.rint(chart.mapping.to_px(centers_mm) - half[:, None]).astype(int)
    usable = (half >= _SMALLEST_HALF_PX) & (chart.mapping.depth(centers_mm) > 0.0)
    usable &= (corner >= 0).all(axis=1) & (corner + side[:, None] <= np.asarray(size_px)).all(axis=1)
    return [
        Box(top=int(top), left=int(left), height=int(edge), width=int(edge)) if fits else None
        for (top, left), edge, fits in zip(corner, side, usable, strict=True)
    ]


def _level(photo: _Cuttable, box: Box | None) -> float:
    """Mean level in a box, or NaN where it is clipped."""
    if box is None:
        return float("nan")
    samples = photo.cut(box)
    if not samples.present.any() or samples.clipped[samples.present & (samples.values > 0.5)].any():
        return float("nan")
    return float(samples.values[samples.present].mean())


def tone_remarks(scale: ToneScale) -> list[Remark]:
    """Raise the flag of a bent tone scale."""
    low, high = TONE_LIMITS
    if not isfinite(scale.exponent) or low <= scale.exponent <= high:
        return []
    return [
        remark(
            "tone_curve",
            f"greys follow reflectance to the power {scale.exponent:.2f}, limits {low:g} to {high:g}",
        )
    ]
