"""The truth beside simulated photographs: the SFR that was rendered at every arm of every target."""

from dataclasses import dataclass
from functools import partial
from typing import Any, Final

import numpy as np

from lensbench import optics
from lensbench.chart.layout import ARMS, Target
from lensbench.model.units import FloatArray
from lensbench.simulate.lens import PointBlur
from lensbench.simulate.scene import Geometry, Shot
from lensbench.simulate.sensor import SHARPENING_SIGMA_PX

TRUTH_FREQUENCIES_CYPX: Final = tuple(step / 80.0 for step in range(81))
_ARM_CENTER: Final = (
    0.5  # where on an arm its figure is stated, as a fraction of the radius from the crossing
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TrueEdge:
    """One arm of one target in one channel, as it was rendered."""

    target: str
    arm: int
    channel: str
    angle_deg: float
    """From the columns' direction, in [-90, 90), positive when the upper end leans to the right."""
    center_px: tuple[float, float]
    sfr: FloatArray
    """At `TRUTH_FREQUENCIES_CYPX`."""
    mtf50_cypx: float

    def as_dict(self) -> dict[str, Any]:
        """Edge in the form of truth.json."""
        return {
            "target": self.target,
            "arm": self.arm,
            "channel": self.channel,
            "angle_deg": round(self.angle_deg, 4),
            "center_px": [round(value, 3) for value in self.center_px],
            "frequency_cypx": list(TRUTH_FREQUENCIES_CYPX),
            "sfr": [round(float(value), 6) for value in self.sfr],
            "mtf50_cypx": round(self.mtf50_cypx, 6) if np.isfinite(self.mtf50_cypx) else None,
        }


def true_edges(
    geometry: Geometry, shot: Shot, *, channels: tuple[str, ...], sharpening: float = 0.0
) -> list[TrueEdge]:
    """Every arm whose centre lies in the picture, channel by channel."""
    edges = []
    for channel in channels:
        for target in geometry.scene.layout.targets:
            blur = geometry.blur(shot, channel, target.center_mm)
            edges += [
                _true_edge(geometry, target, arm, channel=channel, blur=blur, sharpening=sharpening)
                for arm in ARMS
            ]
    rows, cols = geometry.scene.camera.rows, geometry.scene.camera.cols
    return [edge for edge in edges if 0 <= edge.center_px[0] < rows and 0 <= edge.center_px[1] < cols]


def rendered_sfr(
    frequency_cypx: FloatArray, *, blur: PointBlur, angle_deg: float, sharpening: float = 0.0
) -> FloatArray:
    """SFR along an edge's normal: optics and print times the square pixel times any sharpening.

    Like every measured SFR it is a modulus.
    """
    angle = np.deg2rad(angle_deg)
    # The edge runs along (-cos, sin) in (row, column); its normal is (sin, cos).
    optical = blur.along(frequency_cypx, (float(np.sin(angle)), float(np.cos(angle))))
    smooth = optics.gaussian_mtf(frequency_cypx, SHARPENING_SIGMA_PX)
    return np.abs(optical * optics.pixel_mtf(frequency_cypx, angle_deg) * (1.0 + sharpening * (1.0 - smooth)))


def _true_edge(
    geometry: Geometry, target: Target, arm: int, *, channel: str, blur: PointBlur, sharpening: float
) -> TrueEdge:
    direction = np.asarray(target.arm_direction(arm))
    center_mm = np.asarray(target.center_mm) + _ARM_CENTER * target.radius_mm * direction
    outward = geometry.outward(channel)
    center_px = geometry.view.pixel_of(center_mm, outward=outward)
    down, right = geometry.view.jacobian(center_mm, outward=outward) @ direction
    # From the columns, in [-90, 90), positive when the upper end leans to the right.
    angle_deg = float((np.rad2deg(np.arctan2(right, -down)) + 90.0) % 180.0 - 90.0)
    sfr_at = partial(rendered_sfr, blur=blur, angle_deg=angle_deg, sharpening=sharpening)
    return TrueEdge(
        target=target.name,
        arm=arm,
        channel=channel,
        angle_deg=angle_deg,
        center_px=(float(center_px[0]), float(center_px[1])),
        sfr=sfr_at(np.asarray(TRUTH_FREQUENCIES_CYPX)),
        mtf50_cypx=optics.frequency_at(sfr_at, 0.5, highest_cypx=1.0),
    )
