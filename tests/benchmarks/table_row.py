"""One row of the accuracy table, and how much work goes into it."""

from dataclasses import dataclass
from typing import TypeVar

__all__ = ["Effort", "Row", "as_markdown"]

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
        return {True: "PASS", False: "short", None: "not measured"}[self.passed]


@dataclass(frozen=True, kw_only=True)
class Effort:
    """Draws of noise and density of the grids."""

    quick: bool

    @property
    def draws(self) -> int:
        return 60 if self.quick else 200

    def thinned(self, items: tuple[T, ...]) -> tuple[T, ...]:
        """Every item, or every other one when in a hurry."""
        return items[::2] if self.quick else items


def as_markdown(rows: list[Row]) -> str:
    """Set the rows as a table."""
    lines = ["| what | target | found | |", "|---|---|---|---|"]
    lines += [f"| {row.what} | {row.target} | {row.found} | {row.verdict} |" for row in rows]
    return "\n".join(lines)
