"""A wall set as somebody hung it: every page a little off its place, a little turned, a little mis-scaled."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from lensbench.chart.hanging import hanging
from lensbench.chart.layout import Layout
from lensbench.chart.wall import hung, wall_layout

__all__ = ["AS_PLANNED", "ByHand", "hung_wall"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ByHand:
    """How far pages stray from the plan: standard deviations."""

    place_mm: float = 10.0
    """Along rows and columns alike."""
    turn_deg: float = 1.0
    scale: float = 0.0005
    """Of one page's print against the others'."""
    seed: int = 1


AS_PLANNED: Final = ByHand(place_mm=0.0, turn_deg=0.0, scale=0.0)
_BY_HAND: Final = ByHand()


def hung_wall(
    pages: int,
    *,
    paper: str = "A4",
    sensor_mm: tuple[float, float] = (24.0, 36.0),
    focal_lengths: float = 50.0,
    by_hand: ByHand = _BY_HAND,
    dark_reflectance: float = 0.0,
) -> Layout:
    """Give a wall set as it hangs, ready to be photographed: its frame is the plan's.

    Parameters
    ----------
    pages : int
        1 to 29.
    paper : str
        A4, A3, Letter or Tabloid.
    sensor_mm : (height, width)
        Of the sensor that the wall is planned for.
    focal_lengths : float
        From wall to sensor.
    by_hand : ByHand
        The errors of hanging and printing.
    dark_reflectance : float
        Reflectance of the dark quarters, paper white being 1.

    Raises
    ------
    SettingError
        The pages do not fit into the frame at this distance.
    """
    plan = hanging(pages, paper=paper, sensor_mm=sensor_mm, focal_lengths=focal_lengths)
    random = np.random.default_rng(by_hand.seed)
    strayed = []
    for planned in plan.pages:
        down, right, turn, scale = random.standard_normal(4).tolist()
        row_mm, col_mm = planned.center_mm
        strayed.append(
            hung(
                planned.page,
                (row_mm + by_hand.place_mm * down, col_mm + by_hand.place_mm * right),
                turn_deg=planned.turn_deg + by_hand.turn_deg * turn,
                scale=1.0 + by_hand.scale * scale,
            )
        )
    return wall_layout(strayed, size_mm=plan.frame_mm, frames=plan.frames, dark_reflectance=dark_reflectance)
