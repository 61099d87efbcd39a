"""The map of the field as SVG for the page."""

import math
from typing import Final
from xml.etree import ElementTree as ET

from lensbench.report.field import FieldMap, Spot, spot_bars
from lensbench.report.svg import add_text, begin_picture, finish_picture
from lensbench.shot.geometry import ZONE_LIMITS

__all__ = ["field_svg"]

WIDTH: Final = 460.0
_MARGIN: Final = 26.0
"""Room for the bars of targets at the border."""
_LEGEND_HEIGHT: Final = 30.0


def field_svg(field: FieldMap) -> str:
    """Give the map as one `svg` element with a title and a description."""
    rows, cols = field.size_px
    scale = (WIDTH - 2 * _MARGIN) / cols
    height = rows * scale + 2 * _MARGIN
    size = (height + _LEGEND_HEIGHT, WIDTH)
    picture = begin_picture(field.key, field.title, field.about, size=size)
    _draw_frame(picture, field, scale)
    for spot in field.spots:
        _draw_spot(picture, spot, field, scale)
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
    for border in ZONE_LIMITS:
        ring = {"cx": f"{_MARGIN + cols * scale / 2:.1f}", "cy": f"{_MARGIN + rows * scale / 2:.1f}"}
        ring |= {
            "r": f"{border * half_diagonal:.1f}",
            "class": "ring",
            "clip-path": f"url(#{field.key}-clip)",
        }
        ET.SubElement(picture, "circle", ring)


def _draw_spot(picture: ET.Element, spot: Spot, field: FieldMap, scale: float) -> None:
    for bar in spot_bars(spot, field):
        (row1, col1), (row2, col2) = (_placed(end_px, scale) for end_px in (bar.start_px, bar.end_px))
        ends = {"x1": f"{col1:.1f}", "y1": f"{row1:.1f}", "x2": f"{col2:.1f}", "y2": f"{row2:.1f}"}
        ET.SubElement(picture, "line", ends | {"class": f"whisker {bar.role}"})
    if math.isfinite(spot.mean_cypx):
        row, col = _placed(spot.center_px, scale)
        at_right_end = col > WIDTH - 40.0
        place = (max(row - 6.0, _MARGIN + 11.0), col - 7.0 if at_right_end else col + 7.0)
        kind = "tick small end" if at_right_end else "tick small"
        add_text(picture, f"{1000.0 * spot.mean_cypx:.0f}", place, kind=kind)


def _placed(place_px: tuple[float, float], scale: float) -> tuple[float, float]:
    row_px, col_px = place_px
    return _MARGIN + (row_px + 0.5) * scale, _MARGIN + (col_px + 0.5) * scale


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
