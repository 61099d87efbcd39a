"""Panels and maps as PNG files, drawn by matplotlib on its own canvas, with no window system behind it."""

import io
import math
from typing import Any, Final

from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.font_manager import findfont, get_font
from matplotlib.patches import Circle, Rectangle

from lensbench.report.draw.field import FieldMap, Spot, spot_bars
from lensbench.report.draw.panels import Axis, Line, Panel, style_of
from lensbench.shot import zone_borders

__all__ = ["field_png", "panel_png"]


_INCHES: Final = (6.4, 4.4)
_DOTS_PER_INCH: Final = 150
_MARKS: Final = {"circle": "o", "square": "s", "triangle": "^", "diamond": "D"}
_BAND, _RULE, _INK = "#e9e2cf", "#d8d4ca", "#23272b"


def panel_png(panel: Panel) -> bytes:
    """Give a panel as a PNG file's content; the same panel gives the same bytes."""
    figure = Figure(figsize=_INCHES, dpi=_DOTS_PER_INCH, layout="constrained")
    axes = figure.add_subplot()
    _set_axes(axes, panel)
    for start, end in panel.shades:
        axes.axvspan(start, end, color=_BAND, linewidth=0, zorder=0)
    for line in panel.lines:
        _draw_line(axes, line)
    if panel.best is not None:
        axes.axvline(panel.best, color=_INK, linewidth=0.9, linestyle=":", zorder=1)
        axes.annotate("best", (panel.best, 1.0), xycoords=("data", "axes fraction"), ha="center", va="bottom")
    if panel.level is not None:
        axes.axhline(panel.level, color=_INK, linewidth=0.9, zorder=1)
    columns = 1 if panel.names_are_long else 4
    axes.legend(loc="upper center", bbox_to_anchor=(0.5, -0.15), ncols=columns, frameon=False)
    return _png(figure, panel.title)


def field_png(field: FieldMap) -> bytes:
    """Give a map as a PNG file's content."""
    rows, cols = field.size_px
    figure = Figure(figsize=(6.4, 6.4 * rows / cols + 0.8), dpi=_DOTS_PER_INCH, layout="constrained")
    axes = figure.add_subplot()
    # Room beside the picture, so that the bars of targets at its border are seen whole.
    pad = 0.06 * cols
    axes.set(
        xlim=(-pad, cols + pad), ylim=(rows + pad, -pad), xticks=[], yticks=[], aspect="equal", frame_on=False
    )
    axes.add_patch(Rectangle((-0.5, -0.5), cols, rows, fill=False, color="#5d646b", linewidth=0.8))
    middle = ((cols - 1) / 2.0, (rows - 1) / 2.0)
    for border in zone_borders(field.size_px):
        radius = border * math.hypot(rows, cols) / 2.0
        axes.add_patch(Circle(middle, radius, fill=False, linestyle=":", color="#5d646b", linewidth=0.7))
    for spot in field.spots:
        _draw_spot(axes, spot, field)
    axes.set_title(field.title, loc="left", fontsize=11, fontweight="bold")
    for role in ("sagittal", "tangential"):
        axes.plot([], [], **_look(role), linewidth=2.4, label=role)
    axes.legend(loc="upper center", bbox_to_anchor=(0.5, -0.01), ncols=2, frameon=False)
    return _png(figure, "")


def plot_text(words: str) -> str:
    """Give words as matplotlib shows them literally: no formula, no hidden label, no missing glyph."""
    known = get_font(findfont("DejaVu Sans")).get_charmap()
    shown = "".join(letter if ord(letter) in known else "\N{REPLACEMENT CHARACTER}" for letter in words)
    literal = shown.replace("$", r"\$")
    return f" {literal}" if literal.startswith("_") else literal


def _png(figure: Figure, title: str) -> bytes:
    if title:
        figure.suptitle(plot_text(title), x=0.02, ha="left", fontsize=11, fontweight="bold")
    FigureCanvasAgg(figure)
    content = io.BytesIO()
    figure.savefig(content, format="png", metadata={"Software": None})
    return content.getvalue()


def _look(role: str) -> dict[str, Any]:
    style = style_of(role)
    return {"color": style.color, "linestyle": (0, style.dashes) if style.dashes else "solid"}


def _set_axes(axes: Axes, panel: Panel) -> None:
    _set_axis(axes, panel.across, "x")
    _set_axis(axes, panel.up, "y")
    axes.grid(axis="y", color=_RULE, linewidth=0.7)
    axes.set_axisbelow(True)
    axes.spines[["top", "right"]].set_visible(False)
    if panel.up_right:
        right = axes.twinx()
        _set_axis(right, panel.up_right, "y")
        right.spines[["top", "left"]].set_visible(False)


def _set_axis(axes: Axes, axis: Axis, which: str) -> None:
    places, texts = [place for place, _ in axis.ticks], [text for _, text in axis.ticks]
    if which == "x":
        axes.set_xlim(axis.low, axis.high)
        axes.set_xticks(places, texts)
        axes.set_xlabel(axis.title)
    else:
        axes.set_ylim(axis.low, axis.high)
        axes.set_yticks(places, texts)
        axes.set_ylabel(axis.title)


def _draw_line(axes: Axes, line: Line) -> None:
    look = _look(line.role)
    mark = _MARKS[style_of(line.role).mark] if line.points else None
    axes.plot(*zip(*line.path, strict=True), **look, linewidth=1.8)
    axes.plot([], [], **look, linewidth=1.8, marker=mark, label=plot_text(line.name))
    for point in line.points:
        axes.plot([point.place] * 2, [point.low, point.high], color=look["color"], linewidth=1.2)
        axes.plot([point.place], [point.value], color=look["color"], marker=mark, markersize=6, mec="white")


def _draw_spot(axes: Axes, spot: Spot, field: FieldMap) -> None:
    for bar in spot_bars(spot, field):
        (row1, col1), (row2, col2) = bar.start_px, bar.end_px
        axes.plot([col1, col2], [row1, row2], **_look(bar.role), linewidth=2.4, clip_on=True)
    if math.isfinite(spot.mean_cypx):
        row, col = spot.center_px
        text = f"{1000.0 * spot.mean_cypx:.0f}"
        label = axes.annotate(text, (col, row), (5, 5), textcoords="offset points", fontsize=8)
        label.set_bbox({"facecolor": "white", "edgecolor": "none", "pad": 0.6, "alpha": 0.8})
