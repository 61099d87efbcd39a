"""Lenses side by side."""

from lensbench.compare.compare import compare
from lensbench.compare.difference import FOCAL_MATCH, apart

__all__ = ["FOCAL_MATCH", "apart", "compare"]
