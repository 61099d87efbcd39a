"""The one renderer: a plot becomes a matplotlib figure, and that figure a PNG file or the page's SVG.

The SVG holds no style, no script and nothing from outside; it is built from elements, so every text is escaped.
"""

import io
import math
from typing import Any, Final
from xml.etree import ElementTree as ET

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backend_bases import GraphicsContextBase as Pen
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.path import Path
from matplotlib.text import Text
from matplotlib.transforms import Affine2D, Transform

from lensbench.report.draw import Drawing, Plot
from lensbench.report.draw.canvas import (
    INK,
    NARROW,
    RULE,
    TITLE_PT,
    WIDE,
    Canvas,
    NamedRenderer,
    Point,
    Shape,
    along,
    line_look,
    mark,
    text_width_pt,
)
from lensbench.report.draw.field import FieldMap
from lensbench.report.draw.field_figure import field_figure
from lensbench.report.draw.panels import STYLES, Line, Panel
from lensbench.report.draw.strips import Strips
from lensbench.report.draw.strips_figure import strips_figure

DOTS_PER_INCH: Final = 200
_PANEL: Final = Shape(460.8, 12.5)
"""A panel or a map stands beside another on a desk."""
_LEFT_PT, _RIGHT_PT = 56.0, 16.0
_TOP_PT, _BOTTOM_PT, _LEGEND_PT = 24.0, {False: 278.0, True: 214.0}, 60.0
_LEGEND_STEP_PT: Final = 19.0
_ANCHORS: Final = {"left": ("start", 0.0), "center": ("middle", 0.5), "right": ("end", 1.0)}
"""Where a text hangs: its name in SVG, and the share of the width that lies before it."""


def draw(plot: Plot) -> Drawing:
    """Drawing of a plot; the same plot gives the same bytes."""
    figure = figure_of(plot)
    FigureCanvasAgg(figure)
    content = io.BytesIO()
    figure.savefig(content, format="png", dpi=DOTS_PER_INCH, metadata={"Software": None})
    return Drawing(svg=_svg(plot, WIDE), narrow=_svg(plot, NARROW), png=content.getvalue())


def figure_of(plot: Plot, shape: Shape = WIDE, *, on_page: bool = False, legend: bool = True) -> Figure:
    """Figure of a plot with its title above; `on_page` adds what the page's switches show, for the SVG alone.

    Several maps can share a legend that stands elsewhere.
    """
    match plot:
        case Strips():
            figure = strips_figure(plot, shape, on_page=on_page)
        case Panel():
            figure = _panel_figure(plot, shape if shape.narrow else _PANEL)
        case FieldMap():
            figure = field_figure(plot, shape if shape.narrow else _PANEL, on_page=on_page, legend=legend)
    return figure


def _svg(plot: Plot, shape: Shape) -> str:
    figure, key = figure_of(plot, shape, on_page=True), f"{plot.key}{'-narrow' * shape.narrow}"
    width_pt, height_pt = (72.0 * float(inches) for inches in figure.get_size_inches())
    picture = ET.Element(
        "svg",
        {
            "xmlns": "http://www.w3.org/2000/svg",
            "viewBox": f"0 {TITLE_PT:g} {width_pt:g} {height_pt - TITLE_PT:g}",
            "role": "img",
            "aria-labelledby": f"{key}-title {key}-desc",
        },
    )
    ET.SubElement(picture, "title", {"id": f"{key}-title"}).text = plot.title
    ET.SubElement(picture, "desc", {"id": f"{key}-desc"}).text = plot.about
    figure.draw(_PageRenderer(picture, key=key, figure=figure))
    return ET.tostring(picture, encoding="unicode")


def _panel_figure(panel: Panel, shape: Shape) -> Figure:
    names = [text_width_pt(line.name, shape.text_pt) + 56.0 for line in panel.lines]
    stacked = sum(names) > shape.width_pt
    rows = len(panel.lines) - 1 if stacked else 0
    bottom_pt = _BOTTOM_PT[shape.narrow]
    canvas = Canvas.of(shape, bottom_pt + 74.0 + _LEGEND_STEP_PT * rows)
    canvas.title(panel.title)
    right_pt = shape.width_pt - _RIGHT_PT
    axes = canvas.axes(rows_pt=(_TOP_PT, bottom_pt), cols_pt=(_LEFT_PT, right_pt))
    _draw_axes(canvas, axes, panel, right_pt=right_pt)
    for line in panel.lines:
        _draw_line(axes, line)
    for number, line in enumerate(panel.lines):
        row = bottom_pt + _LEGEND_PT + (number * _LEGEND_STEP_PT if stacked else 0.0)
        col = 12.0 + (0.0 if stacked else number * (shape.width_pt - 20.0) / len(panel.lines))
        canvas.sheet.plot([col, col + 34.0], [row, row], **line_look("curve", line.role))
        if line.points:
            mark(canvas.sheet, line.role, [col + 17.0], [row])
        canvas.write(line.name, (row + 4.5, col + 41.0))
    return canvas.figure


def _draw_axes(canvas: Canvas, axes: Axes, panel: Panel, *, right_pt: float) -> None:
    bottom_pt = _BOTTOM_PT[canvas.shape.narrow]
    axes.set(xlim=(panel.across.low, panel.across.high), ylim=(panel.up.low, panel.up.high))
    axes.spines[["left", "top", "right"]].set_visible(False)
    axes.spines["bottom"].set(gid="axis", color=INK, linewidth=1.0)
    axes.set(xticks=[], yticks=[])
    for value, words in panel.up.ticks:
        axes.axhline(value, color=RULE, linewidth=0.8, zorder=0.5, gid="rule")
        row = along(panel.up, value, bottom_pt, _TOP_PT)
        canvas.write(words, (row + 4.5, _LEFT_PT - 7.0), ha="right")
    for value, words in panel.across.ticks:
        col = along(panel.across, value, _LEFT_PT, right_pt)
        canvas.write(words, (bottom_pt + 18.0, col), ha="center")
    if panel.level is not None:
        axes.axhline(panel.level, color=INK, linewidth=1.0, zorder=1, gid="axis")
    middle = ((_TOP_PT + bottom_pt) / 2.0, (_LEFT_PT + right_pt) / 2.0)
    canvas.write(panel.across.title, (bottom_pt + 37.0, middle[1]), kind="name", ha="center")
    canvas.write(panel.up.title, (middle[0], 13.0), kind="name", ha="center", rotation=90)


def _draw_line(axes: Axes, line: Line) -> None:
    path = [point for point in line.path if math.isfinite(point[1])]
    if path:
        axes.plot(*zip(*path, strict=True), **line_look("curve", line.role), zorder=2)
    barred = [point for point in line.points if math.isfinite(point.low) and math.isfinite(point.high)]
    if barred:
        cols = [col for point in barred for col in (point.place, point.place, math.nan)]
        rows = [row for point in barred for row in (point.low, point.high, math.nan)]
        color = STYLES[line.role].color
        axes.plot(cols, rows, color=color, linewidth=1.4, gid=f"bar {line.role}", zorder=3)
    marked = [point for point in line.points if math.isfinite(point.value)]
    if marked:
        mark(axes, line.role, [point.place for point in marked], [point.value for point in marked])


class _PageRenderer(NamedRenderer):
    """Writes what a figure draws as SVG elements; artists without a name leave nothing."""

    def __init__(self, picture: ET.Element, *, key: str, figure: Figure) -> None:
        super().__init__(figure)
        self._picture = picture
        self._key = key
        self._down = Affine2D().scale(1.0, -1.0).translate(0.0, self.size_pt[1])

    def draw_path(self, gc: Pen, path: Path, transform: Transform, rgbFace: Any = None) -> None:
        """Line, area or ring as one `path`."""
        if self.names[-1] is None:
            return
        look = {"d": _path_data(path, transform + self._down)}
        width_pt, dashes = gc.get_linewidth(), gc.get_dashes()[1]
        if width_pt:
            look["stroke-width"] = f"{width_pt:g}"
        if dashes:
            look["stroke-dasharray"] = " ".join(f"{dash:.3g}" for dash in np.asarray(dashes))
        clip = gc.get_clip_rectangle()
        if self.names[-1] == "ring" and clip is not None:
            look["clip-path"] = f"url(#{self._clip(clip.frozen().transformed(self._down))})"
        self._add("path", look)

    def draw_markers(
        self,
        gc: Pen,
        marker_path: Path,
        marker_trans: Transform,
        path: Path,
        trans: Transform,
        rgbFace: Any = None,
    ) -> None:
        """Each mark at its place: a `circle`, or a `path` where it has corners."""
        shape = marker_path.transformed(marker_trans)
        corners = np.asarray(shape.vertices)
        for col, row in (trans + self._down).transform(path.vertices):
            if len(corners) > 12:  # only a circle has so many
                radius = np.ptp(corners[:, 0]) / 2.0
                self._add("circle", {"cx": _number(col), "cy": _number(row), "r": _number(radius)})
            else:
                place = Affine2D().scale(1.0, -1.0).translate(col, row)
                self._add("path", {"d": _path_data(shape, place)})

    def words(self, written: Text, shown: str, at_pt: Point, gc: Pen, font: FontProperties) -> None:
        """Text that hangs at its end or its middle, so that the page's own font may be wider or narrower."""
        width_pt, _, _ = self.get_text_width_height_descent(shown, font, ismath=False)
        anchor, share = _ANCHORS[written.get_horizontalalignment()]
        angle = written.get_rotation()
        turn, (x, y) = math.radians(angle), at_pt
        col, row = x + share * width_pt * math.cos(turn), y - share * width_pt * math.sin(turn)
        place = {"x": _number(col), "y": _number(row), "font-size": f"{font.get_size_in_points():g}"}
        if share:
            place["text-anchor"] = anchor
        if angle:
            place["transform"] = f"rotate({-angle:g} {_number(col)} {_number(row)})"
        if font.get_weight() == "bold":
            place["font-weight"] = "650"
        self._add("text", place).text = str(written.get_label())

    def _add(self, tag: str, attributes: dict[str, str]) -> ET.Element:
        return ET.SubElement(self._picture, tag, {"class": str(self.names[-1])} | attributes)

    def _clip(self, box: Any) -> str:
        name = f"{self._key}-clip"
        if self._picture.find("clipPath") is None:
            clip = ET.SubElement(self._picture, "clipPath", {"id": name})
            size = {"width": _number(box.width), "height": _number(abs(box.height))}
            ET.SubElement(clip, "rect", {"x": _number(box.xmin), "y": _number(box.ymin)} | size)
        return name


def _path_data(path: Path, transform: Transform) -> str:
    letters = {Path.MOVETO: "M", Path.LINETO: "L", Path.CURVE3: "Q", Path.CURVE4: "C", Path.CLOSEPOLY: "Z"}
    parts = []
    for points, code in path.iter_segments(transform, remove_nans=True, simplify=False):
        numbers = "" if code == Path.CLOSEPOLY else " ".join(_number(number) for number in points)
        parts.append(f"{letters[code]}{numbers}")
    return "".join(parts)


def _number(value: float) -> str:
    return f"{value:.1f}".removesuffix(".0")
