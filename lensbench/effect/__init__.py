"""What one change did."""

from lensbench.effect.effect import effect

__all__ = ["effect"]
