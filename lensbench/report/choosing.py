"""The table «which lens at which stop», for the page, the PDF and the command line."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from lensbench.records import ZONES
from lensbench.report.clean import clean_text
from lensbench.report.panels import Grid
from lensbench.report.readings import NOT_MEASURED, f_stop, focal_length
from lensbench.study.compare_records import CompareFindings, StopChoice

__all__ = ["choice_grid", "choice_lines"]

_MOST_NAMED = 3


def choice_grid(comparison: CompareFindings, *, zones: tuple[str, ...] = ZONES) -> Grid | None:
    """Give one row for every focal length and stop, one column for each zone; None where nothing was photographed.

    Neighbouring stops at which only one lens was photographed share a row.
    """
    by_setting: dict[tuple[float, float], dict[str, StopChoice]] = {}
    for one in comparison.choices:
        by_setting.setdefault((one.focal_length_mm, one.f_number), {})[one.zone] = one
    if not by_setting:
        return None
    rows: list[tuple[_Span, tuple[str, ...]]] = []
    for (focal, stop), found in sorted(by_setting.items()):
        cells = tuple(_cell(found[zone], comparison) if zone in found else NOT_MEASURED for zone in zones)
        alone = all(len(one.photographed) == 1 for one in found.values())
        if rows and alone and rows[-1][0].goes_on(focal) and rows[-1][1] == cells:
            rows[-1] = (rows[-1][0].to(stop), cells)
        else:
            rows.append((_Span(focal_length_mm=focal, first=stop, last=stop, alone=alone), cells))
    return Grid(
        caption="The sharper lens; below it whether one could see it",
        header=("setting", *zones),
        rows=tuple((span.name, *cells) for span, cells in rows),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Span:
    """Neighbouring stops at one focal length."""

    focal_length_mm: float
    first: float
    last: float
    alone: bool

    def goes_on(self, focal_length_mm: float) -> bool:
        return self.alone and focal_length(self.focal_length_mm) == focal_length(focal_length_mm)

    def to(self, stop: float) -> "_Span":
        return replace(self, last=stop)

    @property
    def name(self) -> str:
        stops = (
            f_stop(self.first) if self.first == self.last else f"{f_stop(self.first)} to {f_stop(self.last)}"
        )
        return f"{focal_length(self.focal_length_mm)}, {stops}"


def choice_lines(comparison: CompareFindings) -> list[str]:
    """Give the table for the whole frame as lines of text."""
    grid = choice_grid(comparison, zones=("frame",))
    if grid is None:
        return []
    rows = [(setting, *cell.split("\n")) for setting, cell in grid.rows]
    width = max(len(row[0]) for row in rows)
    lines = [f"  {row[0]:<{width}}  {', '.join(row[1:])}" for row in rows]
    return ["Which lens at which stop (whole frame):", *lines]


def _cell(choice: StopChoice, comparison: CompareFindings) -> str:
    names = [clean_text(label) for label in choice.lenses]
    if len(choice.photographed) == 1:
        return f"{names[0]}\nthe only one photographed"
    everybody = len(names) == len(choice.photographed)
    seen = _SEEN.get(choice.seen, "") if comparison.looked_at else ""
    if len(names) > 1 and choice.seen == "can't tell":
        seen = choice.seen
    return "\n".join(filter(None, (_named(names, everybody=everybody), seen)))


_SEEN = {
    "visible": "visibly",
    "none": "no difference you could see",
    "some": "visibly sharper than some",
    "can't tell": "can't tell whether visible",
}


def _named(names: Sequence[str], *, everybody: bool) -> str:
    if len(names) == 1:
        return names[0]
    if everybody:
        return "either" if names[2:] == [] else "any"
    return " or ".join(names[:_MOST_NAMED]) + (" or others" if len(names) > _MOST_NAMED else "")
