"""Lenses side by side."""

from lensbench.compare.compare import compare
from lensbench.compare.means import SetUp, common_unit, in_unit, lens_in_comparison, like_sensors, set_up_of
