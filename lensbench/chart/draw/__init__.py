"""The chart as a PDF to print."""

from lensbench.chart.draw.charts import draw, draw_wall
