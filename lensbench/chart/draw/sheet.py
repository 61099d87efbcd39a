"""The sheet as a PDF: on one page, or over several smaller ones to be joined."""

from pathlib import Path

from lensbench.chart.draw.page import Corner, Page, device_gray
from lensbench.chart.layout import Layout, notes, pennants, ruler

__all__ = ["device_gray", "draw", "draw_content"]


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
    page = Page(layout.paper_mm, title=f"lensbench {layout.name}")
    draw_content(page, layout)
    page.write(out)


def draw_content(page: Page, layout: Layout) -> None:
    """Draw everything that stands on a sheet."""
    for target in layout.targets:
        page.target(target, device_gray(layout.dark_reflectance))
    for marker in layout.markers:
        page.marker(marker)
    for tone in layout.tones:
        page.tone(tone)
    for bar in _focusing_bars(layout):
        page.polygon(bar, 0.0)
    for pennant in pennants(layout):
        page.pennant(pennant)
    page.ruler(ruler(layout))
    for note in notes(layout):
        page.note(note)


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
