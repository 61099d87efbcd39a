"""The chart as data, in millimetres: sheets and wall sets."""

from lensbench.chart.layout.coding import (
    FIRST_FREE_ID,
    MODULES,
    MOST_PAGES,
    dictionary,
    marker_modules,
    page_marker,
)
from lensbench.chart.layout.papers import paper_named
from lensbench.chart.layout.shapes import ARMS, TONES, Frame, Layout, Marker, Target, Tone, turned
from lensbench.chart.layout.sheet import (
    DEFAULT_CONTRAST,
    IntArray,
    dark_reflectance,
    layout_from_markers,
    sheet,
)
from lensbench.chart.layout.wall import (
    MARGIN_MM,
    PLACES,
    Hanging,
    Hung,
    WallPage,
    arrow_turn_deg,
    hanging,
    hung,
    wall_layout,
    wall_page,
)

__all__ = [
    "ARMS",
    "DEFAULT_CONTRAST",
    "FIRST_FREE_ID",
    "MARGIN_MM",
    "MODULES",
    "MOST_PAGES",
    "PLACES",
    "TONES",
    "Frame",
    "Hanging",
    "Hung",
    "IntArray",
    "Layout",
    "Marker",
    "Target",
    "Tone",
    "WallPage",
    "arrow_turn_deg",
    "dark_reflectance",
    "dictionary",
    "hanging",
    "hung",
    "layout_from_markers",
    "marker_modules",
    "page_marker",
    "paper_named",
    "sheet",
    "turned",
    "wall_layout",
    "wall_page",
]
