"""What one change did."""

from lensbench.effect.effect import effect
from lensbench.effect.levels import speed_name

__all__ = ["effect", "speed_name"]
