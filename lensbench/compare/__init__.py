"""Lenses side by side."""

from lensbench.compare.compare import compare
