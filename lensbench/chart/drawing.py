"""The sheet as a PDF: exact millimetres, vectors only, DeviceGray only, the same bytes every time.

A grey in the PDF is a command to a printer and no reflectance. It is written so that a viewer that follows
the sRGB curve shows the nominal reflectance; what the printer made of it, the photograph tells.
"""

import io
from collections.abc import Iterable, Sequence
from importlib.resources import files
from math import cos, radians, sin
from pathlib import Path
from typing import Any, Final

import numpy as np
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

from lensbench.chart.layout import Layout, Marker, Target
from lensbench.chart.lettering import Note, Pennant, Ruler, notes, pennants, ruler
from lensbench.chart.markers import MODULES, marker_modules
from lensbench.errors import SettingError
from lensbench.records import BoolArray

__all__ = ["device_gray", "draw"]

_PT_PER_MM: Final = 72.0 / 25.4
_FONT: Final = "DejaVuSans"
_ARC_STEP_DEG: Final = 30.0  # a Bezier curve keeps to an arc of 30 degrees within 4e-7 of the radius

Corner = tuple[float, float]
"""(row, column) from the sheet's centre. [mm]"""


def draw(layout: Layout, out: Path) -> None:
    """Write one sheet as a PDF page.

    Parameters
    ----------
    layout : Layout
        What to draw.
    out : Path
        The file to write; one that exists is replaced.

    Raises
    ------
    SettingError
        The file cannot be written there.
    """
    buffer = io.BytesIO()
    page = _Page(buffer, layout)
    for target in layout.targets:
        page.target(target, device_gray(layout.dark_reflectance))
    for marker in layout.markers:
        page.marker(marker)
    for bar in _focusing_bars(layout):
        page.polygon(bar, 0.0)
    for pennant in pennants(layout):
        page.pennant(pennant)
    page.ruler(ruler(layout))
    for note in notes(layout):
        page.note(note)
    page.finish()
    try:
        out.write_bytes(buffer.getvalue())
    except OSError as error:
        raise SettingError(f"{out} cannot be written: {error.strerror}") from error


def device_gray(reflectance: float) -> float:
    """Give the DeviceGray value, 0 to 1, that stands for a reflectance relative to paper white.

    The sRGB transfer curve, IEC 61966-2-1:1999; printers without colour management differ.

    >>> round(device_gray(0.25), 3)
    0.537
    """
    if reflectance <= 0.0031308:
        return 12.92 * reflectance
    return float(1.055 * reflectance ** (1.0 / 2.4) - 0.055)


class _Page:
    """A canvas that takes millimetres from the sheet's centre, rows down."""

    def __init__(self, buffer: io.BytesIO, layout: Layout) -> None:
        self._height_mm, self._width_mm = layout.paper_mm
        if _FONT not in pdfmetrics.getRegisteredFontNames():
            with files("lensbench.chart").joinpath("DejaVuSans.ttf").open("rb") as font:
                pdfmetrics.registerFont(TTFont(_FONT, io.BytesIO(font.read())))
        self._canvas: Any = Canvas(
            buffer,
            pagesize=(self._width_mm * _PT_PER_MM, self._height_mm * _PT_PER_MM),
            invariant=1,
            pageCompression=0,
            initialFontName=_FONT,
            initialFontSize=8,
        )
        self._canvas.setTitle(f"lensbench {layout.name}")
        self._canvas.setAuthor("lensbench")
        self._canvas.setSubject("Chart to photograph for measuring a lens; print at actual size")
        self._canvas.setViewerPreference("PrintScaling", "None")

    def _pt(self, corner: Corner) -> Corner:
        """Give a point as the PDF counts: right and up from the lower left corner, in points."""
        row_mm, col_mm = corner
        return ((self._width_mm / 2 + col_mm) * _PT_PER_MM, (self._height_mm / 2 - row_mm) * _PT_PER_MM)

    def polygons(self, outlines: Iterable[Sequence[Corner]], gray: float) -> None:
        """Fill outlines as one shape."""
        path = self._canvas.beginPath()
        for outline in outlines:
            path.moveTo(*self._pt(outline[0]))
            for corner in outline[1:]:
                path.lineTo(*self._pt(corner))
            path.close()
        self._fill(path, gray)

    def polygon(self, outline: Sequence[Corner], gray: float) -> None:
        """Fill one outline."""
        self.polygons([outline], gray)

    def _fill(self, path: Any, gray: float) -> None:
        self._canvas.setFillGray(gray)
        self._canvas.drawPath(path, stroke=0, fill=1)

    def target(self, target: Target, gray: float) -> None:
        """Fill the two dark quarters, counter-clockwise from arm 1 and from arm 3."""
        path = self._canvas.beginPath()
        for arm in (1, 3):
            start_deg = target.turn_deg - 90.0 * (arm - 1)
            path.moveTo(*self._pt(target.center_mm))
            path.lineTo(*self._pt(_on_rim(target, start_deg)))
            for step in range(round(90.0 / _ARC_STEP_DEG)):
                self._arc(path, target, start_deg - step * _ARC_STEP_DEG)
            path.close()
        self._fill(path, gray)

    def _arc(self, path: Any, target: Target, from_deg: float) -> None:
        """Go counter-clockwise along the rim by one cubic Bezier curve."""
        reach = 4.0 / 3.0 * np.tan(radians(_ARC_STEP_DEG) / 4.0)
        handles = [_on_rim(target, from_deg), _on_rim(target, from_deg - _ARC_STEP_DEG)]
        bent = []
        for (row, col), angle_deg, sign in zip(
            handles, (from_deg, from_deg - _ARC_STEP_DEG), (1.0, -1.0), strict=True
        ):
            along = sign * reach * target.radius_mm
            angle = radians(angle_deg)
            bent.append((row - along * sin(angle), col - along * cos(angle)))
        path.curveTo(*self._pt(bent[0]), *self._pt(bent[1]), *self._pt(handles[1]))

    def marker(self, marker: Marker) -> None:
        """Fill the ink of a marker as one shape, so that no seams show between its modules."""
        module_mm = marker.side_mm / MODULES
        top_mm, left_mm = (middle - marker.side_mm / 2.0 for middle in marker.center_mm)
        self.polygons(
            [
                [(top_mm + row * module_mm, left_mm + col * module_mm) for row, col in outline]
                for outline in _outlines(marker_modules(marker.marker_id))
            ],
            0.0,
        )

    def pennant(self, pennant: Pennant) -> None:
        """Fill a framing mark and letter it."""
        self.polygon(pennant.outline, 0.0)
        self.note(pennant.label)

    def ruler(self, scale: Ruler) -> None:
        """Draw the printed length with its divisions as thin filled bars, ends exact."""
        for bar in scale.bars:
            self.polygon(bar, 0.0)

    def note(self, note: Note) -> None:
        """Set one line of text, made smaller where it would run too far."""
        size_pt = note.size_mm * _PT_PER_MM
        width_mm = pdfmetrics.stringWidth(note.text, _FONT, size_pt) / _PT_PER_MM
        size_pt *= min(1.0, note.room_mm / width_mm)
        self._canvas.saveState()
        self._canvas.translate(*self._pt(note.anchor))
        self._canvas.rotate(note.turn_deg)
        self._canvas.setFillGray(0.0)
        self._canvas.setFont(_FONT, size_pt)
        setting = {"left": self._canvas.drawString, "right": self._canvas.drawRightString}
        setting[note.side](0, 0, note.text)
        self._canvas.restoreState()

    def finish(self) -> None:
        """Close page and document."""
        self._canvas.showPage()
        self._canvas.save()


def _on_rim(target: Target, angle_deg: float) -> Corner:
    angle = radians(angle_deg)
    row_mm, col_mm = target.center_mm
    return (row_mm - target.radius_mm * cos(angle), col_mm + target.radius_mm * sin(angle))


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


def _focusing_bars(layout: Layout) -> list[list[Corner]]:
    """Give bars for focusing: four fans around the centre target that grow coarser outwards.

    Where focus is good, the finest bars next to the target stand apart.
    """
    radius_mm = next(target.radius_mm for target in layout.targets if target.center_mm == (0.0, 0.0))
    widest_mm = 0.93 * layout.quiet_radius_mm
    bars: list[list[Corner]] = []
    inner_mm, thickness_mm = 1.12 * radius_mm, radius_mm / 110.0
    while inner_mm + thickness_mm < widest_mm:
        outer_mm, half_mm = inner_mm + thickness_mm, 0.42 * (inner_mm - 0.55 * radius_mm)
        upper = [(-inner_mm, -half_mm), (-inner_mm, half_mm), (-outer_mm, half_mm), (-outer_mm, -half_mm)]
        bars.append(upper)
        bars.append([(-row, col) for row, col in upper])
        bars.append([(col, row) for row, col in upper])
        bars.append([(col, -row) for row, col in upper])
        inner_mm, thickness_mm = outer_mm + thickness_mm, 1.22 * thickness_mm
    return bars
