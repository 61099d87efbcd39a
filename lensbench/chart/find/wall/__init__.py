"""The pages of a wall set found in a photograph."""

from lensbench.chart.find.wall.find import SightedWall, find_wall
from lensbench.chart.find.wall.pages import pages_of, read_windows, windows_of_missing

__all__ = ["SightedWall", "find_wall", "pages_of", "read_windows", "windows_of_missing"]
