"""Made-up measured edges for tests of what is drawn from them."""

import numpy as np

from lensbench.model.errors import remark
from lensbench.model.shot import Box, ChartEdge, Direction, Edge, Samples

BOX = Box(top=10, left=20, height=40, width=30)


def an_edge(mtf50: float, *, sd: float = 0.0, flags: tuple[str, ...] = (), **figures) -> Edge:
    return Edge(
        roi=BOX,
        channel="green",
        angle_deg=5.0,
        mtf50_cypx=mtf50,
        mtf50_sd_cypx=sd,
        flags=tuple(remark(flag, "seen") for flag in flags),
        **{"snr": 80.0, "bright_level": 0.6, "overshoot_percent": 0.2, "undershoot_percent": 0.0} | figures,
    )


def a_chart_edge(edge: Edge, *, height: float, direction: Direction, azimuth: float = 0.0) -> ChartEdge:
    return ChartEdge(
        edge=edge,
        target="T07",
        arm=1,
        center_px=(30.0, 35.0),
        image_height=height,
        azimuth_deg=azimuth,
        direction=direction,
    )


def some_samples(*, clipped: float = 0.0, level: float = 0.6) -> Samples:
    """Samples of which a share is clipped."""
    mask = np.zeros((40, 30), bool)
    mask.ravel()[: round(clipped * mask.size)] = True
    return Samples(
        box=BOX,
        channel="green",
        values=np.where(mask, 1.0 if level > 0.5 else 0.0, level),
        present=np.ones((40, 30), bool),
        clipped=mask,
    )
