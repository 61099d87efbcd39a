"""Panels as SVG for the page: built from elements, so every text is escaped; the page gives the colours."""

import math
from dataclasses import dataclass
from typing import Final
from xml.etree import ElementTree as ET

from lensbench.report.draw.panels import Axis, Line, Panel, Point, style_of

__all__ = ["Frame", "add_text", "begin_picture", "finish_picture", "mark", "panel_svg"]


WIDTH: Final = 460.0
HEIGHT: Final = 352.0
"""Small enough that text keeps a readable size on a telephone."""

_LEFT, _TOP, _BOTTOM = 56.0, 24.0, 278.0
_LEGEND_ROW: Final = 338.0
_LEGEND_STEP: Final = 19.0
_MARK_RADIUS: Final = 4.2


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """Where a panel's values fall in the picture."""

    across: Axis
    up: Axis
    right: float

    def col(self, value: float) -> float:
        """Give the horizontal place of a value."""
        share = (value - self.across.low) / (self.across.high - self.across.low)
        return _LEFT + share * (self.right - _LEFT)

    def row(self, value: float) -> float:
        """Give the vertical place of a value, kept inside the frame."""
        share = (value - self.up.low) / (self.up.high - self.up.low)
        return _BOTTOM - min(max(share, 0.0), 1.0) * (_BOTTOM - _TOP)


def panel_svg(panel: Panel) -> str:
    """Give a panel as one `svg` element with a title and a description."""
    right = WIDTH - (54.0 if panel.up_right else 16.0)
    frame = Frame(across=panel.across, up=panel.up, right=right)
    height = HEIGHT + _LEGEND_STEP * (len(panel.lines) - 1 if panel.names_are_long else 0)
    picture = begin_picture(panel.key, panel.title, panel.about, size=(height, WIDTH))
    _draw_tied(picture, panel, frame)
    _draw_axes(picture, panel, frame)
    for line in panel.lines:
        _draw_line(picture, line, frame)
    _draw_best(picture, panel, frame)
    _draw_legend(picture, panel)
    return finish_picture(picture)


def begin_picture(key: str, title: str, about: str, *, size: tuple[float, float]) -> ET.Element:
    """Begin a picture of (height, width) that tells its name and its content to those who don't see it."""
    height, width = size
    picture = ET.Element(
        "svg",
        {
            "xmlns": "http://www.w3.org/2000/svg",
            "viewBox": f"0 0 {width:g} {height:g}",
            "role": "img",
            "aria-labelledby": f"{key}-title {key}-desc",
        },
    )
    ET.SubElement(picture, "title", {"id": f"{key}-title"}).text = title
    ET.SubElement(picture, "desc", {"id": f"{key}-desc"}).text = about
    return picture


def finish_picture(picture: ET.Element) -> str:
    """Give the picture as text."""
    return ET.tostring(picture, encoding="unicode")


def add_text(
    picture: ET.Element, text: str, at: tuple[float, float], *, kind: str, turned: bool = False
) -> None:
    """Write a text at (row, column); `kind` is its class in the page's style sheet."""
    row, col = at
    place = {"x": _number(col), "y": _number(row), "class": kind}
    if turned:
        place["transform"] = f"rotate(-90 {_number(col)} {_number(row)})"
    ET.SubElement(picture, "text", place).text = text


def mark(picture: ET.Element, role: str, at: tuple[float, float]) -> None:
    """Draw the mark of a role at (row, column)."""
    row, col = at
    size = _MARK_RADIUS
    kind = {"class": f"mark {role}"}
    corners = {
        "square": [(-0.9, -0.9), (-0.9, 0.9), (0.9, 0.9), (0.9, -0.9)],
        "triangle": [(-1.2, 0.0), (0.8, 1.1), (0.8, -1.1)],
        "diamond": [(-1.35, 0.0), (0.0, 1.35), (1.35, 0.0), (0.0, -1.35)],
    }
    shape = style_of(role).mark
    if shape == "circle":
        ET.SubElement(picture, "circle", {"cx": _number(col), "cy": _number(row), "r": _number(size)} | kind)
        return
    points = " ".join(
        f"{_number(col + right * size)},{_number(row + down * size)}" for down, right in corners[shape]
    )
    ET.SubElement(picture, "polygon", {"points": points} | kind)


def _number(value: float) -> str:
    return f"{value:.1f}"


def _segment(picture: ET.Element, start: tuple[float, float], end: tuple[float, float], *, kind: str) -> None:
    (row1, col1), (row2, col2) = start, end
    places = {"x1": _number(col1), "y1": _number(row1), "x2": _number(col2), "y2": _number(row2)}
    ET.SubElement(picture, "line", places | {"class": kind})


def _draw_tied(picture: ET.Element, panel: Panel, frame: Frame) -> None:
    for start, end in panel.shades:
        left, right = frame.col(start), frame.col(end)
        shade = {"x": _number(left), "y": _number(_TOP), "width": _number(right - left)}
        ET.SubElement(picture, "rect", shade | {"height": _number(_BOTTOM - _TOP), "class": "tied"})


def _draw_best(picture: ET.Element, panel: Panel, frame: Frame) -> None:
    if panel.best is None:
        return
    col = frame.col(panel.best)
    _segment(picture, (_TOP, col), (_BOTTOM, col), kind="best")
    add_text(picture, "best", (_TOP - 8.0, col), kind="tick center strong")


def _draw_axes(picture: ET.Element, panel: Panel, frame: Frame) -> None:
    for value, text in panel.up.ticks:
        row = frame.row(value)
        _segment(picture, (row, _LEFT), (row, frame.right), kind="rule")
        add_text(picture, text, (row + 4.5, _LEFT - 7.0), kind="tick end")
    for value, text in panel.across.ticks:
        add_text(picture, text, (_BOTTOM + 18.0, frame.col(value)), kind="tick center")
    _segment(picture, (_BOTTOM, _LEFT), (_BOTTOM, frame.right), kind="axis")
    middle = (_TOP + _BOTTOM) / 2.0
    add_text(picture, panel.across.title, (_BOTTOM + 37.0, (_LEFT + frame.right) / 2.0), kind="name center")
    add_text(picture, panel.up.title, (middle, 13.0), kind="name center", turned=True)
    if panel.level is not None:
        row = frame.row(panel.level)
        _segment(picture, (row, _LEFT), (row, frame.right), kind="axis")
    if panel.up_right:
        _draw_right_axis(picture, panel.up_right, frame)


def _draw_right_axis(picture: ET.Element, axis: Axis, frame: Frame) -> None:
    inside = Frame(across=frame.across, up=axis, right=frame.right)
    for value, text in axis.ticks:
        row = inside.row(value)
        _segment(picture, (row, frame.right), (row, frame.right + 4.0), kind="axis")
        add_text(picture, text, (row + 4.5, frame.right + 7.0), kind="tick")
    add_text(picture, axis.title, ((_TOP + _BOTTOM) / 2.0, WIDTH - 5.0), kind="name center", turned=True)


def _draw_line(picture: ET.Element, line: Line, frame: Frame) -> None:
    points = " ".join(
        f"{_number(frame.col(place))},{_number(frame.row(value))}"
        for place, value in line.path
        if math.isfinite(value)
    )
    look = {"class": f"curve {line.role}", "stroke-dasharray": _dashes(line.role)}
    ET.SubElement(picture, "polyline", {"points": points} | look)
    for point in line.points:
        _draw_point(picture, point, line.role, frame)


def _draw_point(picture: ET.Element, point: Point, role: str, frame: Frame) -> None:
    col = frame.col(point.place)
    if math.isfinite(point.low) and math.isfinite(point.high):
        _segment(picture, (frame.row(point.low), col), (frame.row(point.high), col), kind=f"bar {role}")
    if math.isfinite(point.value):
        mark(picture, role, (frame.row(point.value), col))


def _dashes(role: str) -> str:
    return " ".join(f"{2.2 * length:g}" for length in style_of(role).dashes) or "none"


def _legend_places(panel: Panel) -> list[tuple[float, float]]:
    """Give (row, column) of each line's sample: side by side, or one below the other where names are long."""
    if panel.names_are_long:
        return [(_LEGEND_ROW + number * _LEGEND_STEP, 12.0) for number in range(len(panel.lines))]
    step = (WIDTH - 20.0) / max(len(panel.lines), 1)
    return [(_LEGEND_ROW, 12.0 + number * step) for number in range(len(panel.lines))]


def _draw_legend(picture: ET.Element, panel: Panel) -> None:
    for line, (row, col) in zip(panel.lines, _legend_places(panel), strict=True):
        sample = {"points": f"{_number(col)},{_number(row)} {_number(col + 34.0)},{_number(row)}"}
        look = {"class": f"curve {line.role}", "stroke-dasharray": _dashes(line.role)}
        ET.SubElement(picture, "polyline", sample | look)
        if line.points:
            mark(picture, line.role, (row, col + 17.0))
        add_text(picture, line.name, (row + 4.5, col + 41.0), kind="tick")
