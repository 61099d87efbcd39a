"""Photographs of the chart through a described lens and camera, with known truth."""
