"""What the report of a comparison says, and the table «which lens at which stop», for the command line too."""

import math
from dataclasses import dataclass, replace
from typing import Final

from lensbench.model.compare import ComparedLens, ComparedPair, CompareFindings, CompareRow, Seen, StopChoice
from lensbench.model.setting import Setting, f_stop, focal_length
from lensbench.model.shot import ZONES
from lensbench.report.draw.differences import UNITS, difference_text, figure_text, pair_panels
from lensbench.report.draw.panels import Grid
from lensbench.report.out.document import WORDS, Answer, Lines, Part, Plots, Report, tables
from lensbench.report.text.compare import (
    NOT_SEEN,
    comparison_answer,
    comparison_limits,
    pair_sentences,
    verdict_in_words,
)
from lensbench.report.text.words import CANNOT_TELL, NOT_MEASURED, choice_of
from lensbench.storage.text import clean_text

_MOST_NAMED: Final = 3


def compare_report(comparison: CompareFindings) -> Report:
    """Report of a comparison: the answer, the table of stops, then a part for each pair."""
    answer = comparison_answer(comparison) or ["Nothing could be compared."]
    several = len(comparison.pairs) > 1
    lenses = Grid(
        caption="The lenses compared",
        header=("lens", "camera", "photographs", "pixel pitch", "picture height"),
        rows=tuple(_lens_row(lens) for lens in comparison.lenses),
    )
    return Report(
        title="Lenses compared",
        blocks=(
            Answer(about="Lenses compared", sentences=tuple(answer[:1] if several else answer)),
            *tables(("Which lens at which stop", choice_grid(comparison))),
            Lines(tuple(comparison_limits(comparison)), kind="limits"),
            *tables(("The lenses", lenses)),
            *(
                _pair_part(pair, key=f"pair-{number}", answer_said=answer[0])
                for number, pair in enumerate(comparison.pairs, start=1)
            ),
            WORDS,
        ),
        version=comparison.version,
    )


def _pair_part(pair: ComparedPair, *, key: str, answer_said: str) -> Part:
    sentences = tuple(pair_sentences(pair))
    grids = [(pair.unit, pair.rows), ("lwph", pair.rows_lwph)]
    return Part(
        kind="pair",
        key=key,
        title=f"{clean_text(pair.first)} and {clean_text(pair.second)}",
        blocks=(
            *([] if sentences[0] == answer_said else [Lines(sentences)]),
            Plots("", pair_panels(pair, key=key)),
            *tables(
                *(
                    ("Every setting and zone", _grid(pair, rows, unit=UNITS.get(unit, unit)))
                    for unit, rows in grids
                    if rows
                ),
                captioned=True,
            ),
        ),
    )


def choice_grid(comparison: CompareFindings, *, zones: tuple[str, ...] = ZONES) -> Grid | None:
    """One row for every focal length and stop, one column for each zone; None where nothing was photographed.

    Neighbouring stops at which only one lens was photographed share a row.
    """
    by_setting: dict[Setting, dict[str, StopChoice]] = {}
    for one in comparison.choices:
        setting = Setting(focal_length_mm=one.focal_length_mm, f_number=one.f_number)
        by_setting.setdefault(setting, {})[one.zone] = one
    if not by_setting:
        return None
    rows: list[tuple[_Span, tuple[str, ...]]] = []
    for setting in sorted(by_setting, key=lambda setting: setting.order):
        focal, stop, found = setting.focal_length_mm, setting.f_number, by_setting[setting]
        cells = tuple(_cell(found[zone]) if zone in found else NOT_MEASURED for zone in zones)
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

    focal_length_mm: float | None
    first: float
    last: float
    alone: bool

    def goes_on(self, focal_length_mm: float | None) -> bool:
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
    """Table for the whole frame as lines of text."""
    grid = choice_grid(comparison, zones=("frame",))
    if grid is None:
        return []
    rows = [(setting, *cell.split("\n")) for setting, cell in grid.rows]
    width = max(len(row[0]) for row in rows)
    lines = [f"  {row[0]:<{width}}  {', '.join(row[1:])}" for row in rows]
    return ["Which lens at which stop (whole frame):", *lines]


def _cell(choice: StopChoice) -> str:
    names = [clean_text(label) for label in choice.lenses]
    if len(choice.photographed) == 1:
        return f"{names[0]}\nthe only one photographed"
    named = choice_of(names, most=_MOST_NAMED)
    if 1 < len(names) == len(choice.photographed):
        named = "either" if len(names) == 2 else "any"
    seen = _SEEN.get(choice.seen, "")
    if len(names) > 1 and choice.seen == Seen.CANNOT_TELL:
        seen = CANNOT_TELL
    return f"{named}\n{seen}" if seen else named


_SEEN: Final = {
    Seen.VISIBLE: "visibly",
    Seen.NONE: NOT_SEEN,
    Seen.SOME: "visibly sharper than some",
    Seen.CANNOT_TELL: f"{CANNOT_TELL} whether visible",
}


def _lens_row(lens: ComparedLens) -> tuple[str, ...]:
    pitch = NOT_MEASURED if lens.pixel_pitch_um is None else f"{lens.pixel_pitch_um:.2f} µm"
    height = NOT_MEASURED if lens.picture_height_px is None else f"{lens.picture_height_px} px"
    return clean_text(lens.label), clean_text(lens.camera), str(lens.shots), pitch, height


def _shots(count: int) -> str:
    return f"{count} shot{'s' * (count != 1)}"


def _just_seen(row: CompareRow) -> str:
    """From which difference on one could see it, and how large it is on the ruler."""
    if not math.isfinite(row.difference_jnd):
        return NOT_MEASURED
    limit = f"{row.visible_from_percent:.0f} %" if math.isfinite(row.visible_from_percent) else "never"
    return f"{limit}\n{row.difference_jnd:+.1f} JND"


def _grid(pair: ComparedPair, rows: tuple[CompareRow, ...], *, unit: str) -> Grid:
    first, second = clean_text(pair.first), clean_text(pair.second)
    return Grid(
        caption=f"MTF50 in {unit}",
        header=("setting", "zone", first, second, "difference, %", "visible from", "verdict"),
        rows=tuple(
            (
                f"{focal_length(row.focal_length_mm)}, {f_stop(row.f_number)}",
                row.zone,
                f"{figure_text(row.first)}\n{_shots(row.first_shots)}",
                f"{figure_text(row.second)}\n{_shots(row.second_shots)}",
                difference_text(row.difference_percent, row.ci95_percent),
                _just_seen(row),
                verdict_in_words(pair, row),
            )
            for row in rows
        ),
    )
