"""Lateral colour of one edge of a photograph: red and blue against green, along the radius."""

from typing import Final

from lensbench.edge import EdgeShapes, Shift, colour_shift, radial_shift
from lensbench.records import Box, Edge, Samples

__all__ = ["middle_of", "radial_shifts_px"]

_SIDE_PX: Final = 72


def middle_of(box: Box) -> Box:
    """Give the middle of a region: enough for a hundredth of a pixel, and quick."""
    height, width = min(box.height, _SIDE_PX), min(box.width, _SIDE_PX)
    return Box(
        top=box.top + (box.height - height) // 2,
        left=box.left + (box.width - width) // 2,
        height=height,
        width=width,
    )


def radial_shifts_px(
    colours: tuple[Samples, ...], edge: Edge, *, radius: tuple[float, float]
) -> tuple[float, ...]:
    """Give the shift of other colours' edges against a measured one, along the radius, positive outwards.

    Only the shift across the edge can be seen; what a purely radial one would have to be follows from the angle
    between the edge's normal and the radius, so the edge should stand square to the radius: NaN beyond 60 degrees.

    Parameters
    ----------
    colours : Samples
        The other colours in the same region.
    edge : Edge
        The measured one, with its ESF and the point it passes through.
    radius : (down, right)
        From the picture's centre to the edge; any length but 0.
    """
    shapes = EdgeShapes.of(edge)
    shifts: list[Shift] = [colour_shift(samples, edge, shapes) for samples in colours]
    return tuple(radial_shift(shift, edge, radius=radius).px for shift in shifts)
