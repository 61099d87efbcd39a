"""What one change did."""

from lensbench.effect.effect import effect
