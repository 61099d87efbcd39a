"""A PDF page in exact millimetres: vectors only, DeviceGray only, the same bytes every time.

A grey in the PDF is a command to a printer and no reflectance. It is written so that a viewer that follows
the sRGB curve shows the nominal reflectance; what the printer made of it, the photograph tells.
"""

import io
from collections.abc import Sequence
from importlib.resources import files
from math import cos, inf, radians, sin, tan
from pathlib import Path
from typing import Any, Final

import numpy as np
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

from lensbench.chart.layout.parts import MODULES, Marker, Target, Tone, marker_modules, turned
from lensbench.model.shot import BoolArray
from lensbench.storage.files import write_whole, writing

_PT_PER_MM: Final = 72.0 / 25.4
_FONT: Final = "DejaVuSans"
_ARC_STEP_DEG: Final = 30.0  # a Bezier curve keeps to an arc of 30 degrees within 4e-7 of the radius
_HAIRLINE_MM: Final = 0.15

Corner = tuple[float, float]  # (row, column) from the middle of the page. [mm]


def device_gray(reflectance: float) -> float:
    """DeviceGray value, 0 to 1, that stands for a reflectance relative to paper white.

    The sRGB transfer curve, IEC 61966-2-1:1999; printers without colour management differ.

    >>> round(device_gray(0.25), 3)
    0.537
    """
    if reflectance <= 0.0031308:
        return 12.92 * reflectance
    return float(1.055 * reflectance ** (1.0 / 2.4) - 0.055)


class Page:
    """A canvas that takes millimetres from the sheet's centre, rows down."""

    def __init__(self, size_mm: Corner, *, title: str) -> None:
        self._height_mm, self._width_mm = size_mm
        self._buffer = io.BytesIO()
        if _FONT not in pdfmetrics.getRegisteredFontNames():
            with files("lensbench.chart").joinpath("DejaVuSans.ttf").open("rb") as font:
                pdfmetrics.registerFont(TTFont(_FONT, io.BytesIO(font.read())))
        self._canvas: Any = Canvas(
            self._buffer,
            pagesize=(self._width_mm * _PT_PER_MM, self._height_mm * _PT_PER_MM),
            invariant=1,
            pageCompression=0,
            initialFontName=_FONT,
            initialFontSize=8,
        )
        self._canvas.setTitle(title)
        self._canvas.setAuthor("lensbench")
        self._canvas.setSubject("Chart to photograph for measuring a lens; print at actual size")
        self._canvas.setViewerPreference("PrintScaling", "None")

    def _pt(self, corner: Corner) -> Corner:
        """Point as the PDF counts: right and up from the lower left corner, in points."""
        row_mm, col_mm = corner
        return ((self._width_mm / 2 + col_mm) * _PT_PER_MM, (self._height_mm / 2 - row_mm) * _PT_PER_MM)

    def next_page(self) -> None:
        """Close this page and begin another."""
        self._canvas.showPage()

    def fill(self, *outlines: Sequence[Corner], gray: float = 0.0) -> None:
        """Fill outlines as one shape."""
        path = self._canvas.beginPath()
        for outline in outlines:
            path.moveTo(*self._pt(outline[0]))
            for corner in outline[1:]:
                path.lineTo(*self._pt(corner))
            path.close()
        self._fill(path, gray)

    def _fill(self, path: Any, gray: float) -> None:
        self._canvas.setFillGray(gray)
        self._canvas.drawPath(path, stroke=0, fill=1)

    def target(self, target: Target, gray: float) -> None:
        """Fill the two dark quarters, counter-clockwise from arm 1 and from arm 3, by cubic Bezier curves."""
        reach = 4.0 / 3.0 * tan(radians(_ARC_STEP_DEG) / 4.0)
        path = self._canvas.beginPath()
        for arm in (1, 3):
            start_deg = target.turn_deg - 90.0 * (arm - 1)
            path.moveTo(*self._pt(target.center_mm))
            path.lineTo(*self._pt(_on_rim(target, start_deg)))
            for step in range(round(90.0 / _ARC_STEP_DEG)):
                from_deg = start_deg - step * _ARC_STEP_DEG
                to_deg = from_deg - _ARC_STEP_DEG
                handles = (_on_rim(target, from_deg, reach), _on_rim(target, to_deg, -reach))
                path.curveTo(*self._pt(handles[0]), *self._pt(handles[1]), *self._pt(_on_rim(target, to_deg)))
            path.close()
        self._fill(path, gray)

    def marker(self, marker: Marker) -> None:
        """Fill the ink of a marker as one shape, so that no seams show between its modules."""
        module_mm, middle = marker.side_mm / MODULES, MODULES / 2.0
        outlines = []
        for outline in _outlines(marker_modules(marker.marker_id)):
            flat = [((row - middle) * module_mm, (col - middle) * module_mm) for row, col in outline]
            outlines.append([turned(corner, marker.turn_deg, about=marker.center_mm) for corner in flat])
        self.fill(*outlines)

    def tone(self, tone: Tone) -> None:
        """Fill a square of one tone."""
        corners = rectangle((tone.side_mm, tone.side_mm))
        outline = [turned(corner, tone.turn_deg, about=tone.center_mm) for corner in corners]
        self.fill(outline, gray=device_gray(tone.reflectance))

    def ruler(self, start: Corner, length_mm: float) -> None:
        """Draw a length that begins at a point and runs to the right, ends exact, its tenths marked upwards."""
        row_mm, left_mm = start
        self.fill(bar(row_mm, left_mm, _HAIRLINE_MM, length_mm))
        for tenth in range(11):
            height_mm = 1.6 if tenth % 5 == 0 else 0.9
            inside_mm = {0: 0.0, 10: _HAIRLINE_MM}.get(tenth, _HAIRLINE_MM / 2)
            at_mm = left_mm + tenth * length_mm / 10.0 - inside_mm
            self.fill(bar(row_mm - height_mm, at_mm, height_mm, _HAIRLINE_MM))

    def note(
        self, text: str, anchor: Corner, *, size_mm: float, room_mm: float = inf, from_right: bool = False
    ) -> None:
        """Set one line of text whose base line starts at a point, or ends there; smaller where it is too long."""
        size_pt = size_mm * _PT_PER_MM
        width_mm = pdfmetrics.stringWidth(text, _FONT, size_pt) / _PT_PER_MM
        size_pt *= min(1.0, room_mm / width_mm)
        self._canvas.saveState()
        self._canvas.translate(*self._pt(anchor))
        self._canvas.setFillGray(0.0)
        self._canvas.setFont(_FONT, size_pt)
        (self._canvas.drawRightString if from_right else self._canvas.drawString)(0, 0, text)
        self._canvas.restoreState()

    def write(self, out: Path) -> None:
        """Close page and document and write the file over any that is there; a SettingError where that cannot be."""
        self._canvas.showPage()
        self._canvas.save()
        with writing(out):
            write_whole(out, self._buffer.getvalue())


def bar(top_mm: float, left_mm: float, height_mm: float, width_mm: float) -> list[Corner]:
    """Outline of a bar along rows and columns."""
    bottom_mm, right_mm = top_mm + height_mm, left_mm + width_mm
    return [(top_mm, left_mm), (top_mm, right_mm), (bottom_mm, right_mm), (bottom_mm, left_mm)]


def rectangle(size_mm: Corner) -> list[Corner]:
    """Corners of a rectangle about the origin, clockwise from the upper left."""
    row, col = size_mm[0] / 2.0, size_mm[1] / 2.0
    return [(-row, -col), (-row, col), (row, col), (row, -col)]


def _on_rim(target: Target, angle_deg: float, along: float = 0.0) -> Corner:
    """Point of the rim, or off it along the tangent, counter-clockwise, by a share of the radius."""
    angle, radius_mm = radians(angle_deg), target.radius_mm
    row_mm, col_mm = target.center_mm
    return (
        row_mm - radius_mm * cos(angle) - along * radius_mm * sin(angle),
        col_mm + radius_mm * sin(angle) - along * radius_mm * cos(angle),
    )


def _outlines(ink: BoolArray) -> list[list[Corner]]:
    """Trace the borders of the inked modules, in modules from the upper left corner, ink to the right."""
    padded = np.pad(ink, 1)
    ahead: dict[tuple[int, int], list[tuple[int, int]]] = {}
    for row, col in np.argwhere(padded):
        top, left = int(row) - 1, int(col) - 1
        corners = [(top, left), (top, left + 1), (top + 1, left + 1), (top + 1, left)]
        beyond = [(-1, 0), (0, 1), (1, 0), (0, -1)]
        for side, (down, right) in enumerate(beyond):
            if not padded[row + down, col + right]:
                ahead.setdefault(corners[side], []).append(corners[(side + 1) % 4])
    loops: list[list[Corner]] = []
    while ahead:
        start = place = next(iter(ahead))
        loop: list[Corner] = []
        while not loop or place != start:
            loop.append(place)
            following = ahead[place].pop()
            if not ahead[place]:
                del ahead[place]
            place = following
        loops.append(loop)
    return loops
