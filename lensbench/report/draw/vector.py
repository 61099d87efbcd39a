"""A plot's figure drawn on a PDF page: the same marks as the page's SVG, as lines, areas and letters, no picture.

As in the SVG, an artist without a name (the title, the white behind) leaves nothing: the words around the plot say it.
"""

import math
from typing import Any, Final

import numpy as np
from matplotlib.backend_bases import GraphicsContextBase as Pen
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.path import Path
from matplotlib.text import Text
from matplotlib.transforms import Transform
from reportlab.platypus import Flowable

from lensbench.report.draw.canvas import TITLE_PT, NamedRenderer, Point
from lensbench.storage.pdf import BOLD, LEAST_PT, REGULAR, Sketch, register_fonts
from lensbench.storage.tagged import element

_POINTS_PER_INCH: Final = 72.0
_CAPS: Final = {"butt": 0, "round": 1, "projecting": 2}
_JOINS: Final = {"miter": 0, "round": 1, "bevel": 2}

Color = tuple[float, ...]


class VectorPlot(Flowable):  # type: ignore[misc]  # of a library without types
    """A plot without its title, as wide as it is told to be, or narrower where the page's rest is a little too low.

    Its words, of `text_pt` in the figure, stay readable: below that it stands on the next page. `alt` is what those are
    told who don't see it.
    """

    def __init__(self, figure: Figure, width_pt: float, *, text_pt: float, alt: str) -> None:
        super().__init__()
        self._alt = alt
        self._least_scale = LEAST_PT / text_pt
        self._figure = figure
        self._size_pt = _POINTS_PER_INCH * figure.get_size_inches()
        self._whole_scale = width_pt / float(self._size_pt[0])
        self._scale = self._whole_scale
        self._width_pt = width_pt

    def wrap(self, _width_pt: float, height_pt: float) -> tuple[float, float]:
        """Width and height."""
        own_pt = float(self._size_pt[1]) - TITLE_PT
        fitting = height_pt / own_pt
        shrinks = self._least_scale <= fitting < self._whole_scale
        self._scale = 0.999 * fitting if shrinks else self._whole_scale
        return self._width_pt, self._scale * own_pt

    def draw(self) -> None:
        """Draw the figure, scaled, from its lower left corner."""
        if isinstance(self.canv, Sketch):
            return
        self.canv.saveState()
        self.canv.translate((self._width_pt - self._scale * float(self._size_pt[0])) / 2.0, 0.0)
        self.canv.scale(self._scale, self._scale)
        with self.canv.tagged(element("Figure"), alt=self._alt):
            self._figure.draw(_PaperRenderer(self.canv, figure=self._figure))
        self.canv.restoreState()


class _PaperRenderer(NamedRenderer):
    """Draws what a figure draws on a canvas."""

    def __init__(self, canvas: Any, *, figure: Figure) -> None:
        super().__init__(figure)
        register_fonts()
        self._canvas = canvas

    def flipy(self) -> bool:
        """Rows count upwards on a PDF page."""
        return False

    def draw_path(self, gc: Pen, path: Path, transform: Transform, rgbFace: Any = None) -> None:
        """Line or area, within its clip."""
        if self.names[-1] is None:
            return
        self._canvas.saveState()
        clip = gc.get_clip_rectangle()
        if clip is not None:
            window = self._canvas.beginPath()
            window.rect(*clip.bounds)
            self._canvas.clipPath(window, stroke=0, fill=0)
        width_pt = float(gc.get_linewidth())
        line = tuple(gc.get_rgb())
        if width_pt:
            self._set_pen(gc, width_pt, line)
        if rgbFace is not None:
            shade = tuple(rgbFace)
            self._canvas.setFillColorRGB(*shade[:3], alpha=_alpha(gc, shade))
        shape = self._shape(path, transform)
        self._canvas.drawPath(shape, stroke=int(width_pt > 0.0), fill=int(rgbFace is not None))
        self._canvas.restoreState()

    def _set_pen(self, gc: Pen, width_pt: float, line: Color) -> None:
        self._canvas.setStrokeColorRGB(*line[:3], alpha=_alpha(gc, line))
        self._canvas.setLineWidth(width_pt)
        self._canvas.setLineCap(_CAPS[str(gc.get_capstyle())])
        self._canvas.setLineJoin(_JOINS[str(gc.get_joinstyle())])
        offset, dashes = gc.get_dashes()
        if dashes is not None:
            self._canvas.setDash([float(dash) for dash in np.asarray(dashes)], offset or 0)

    def _shape(self, path: Path, transform: Transform) -> Any:
        """Path of the canvas; a quadratic curve becomes the cubic one that it equals."""
        shape, at = self._canvas.beginPath(), (0.0, 0.0)
        for points, code in path.iter_segments(transform, remove_nans=True, simplify=False):
            place = [float(value) for value in points]
            match code:
                case Path.MOVETO:
                    shape.moveTo(*place)
                case Path.LINETO:
                    shape.lineTo(*place)
                case Path.CURVE3:
                    handle, end = place[:2], place[2:]
                    first = [
                        start + 2.0 / 3.0 * (knee - start) for start, knee in zip(at, handle, strict=True)
                    ]
                    second = [
                        stop + 2.0 / 3.0 * (knee - stop) for stop, knee in zip(end, handle, strict=True)
                    ]
                    shape.curveTo(*first, *second, *end)
                case Path.CURVE4:
                    shape.curveTo(*place)
                case _:
                    shape.close()
                    continue
            at = (place[-2], place[-1])
        return shape

    def words(self, written: Text, shown: str, at_pt: Point, gc: Pen, font: FontProperties) -> None:
        """Text in the page's own font, which is the figure's."""
        self._canvas.saveState()
        self._canvas.translate(*at_pt)
        if angle := written.get_rotation():
            self._canvas.rotate(angle)
        ink = tuple(gc.get_rgb())
        self._canvas.setFillColorRGB(*ink[:3], alpha=_alpha(gc, ink))
        self._canvas.setFont(BOLD if font.get_weight() == "bold" else REGULAR, font.get_size_in_points())
        self._canvas.drawString(0.0, 0.0, str(written.get_label()))
        self._canvas.restoreState()


def _alpha(gc: Pen, color: Color) -> float:
    """How opaque a colour is: what the artist says counts before the colour's own."""
    if gc.get_forced_alpha():
        return float(gc.get_alpha())
    return float(color[3]) if len(color) > 3 and math.isfinite(color[3]) else 1.0
