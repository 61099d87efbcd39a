"""The chart found in a photograph."""

from lensbench.chart.find.chart import find_chart
from lensbench.chart.find.crossing import Picture
from lensbench.chart.find.mapping import Mapping, agreed_affine, agreed_mapping
from lensbench.chart.find.targets import LARGEST_STRAY, ArmRegion, ChartFound, FoundTarget, predict
