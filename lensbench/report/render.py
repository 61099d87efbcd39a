"""The one renderer: a panel or a map becomes a matplotlib figure, and that figure a PNG file or the page's SVG.

Everything is laid out in points, 460.8 of them across: readable on a telephone and at half the width of a sheet. What
the page shows bears a name (matplotlib's `gid`), which becomes the class that its style sheet colours, in light and
dark; an artist without a name (the title, the white behind) is in the PNG only. The SVG holds no style, no script and
nothing from outside; it is built from elements, so every text is escaped.
"""

import io
import math
from typing import Any, Final
from xml.etree import ElementTree as ET

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backend_bases import GraphicsContextBase as Pen
from matplotlib.backend_bases import RendererBase
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties, findfont, get_font
from matplotlib.patches import Circle, Rectangle
from matplotlib.path import Path
from matplotlib.text import Text
from matplotlib.transforms import Affine2D, Transform

from lensbench.report.curves import FieldMap, spot_bars
from lensbench.report.document import Drawing
from lensbench.report.panels import STYLES, Axis, Line, Panel
from lensbench.shot import zone_borders

_WIDTH_PT: Final = 460.8
TITLE_PT: Final = 30.0
"""Above the plot, in the PNG only: the page has a heading there."""
_LEFT_PT, _RIGHT_PT, _RIGHT_AXIS_PT = 56.0, 16.0, 54.0
_TOP_PT, _BOTTOM_PT, _LEGEND_PT = 24.0, 278.0, 338.0
_LEGEND_STEP_PT: Final = 19.0
_FIELD_MARGIN_PT: Final = 26.0
"""Room for the bars of targets at the picture's border."""
_TEXT_PT: Final = 13.5
_DOTS_PER_INCH: Final = 150
_MARKS: Final = {"circle": ("o", 8.4), "square": ("s", 7.6), "triangle": ("^", 9.0), "diamond": ("D", 8.0)}
"""matplotlib's sign, and the size that makes all look alike. [pt]"""
_BAND, _RULE, _INK, _FAINT = "#e9e2cf", "#d8d4ca", "#23272b", "#5d646b"
_ANCHORS: Final = {"left": ("start", 0.0), "center": ("middle", 0.5), "right": ("end", 1.0)}
"""Where a text hangs: its name in SVG, and the share of the width that lies before it."""
_OF_A_MAP: Final = (("sagittal", "sagittal (along the radius)"), ("tangential", "tangential (across it)"))

Point = tuple[float, float]


def draw(plot: Panel | FieldMap) -> Drawing:
    """Drawing of a panel or a map; the same plot gives the same bytes."""
    figure = figure_of(plot)
    height_pt = _height_pt(figure)
    size = min(14.0, 740.0 / max(len(plot.title), 1))  # so that a long title stays within the picture
    at = (8.0 / _WIDTH_PT, 1.0 - 18.0 / height_pt)
    figure.text(*at, plot_text(plot.title), fontsize=size, fontweight="bold")
    picture = ET.Element(
        "svg",
        {
            "xmlns": "http://www.w3.org/2000/svg",
            "viewBox": f"0 {TITLE_PT:g} {_WIDTH_PT:g} {height_pt - TITLE_PT:g}",
            "role": "img",
            "aria-labelledby": f"{plot.key}-title {plot.key}-desc",
        },
    )
    ET.SubElement(picture, "title", {"id": f"{plot.key}-title"}).text = plot.title
    ET.SubElement(picture, "desc", {"id": f"{plot.key}-desc"}).text = plot.about
    figure.draw(_PageRenderer(picture, key=plot.key, height_pt=height_pt))
    FigureCanvasAgg(figure)
    content = io.BytesIO()
    figure.savefig(content, format="png", dpi=_DOTS_PER_INCH, metadata={"Software": None})
    return Drawing(svg=ET.tostring(picture, encoding="unicode"), png=content.getvalue())


def figure_of(plot: Panel | FieldMap) -> Figure:
    """Figure of a panel or a map in points, `TITLE_PT` of empty room above it."""
    return _panel_figure(plot) if isinstance(plot, Panel) else _field_figure(plot)


def plot_text(words: str) -> str:
    """Words as matplotlib shows them literally: no formula, no hidden label, no missing glyph."""
    known = get_font(findfont("DejaVu Sans")).get_charmap()
    shown = "".join(letter if ord(letter) in known else "\N{REPLACEMENT CHARACTER}" for letter in words)
    literal = shown.replace("$", r"\$")
    return f" {literal}" if literal.startswith("_") else literal


def _height_pt(figure: Figure) -> float:
    return 72.0 * float(figure.get_figheight())


def _sheet(height_pt: float) -> tuple[Figure, Axes]:
    """Empty figure, and axes over all of it whose units are points to the right and down from the plot's corner."""
    height_pt += TITLE_PT
    figure = Figure(figsize=(_WIDTH_PT / 72.0, height_pt / 72.0), dpi=72)
    sheet = figure.add_axes((0.0, 0.0, 1.0, 1.0), zorder=1, facecolor="none")
    sheet.set(xlim=(0.0, _WIDTH_PT), ylim=(height_pt - TITLE_PT, -TITLE_PT))
    sheet.axis("off")
    return figure, sheet


def _axes(figure: Figure, *, rows_pt: tuple[float, float], cols_pt: tuple[float, float]) -> Axes:
    """Axes within four borders of the sheet: top and bottom, left and right."""
    (top_pt, bottom_pt), (left_pt, right_pt), height_pt = rows_pt, cols_pt, _height_pt(figure)
    size = ((right_pt - left_pt) / _WIDTH_PT, (bottom_pt - top_pt) / height_pt)
    return figure.add_axes((left_pt / _WIDTH_PT, 1.0 - (bottom_pt + TITLE_PT) / height_pt, *size))


def _write(axes: Axes, words: str, at: Point, *, kind: str = "tick", **look: Any) -> Text:
    """Text at (row, column); the words themselves are kept as its label, for the page lacks no glyph."""
    color = _FAINT if kind == "name" else _INK
    look = {"fontsize": _TEXT_PT, "color": color, "rotation_mode": "anchor", **look}
    return axes.text(at[1], at[0], plot_text(words), gid=kind, label=words, **look)


def _panel_figure(panel: Panel) -> Figure:
    rows = len(panel.lines) - 1 if panel.names_are_long else 0
    figure, sheet = _sheet(352.0 + _LEGEND_STEP_PT * rows)
    right_pt = _WIDTH_PT - (_RIGHT_AXIS_PT if panel.up_right else _RIGHT_PT)
    axes = _axes(figure, rows_pt=(_TOP_PT, _BOTTOM_PT), cols_pt=(_LEFT_PT, right_pt))
    for start, end in panel.shades:
        axes.axvspan(start, end, color=_BAND, linewidth=0, zorder=0, gid="tied")
    _draw_axes(sheet, axes, panel, right_pt=right_pt)
    for line in panel.lines:
        _draw_line(axes, line)
    if panel.best is not None:
        axes.axvline(panel.best, color=_INK, linewidth=1.0, linestyle=(0, (1, 3)), zorder=1, gid="best")
        col = _along(panel.across, panel.best, _LEFT_PT, right_pt)
        _write(sheet, "best", (_TOP_PT - 8.0, col), ha="center", fontweight="bold")
    _draw_legend(sheet, panel)
    return figure


def _draw_axes(sheet: Axes, axes: Axes, panel: Panel, *, right_pt: float) -> None:
    axes.set(xlim=(panel.across.low, panel.across.high), ylim=(panel.up.low, panel.up.high))
    axes.spines[["left", "top", "right"]].set_visible(False)
    axes.spines["bottom"].set(gid="axis", color=_INK, linewidth=1.0)
    axes.set(xticks=[], yticks=[])
    for value, words in panel.up.ticks:
        axes.axhline(value, color=_RULE, linewidth=0.8, zorder=0.5, gid="rule")
        row = _along(panel.up, value, _BOTTOM_PT, _TOP_PT)
        _write(sheet, words, (row + 4.5, _LEFT_PT - 7.0), ha="right")
    for value, words in panel.across.ticks:
        _write(
            sheet, words, (_BOTTOM_PT + 18.0, _along(panel.across, value, _LEFT_PT, right_pt)), ha="center"
        )
    if panel.level is not None:
        axes.axhline(panel.level, color=_INK, linewidth=1.0, zorder=1, gid="axis")
    middle = ((_TOP_PT + _BOTTOM_PT) / 2.0, (_LEFT_PT + right_pt) / 2.0)
    _write(sheet, panel.across.title, (_BOTTOM_PT + 37.0, middle[1]), kind="name", ha="center")
    _write(sheet, panel.up.title, (middle[0], 13.0), kind="name", ha="center", rotation=90)
    if panel.up_right is not None:
        for value, words in panel.up_right.ticks:
            row = _along(panel.up_right, value, _BOTTOM_PT, _TOP_PT)
            sheet.plot([right_pt, right_pt + 4.0], [row] * 2, color=_INK, linewidth=1.0, gid="axis")
            _write(sheet, words, (row + 4.5, right_pt + 7.0))
        at = (middle[0], _WIDTH_PT - 5.0)
        _write(sheet, panel.up_right.title, at, kind="name", ha="center", rotation=90)


def _along(axis: Axis, value: float, start_pt: float, end_pt: float) -> float:
    """Where a value of an axis lies on the sheet."""
    return start_pt + (value - axis.low) / (axis.high - axis.low) * (end_pt - start_pt)


def _look(kind: str, role: str, *, width_pt: float = 2.2) -> dict[str, Any]:
    style = STYLES[role]
    dashes = (0, style.dashes) if style.dashes else "solid"
    return {"color": style.color, "linestyle": dashes, "linewidth": width_pt, "gid": f"{kind} {role}"}


def _mark(axes: Axes, role: str, cols: list[float], rows: list[float]) -> None:
    marker, size_pt = _MARKS[STYLES[role].mark]
    look: dict[str, Any] = {"marker": marker, "markersize": size_pt, "mec": "white", "linestyle": "none"}
    axes.plot(cols, rows, color=STYLES[role].color, gid=f"mark {role}", zorder=4, **look)


def _draw_line(axes: Axes, line: Line) -> None:
    path = [point for point in line.path if math.isfinite(point[1])]
    if path:
        axes.plot(*zip(*path, strict=True), **_look("curve", line.role), zorder=2)
    barred = [point for point in line.points if math.isfinite(point.low) and math.isfinite(point.high)]
    if barred:
        cols = [col for point in barred for col in (point.place, point.place, math.nan)]
        rows = [row for point in barred for row in (point.low, point.high, math.nan)]
        color = STYLES[line.role].color
        axes.plot(cols, rows, color=color, linewidth=1.4, gid=f"bar {line.role}", zorder=3)
    marked = [point for point in line.points if math.isfinite(point.value)]
    if marked:
        _mark(axes, line.role, [point.place for point in marked], [point.value for point in marked])


def _draw_legend(sheet: Axes, panel: Panel) -> None:
    """Names side by side, or one below the other where they are long."""
    step_pt = (_WIDTH_PT - 20.0) / max(len(panel.lines), 1)
    for number, line in enumerate(panel.lines):
        row = _LEGEND_PT + (number * _LEGEND_STEP_PT if panel.names_are_long else 0.0)
        col = 12.0 + (0.0 if panel.names_are_long else number * step_pt)
        sheet.plot([col, col + 34.0], [row, row], **_look("curve", line.role))
        if line.points:
            _mark(sheet, line.role, [col + 17.0], [row])
        _write(sheet, line.name, (row + 4.5, col + 41.0))


def _field_figure(field: FieldMap) -> Figure:
    rows, cols = field.size_px
    width_pt = _WIDTH_PT - 2 * _FIELD_MARGIN_PT
    bottom_pt = _FIELD_MARGIN_PT + width_pt * rows / cols
    figure, sheet = _sheet(bottom_pt + _FIELD_MARGIN_PT + 30.0)
    axes = _axes(
        figure, rows_pt=(_FIELD_MARGIN_PT, bottom_pt), cols_pt=(_FIELD_MARGIN_PT, _FIELD_MARGIN_PT + width_pt)
    )
    axes.set(xlim=(-0.5, cols - 0.5), ylim=(rows - 0.5, -0.5))
    axes.axis("off")
    border = Rectangle((-0.5, -0.5), cols, rows, fill=False, color=_INK, linewidth=1.0, gid="picture")
    axes.add_patch(border).set_clip_on(False)
    for share in zone_borders(field.size_px):
        radius_px = share * math.hypot(rows, cols) / 2.0
        look: dict[str, Any] = {"fill": False, "color": _FAINT, "linewidth": 0.8, "linestyle": (0, (2.5, 5))}
        axes.add_patch(Circle(((cols - 1) / 2.0, (rows - 1) / 2.0), radius_px, gid="ring", **look))
    for role, words in _OF_A_MAP:
        bars = [bar for spot in field.spots if (bar := spot_bars(spot, field).get(role))]
        cols_px = [col for start, end in bars for col in (start[1], end[1], math.nan)]
        rows_px = [row for start, end in bars for row in (start[0], end[0], math.nan)]
        axes.plot(cols_px, rows_px, **_look("whisker", role, width_pt=3.0), clip_on=False)
        row, col = bottom_pt + _FIELD_MARGIN_PT + 16.0, 12.0 if role == "sagittal" else 232.0
        sheet.plot([col, col + 30.0], [row, row], **_look("whisker", role, width_pt=3.0))
        _write(sheet, words, (row + 4.5, col + 37.0))
    for spot in field.spots:
        if math.isfinite(spot.mean_cypx):
            row, col = ((px + 0.5) * width_pt / cols + _FIELD_MARGIN_PT for px in spot.center_px)
            aside = (-7.0, "right") if col > _WIDTH_PT - 40.0 else (7.0, "left")
            at = (max(row - 6.0, _FIELD_MARGIN_PT + 11.0), col + float(aside[0]))
            text = _write(
                sheet, f"{1000.0 * spot.mean_cypx:.0f}", at, kind="small", ha=aside[1], fontsize=12.0
            )
            text.set_bbox({"facecolor": "white", "edgecolor": "none", "pad": 0.6, "alpha": 0.8})
    return figure


class _PageRenderer(RendererBase):
    """Writes what a figure draws as SVG elements, 1 unit a point; artists without a name leave nothing."""

    def __init__(self, picture: ET.Element, *, key: str, height_pt: float) -> None:
        super().__init__()
        self._picture = picture
        self._key = key
        self._height_pt = height_pt
        self._down = Affine2D().scale(1.0, -1.0).translate(0.0, height_pt)
        self._names: list[str | None] = []

    def open_group(self, s: str, gid: str | None = None) -> None:
        """Enter an artist; its name counts until it is left."""
        self._names.append(gid)

    def close_group(self, s: str) -> None:
        """Leave an artist."""
        self._names.pop()

    def get_canvas_width_height(self) -> Point:
        """Width and height in points."""
        return _WIDTH_PT, self._height_pt

    def draw_path(self, gc: Pen, path: Path, transform: Transform, rgbFace: Any = None) -> None:
        """Line, area or ring as one `path`."""
        if self._names[-1] is None:
            return
        look = {"d": _path_data(path, transform + self._down)}
        width_pt, dashes = gc.get_linewidth(), gc.get_dashes()[1]
        if width_pt:
            look["stroke-width"] = f"{width_pt:g}"
        if dashes:
            look["stroke-dasharray"] = " ".join(f"{dash:.3g}" for dash in np.asarray(dashes))
        clip = gc.get_clip_rectangle()
        if self._names[-1] == "ring" and clip is not None:
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

    def draw_text(
        self,
        gc: Pen,
        x: float,
        y: float,
        s: str,
        prop: FontProperties,
        angle: float,
        ismath: Any = False,
        mtext: Text | None = None,
    ) -> None:
        """Text that hangs at its end or its middle, so that the page's own font may be wider or narrower."""
        if self._names[-1] is None or mtext is None:
            return
        width_pt, _, _ = self.get_text_width_height_descent(s, prop, ismath=False)
        anchor, share = _ANCHORS[mtext.get_horizontalalignment()]
        turn = math.radians(angle)
        col, row = x + share * width_pt * math.cos(turn), y - share * width_pt * math.sin(turn)
        place = {"x": _number(col), "y": _number(row), "font-size": f"{prop.get_size_in_points():g}"}
        if share:
            place["text-anchor"] = anchor
        if angle:
            place["transform"] = f"rotate({-angle:g} {_number(col)} {_number(row)})"
        if prop.get_weight() == "bold":
            place["font-weight"] = "650"
        self._add("text", place).text = str(mtext.get_label())

    def _add(self, tag: str, attributes: dict[str, str]) -> ET.Element:
        return ET.SubElement(self._picture, tag, {"class": str(self._names[-1])} | attributes)

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
