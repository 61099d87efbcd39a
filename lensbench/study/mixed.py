"""What was not the same through a series, so that its photographs do not compare fairly."""

from collections.abc import Sequence
from math import isfinite, log2
from typing import Final

import numpy as np

from lensbench.flags import Remark, remark
from lensbench.records import ShotResult
from lensbench.study.findings import SweepShot

__all__ = ["mixed_remarks"]

LIGHT_LIMIT_STOPS: Final = 1.0
"""Between the brightest and the darkest paper in the middle of the pictures. Common practice, no source."""
_MIDDLE: Final = 0.5
"""Image height within which vignetting leaves the paper's level alone."""


def mixed_remarks(shots: Sequence[SweepShot]) -> list[Remark]:
    """Raise the flag for each thing that changes between the shots of one lens: all in one remark."""
    results = [shot.result for shot in shots if isinstance(shot.result, ShotResult)]
    said = [*_isos(shots), *_files(results), *_light(results)]
    return [remark("mixed_settings", "; ".join(said))] if said else []


def _isos(shots: Sequence[SweepShot]) -> list[str]:
    isos = sorted({shot.planned.metadata.iso for shot in shots if shot.planned.metadata.iso})
    return [f"ISO {isos[0]} to {isos[-1]}"] if len(isos) > 1 else []


def _files(results: Sequence[ShotResult]) -> list[str]:
    said = []
    raw = sum(result.sensor_data for result in results)
    if 0 < raw < len(results):
        said.append(f"{raw} raw files and {len(results) - raw} finished pictures")
    sizes = sorted({result.size_px for result in results})
    if len(sizes) > 1:
        said.append(f"pictures of {' and '.join(f'{rows} x {cols}' for rows, cols in sizes[:3])} px")
    sharpened = sum(any(one.flag == "sharpened" for one in result.quality) for result in results)
    if 0 < sharpened < len(results):
        said.append(f"{sharpened} of {len(results)} sharpened")
    return said


def _light(results: Sequence[ShotResult]) -> list[str]:
    """Tell where the paper in the middle of the pictures is brighter in some by more than a stop."""
    levels = [level for result in results if isfinite(level := _paper(result)) and level > 0.0]
    stops = log2(max(levels) / min(levels)) if levels else 0.0
    if stops <= LIGHT_LIMIT_STOPS:
        return []
    return [f"light on the sensor differs by {stops:.1f} stops, limit {LIGHT_LIMIT_STOPS:g}"]


def _paper(result: ShotResult) -> float:
    levels = [
        edge.edge.bright_level
        for edge in result.edges
        if edge.image_height < _MIDDLE and isfinite(edge.edge.bright_level)
    ]
    return float(np.median(levels)) if levels else float("nan")
