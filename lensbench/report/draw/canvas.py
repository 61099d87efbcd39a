"""Paper for a figure, laid out in points, and the pens that every plot draws with.

Each figure is drawn in two shapes from the same data: a wide one for a desk and for files, a narrow one for a phone,
where a wide one would shrink its words below what can be read. What the page shows bears a name (matplotlib's `gid`),
which becomes the class that its style sheet colours, in light and dark; an artist without a name (the title, the white
behind) is in files only.
"""

from dataclasses import dataclass
from functools import cache, lru_cache
from typing import Any, ClassVar, Final, Self

from matplotlib.axes import Axes
from matplotlib.backend_bases import GraphicsContextBase, RendererBase
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties, findfont, get_font
from matplotlib.text import Text
from matplotlib.textpath import text_to_path

from lensbench.report.draw.panels import STYLES, Axis

TITLE_PT: Final = 30.0
"""Above the plot, in files only: the page has a heading there."""
INK, FAINT, RULE, BAND, PAPER = "#23272b", "#5d646b", "#d8d4ca", "#e9e2cf", "#ffffff"
_MARKS: Final = {"circle": ("o", 8.4), "square": ("s", 7.6), "triangle": ("^", 9.0), "diamond": ("D", 8.0)}
"""matplotlib's sign, and the size that makes all look alike. [pt]"""

_MOST_SIZES: Final = 10_000
Point = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Shape:
    """How wide a figure is, and how large its words are, in points."""

    width_pt: float
    text_pt: float
    narrow: bool = False


WIDE: Final = Shape(640.0, 12.0)
NARROW: Final = Shape(340.0, 13.5, narrow=True)
"""On a telephone of 320 pixels a point is 0.85 pixels, so that words keep 11 of them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Canvas:
    """A figure, and axes over all of it whose units are points to the right and down from the plot's corner."""

    figure: Figure
    sheet: Axes
    shape: Shape
    height_pt: float
    """Of the plot, without the title's room."""

    @classmethod
    def of(cls, shape: Shape, height_pt: float) -> Self:
        """Empty canvas."""
        figure = Figure(figsize=(shape.width_pt / 72.0, (height_pt + TITLE_PT) / 72.0), dpi=72)
        sheet = figure.add_axes((0.0, 0.0, 1.0, 1.0), zorder=1, facecolor="none")
        sheet.set(xlim=(0.0, shape.width_pt), ylim=(height_pt, -TITLE_PT))
        sheet.axis("off")
        return cls(figure=figure, sheet=sheet, shape=shape, height_pt=height_pt)

    def axes(self, *, rows_pt: Point, cols_pt: Point) -> Axes:
        """Axes within four borders of the sheet: top and bottom, left and right."""
        (top_pt, bottom_pt), (left_pt, right_pt) = rows_pt, cols_pt
        whole_pt = self.height_pt + TITLE_PT
        size = ((right_pt - left_pt) / self.shape.width_pt, (bottom_pt - top_pt) / whole_pt)
        start = (left_pt / self.shape.width_pt, 1.0 - (bottom_pt + TITLE_PT) / whole_pt)
        return self.figure.add_axes((*start, *size))

    def write(self, words: str, at: Point, *, kind: str = "tick", **look: Any) -> Text:
        """Text at (row, column); the words themselves are kept as its label, for the page lacks no glyph."""
        color = FAINT if kind.startswith("name") else INK
        look = {"fontsize": self.shape.text_pt, "color": color, "rotation_mode": "anchor", **look}
        return self.sheet.text(at[1], at[0], plot_text(words), gid=kind, label=words, **look)

    def stroke(self, cols: list[float], rows: list[float], **look: Any) -> None:
        """Line from point to point of the sheet."""
        self.sheet.plot(cols, rows, clip_on=False, **look)

    def title(self, words: str) -> None:
        """Title of the file, in a size that fits the width."""
        size_pt = min(14.0, 1.6 * self.shape.width_pt / max(len(words), 1))
        self.sheet.text(8.0, 18.0 - TITLE_PT, plot_text(words), fontsize=size_pt, fontweight="bold")


class NamedRenderer(RendererBase):
    """Draws what a figure draws, 1 unit a point, and knows whose marks they are; a text is measured once a process."""

    sizes: ClassVar[dict[tuple[str, float, str | int], tuple[float, float, float]]] = {}

    def __init__(self, figure: Figure) -> None:
        super().__init__()
        width_pt, height_pt = (72.0 * float(inches) for inches in figure.get_size_inches())
        self.size_pt = width_pt, height_pt
        self.names: list[str | None] = [None]

    def open_group(self, s: str, gid: str | None = None) -> None:
        """Enter an artist; its name counts until it is left."""
        self.names.append(gid)

    def close_group(self, s: str) -> None:
        """Leave an artist."""
        self.names.pop()

    def draw_text(
        self,
        gc: GraphicsContextBase,
        x: float,
        y: float,
        s: str,
        prop: FontProperties,
        angle: float,
        ismath: Any = False,
        mtext: Text | None = None,
    ) -> None:
        """Words of an artist that has a name; without one they stand in files only."""
        if self.names[-1] is not None and mtext is not None:
            self.words(mtext, s, (x, y), gc, prop)

    def words(
        self, written: Text, shown: str, at_pt: Point, gc: GraphicsContextBase, font: FontProperties
    ) -> None:
        """Write the words that a text, in files `shown` so, is labelled with, from (column, row) on."""
        raise NotImplementedError

    def get_canvas_width_height(self) -> Point:
        """Width and height in points."""
        return self.size_pt

    def get_text_width_height_descent(
        self, s: str, prop: FontProperties, ismath: Any
    ) -> tuple[float, float, float]:
        """Width, height and depth of a text; no text of ours is a formula."""
        key = s, prop.get_size_in_points(), prop.get_weight()
        if key not in self.sizes:
            if len(self.sizes) > _MOST_SIZES:
                self.sizes.clear()
            self.sizes[key] = super().get_text_width_height_descent(s, prop, ismath)
        return self.sizes[key]


@cache
def _glyphs() -> frozenset[int]:
    return frozenset(get_font(findfont("DejaVu Sans")).get_charmap())


def plot_text(words: str) -> str:
    """Words as matplotlib shows them literally: no formula, no hidden label, no missing glyph."""
    known = _glyphs()
    shown = "".join(letter if ord(letter) in known else "\N{REPLACEMENT CHARACTER}" for letter in words)
    literal = shown.replace("$", r"\$")
    return f" {literal}" if literal.startswith("_") else literal


@lru_cache(maxsize=4096)
def text_width_pt(words: str, size_pt: float) -> float:
    """Width of words in the font of files, which is as wide as those of pages, or wider."""
    width_pt, _, _ = text_to_path.get_text_width_height_descent(
        plot_text(words), FontProperties(size=size_pt), ismath=False
    )
    return float(width_pt)


def fitted_words(words: str, size_pt: float, room_pt: float) -> str:
    """Words that fit into a room, the end of long ones left out."""
    if text_width_pt(words, size_pt) <= room_pt:
        return words
    kept = next(
        end
        for end in range(len(words) - 1, -1, -1)
        if text_width_pt(words[:end], size_pt) < room_pt - size_pt
    )
    return f"{words[:kept].rstrip()}\N{HORIZONTAL ELLIPSIS}"


def along(axis: Axis, value: float, start_pt: float, end_pt: float) -> float:
    """Where a value of an axis lies on the sheet."""
    return start_pt + (value - axis.low) / (axis.high - axis.low) * (end_pt - start_pt)


def line_look(kind: str, role: str, *, width_pt: float = 2.2) -> dict[str, Any]:
    """Colour, dashes, width and name of a line of this role."""
    style = STYLES[role]
    dashes = (0, style.dashes) if style.dashes else "solid"
    return {"color": style.color, "linestyle": dashes, "linewidth": width_pt, "gid": f"{kind} {role}"}


def mark(axes: Axes, role: str, cols: list[float], rows: list[float]) -> None:
    """Marks of a role."""
    marker, size_pt = _MARKS[STYLES[role].mark]
    look: dict[str, Any] = {"marker": marker, "markersize": size_pt, "mec": "white", "linestyle": "none"}
    axes.plot(cols, rows, color=STYLES[role].color, gid=f"mark {role}", zorder=4, **look)
