"""One row of the accuracy table, and how much work goes into it."""

from dataclasses import dataclass
from typing import TypeVar

T = TypeVar("T")


@dataclass(frozen=True, kw_only=True)
class Row:
    """What was measured, what was wanted, what came out."""

    what: str
    target: str
    found: str
    passed: bool | None
    """None where it could not be measured."""

    @property
    def verdict(self) -> str:
        """In a word."""
        return {True: "PASS", False: "short", None: "not measured"}[self.passed]


@dataclass(frozen=True, kw_only=True)
class Effort:
    """Draws of noise and density of the grids."""

    draws: int
    thinning: int

    def thinned(self, items: tuple[T, ...]) -> tuple[T, ...]:
        """Every item, or every second, third ... when in a hurry."""
        return items[:: self.thinning]
