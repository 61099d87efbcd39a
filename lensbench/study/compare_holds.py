"""What a comparison holds for: these copies, these bodies, this distance, so many shots."""

import math
from collections.abc import Sequence

from lensbench.study.reading import SweepLens

__all__ = ["holds_for"]


def holds_for(lenses: Sequence[SweepLens], labels: Sequence[str]) -> str:
    """Say it lens by lens, or once where all are alike."""
    told = [_one(lens) for lens in lenses]
    if len(set(told)) == 1:
        return f"Holds for these copies: each {told[0]}."
    return f"Holds for these copies: {'; '.join(f'{label} {one}' for label, one in zip(labels, told, strict=True))}."


def _one(lens: SweepLens) -> str:
    kind = "raw" if lens.sensor_data else "finished pictures"
    return ", ".join(filter(None, (f"on {lens.camera}", kind, _distance(lens), f"{_shots(lens)} a setting")))


def _shots(lens: SweepLens) -> str:
    counts = [len(values) for (zone, _), values in lens.shots.items() if zone == "frame"]
    low, high = min(counts, default=0), max(counts, default=0)
    return f"{low if low == high else f'{low} to {high}'} refocused shot{'s' * (high != 1)}"


def _distance(lens: SweepLens) -> str:
    """Give the chart's distance in focal lengths, 2 + m + 1/m; nothing where it is not known."""
    known = [
        round(2.0 + one + 1.0 / one) for one in lens.magnification.values() if one and math.isfinite(one)
    ]
    if not known:
        return ""
    low, high = min(known), max(known)
    return f"chart at {low if low == high else f'{low} to {high}'} focal lengths"
