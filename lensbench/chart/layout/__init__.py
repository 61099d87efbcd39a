"""The chart as data, in millimetres: sheets and wall sets."""

from lensbench.chart.layout.parts import (
    ARMS,
    NAMED_PAPERS,
    TONES,
    WALL_PAPERS,
    Layout,
    Marker,
    Target,
    Tone,
    marker_modules,
    paper_named,
)
from lensbench.chart.layout.sheet import DEFAULT_CONTRAST, dark_reflectance, sheet
from lensbench.chart.layout.wall import PLACES, hanging, hung, wall_layout
