"""The chart as a PDF to print."""

from lensbench.chart.draw.sheet import draw
from lensbench.chart.draw.wall import draw_wall
