"""Fewer and smaller regions of the chart, for a look beside the camera that has to be quick."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from lensbench.chart.finding import ArmRegion, FoundTarget
from lensbench.records import Box

__all__ = ["at_a_glance"]

Arm = tuple[FoundTarget, ArmRegion]

_ENOUGH_ARMS: Final = 60
"""Up to so many all are kept: shake wants edges of all directions over the whole field."""
_SIDE_PX: Final = 128
_FIRST_HALF: Final = (1, 2)
"""One arm of each of a target's two lines; the other two of every second target."""


def at_a_glance(arms: Sequence[Arm]) -> list[Arm]:
    """Give one arm of each line where there are many, and of every region its middle."""
    kept = list(arms)
    if len(arms) > _ENOUGH_ARMS:
        names = {name: number for number, name in enumerate(dict.fromkeys(t.target.name for t, _ in arms))}
        kept = [one for one in arms if (one[1].arm in _FIRST_HALF) == (names[one[0].target.name] % 2 == 0)]
    return [(target, replace(arm, box=_middle_of(arm.box))) for target, arm in kept]


def _middle_of(box: Box) -> Box:
    height, width = min(box.height, _SIDE_PX), min(box.width, _SIDE_PX)
    top, left = box.top + (box.height - height) // 2, box.left + (box.width - width) // 2
    return Box(top=top, left=left, height=height, width=width)
