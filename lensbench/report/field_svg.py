"""The map of the field as SVG for the page."""

import math
from typing import Final
from xml.etree import ElementTree as ET

from lensbench.report.field import FieldMap, Spot
from lensbench.report.svg import add_text, begin_picture, finish_picture

__all__ = ["field_svg"]

WIDTH: Final = 460.0
_MARGIN: Final = 4.0
_LEGEND_HEIGHT: Final = 30.0
_LONGEST_BAR: Final = 0.1
"""Of the picture's width, for the sharpest figure."""
_ZONE_BORDERS: Final = (0.3, 0.65)
"""Image heights that part inner, halfway and outer."""


def field_svg(field: FieldMap) -> str:
    """Give the map as one `svg` element with a title and a description."""
    rows, cols = field.size_px
    scale = (WIDTH - 2 * _MARGIN) / cols
    height = rows * scale + 2 * _MARGIN
    size = (height + _LEGEND_HEIGHT, WIDTH)
    picture = begin_picture(field.key, field.title, field.about, size=size)
    _draw_frame(picture, field, scale)
    unit = _LONGEST_BAR * WIDTH / field.sharpest_cypx
    for spot in field.spots:
        _draw_spot(picture, spot, field, scale=scale, unit=unit)
    _draw_legend(picture, row=height + 16.0)
    return finish_picture(picture)


def _draw_frame(picture: ET.Element, field: FieldMap, scale: float) -> None:
    rows, cols = field.size_px
    box = {
        "x": f"{_MARGIN}",
        "y": f"{_MARGIN}",
        "width": f"{cols * scale:.1f}",
        "height": f"{rows * scale:.1f}",
    }
    clip = ET.SubElement(ET.SubElement(picture, "defs"), "clipPath", {"id": f"{field.key}-clip"})
    ET.SubElement(clip, "rect", box)
    ET.SubElement(picture, "rect", box | {"class": "picture"})
    half_diagonal = math.hypot(rows, cols) / 2.0 * scale
    for border in _ZONE_BORDERS:
        ring = {"cx": f"{_MARGIN + cols * scale / 2:.1f}", "cy": f"{_MARGIN + rows * scale / 2:.1f}"}
        ring |= {
            "r": f"{border * half_diagonal:.1f}",
            "class": "ring",
            "clip-path": f"url(#{field.key}-clip)",
        }
        ET.SubElement(picture, "circle", ring)


def _draw_spot(picture: ET.Element, spot: Spot, field: FieldMap, *, scale: float, unit: float) -> None:
    row, col = (_MARGIN + (place + 0.5) * scale for place in spot.center_px)
    middle = [(length - 1) / 2.0 for length in field.size_px]
    down, right = (place - center for place, center in zip(spot.center_px, middle, strict=True))
    radius = math.hypot(down, right) or 1.0
    along = (down / radius, right / radius) if radius > 1.0 else (0.0, 1.0)
    across = (along[1], -along[0])
    for role, value, (d_row, d_col) in (
        ("sagittal", spot.sagittal_cypx, along),
        ("tangential", spot.tangential_cypx, across),
    ):
        if math.isfinite(value):
            reach = value * unit / 2.0
            ends = {
                "x1": col - d_col * reach,
                "y1": row - d_row * reach,
                "x2": col + d_col * reach,
                "y2": row + d_row * reach,
            }
            ET.SubElement(
                picture,
                "line",
                {name: f"{end:.1f}" for name, end in ends.items()} | {"class": f"whisker {role}"},
            )
    figures = [value for value in (spot.sagittal_cypx, spot.tangential_cypx) if math.isfinite(value)]
    if figures:
        text = f"{1000.0 * sum(figures) / len(figures):.0f}"
        add_text(picture, text, (row - 6.0, col + 7.0), kind="tick small")


def _draw_legend(picture: ET.Element, *, row: float) -> None:
    for col, role, text in (
        (12.0, "sagittal", "sagittal (along the radius)"),
        (232.0, "tangential", "tangential (across it)"),
    ):
        ends = {
            "x1": f"{col}",
            "y1": f"{row}",
            "x2": f"{col + 30.0}",
            "y2": f"{row}",
            "class": f"whisker {role}",
        }
        ET.SubElement(picture, "line", ends)
        add_text(picture, text, (row + 4.5, col + 37.0), kind="tick")
