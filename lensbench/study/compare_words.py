"""What a comparison of two lenses says, in plain sentences."""

import math
from collections.abc import Sequence
from typing import Final

from lensbench.study.compare_records import CompareRow
from lensbench.study.contrast import FOCAL_MATCH, apart
from lensbench.study.reading import SweepLens

__all__ = ["pair_answer", "pair_cautions", "unique_labels"]


def unique_labels(lenses: Sequence[SweepLens]) -> list[str]:
    """Name each lens so that no two bear one name."""
    names = [lens.lens for lens in lenses]
    longer = [f"{lens.lens} on {lens.camera}" for lens in lenses]
    longest = [f"{text} ({lens.folder})" for text, lens in zip(longer, lenses, strict=True)]
    for choice in (names, longer, longest):
        if len(set(choice)) == len(choice):
            return choice
    return [f"{text} [{number}]" for number, text in enumerate(longest, start=1)]


def pair_answer(rows: Sequence[CompareRow], labels: tuple[str, str], best: CompareRow | None) -> str:
    """Say who is sharper, at how many equal settings and by how much."""
    frame = [row for row in rows if row.zone == "frame"]
    names = f"{labels[0]} and {labels[1]}"
    at_best = "" if best is None else f" Each at its own best setting: {_who(best, labels)}."
    if not frame:
        return f"{names}: no setting was photographed with both.{at_best}"
    counted = {verdict: [row for row in frame if row.verdict == verdict] for verdict in _VERDICTS}
    total = f"{len(frame)} equal setting{'s' * (len(frame) > 1)}"
    won = [(index, rows) for index, rows in enumerate((counted["first"], counted["second"])) if rows]
    parts = [f"{labels[index]} is sharper at {len(rows)} ({_by(rows)})" for index, rows in won]
    if len(won) == 1:
        index, led = won[0]
        better, other = labels[index], labels[1 - index]
        parts = [f"{better} is sharper than {other} at {len(led)} of {total} ({_by(led)})"]
    parts += [f"no difference that matters at {len(counted['equal'])}"] if counted["equal"] else []
    open_ones = counted["can't tell"]
    parts += [f"they can't be told apart at {len(open_ones)}"] if open_ones else []
    whole = "Over the whole frame" if len(won) == 1 else f"{names}, over the whole frame at {total}:"
    return f"{whole} {'; '.join(parts)}.{at_best}"


_VERDICTS: Final = ("first", "second", "equal", "can't tell")


def _by(rows: Sequence[CompareRow]) -> str:
    """Say by how much the sharper one leads."""
    leads = sorted(abs(row.difference_percent) for row in rows)
    return (
        f"by {leads[0]:.0f} %"
        if f"{leads[0]:.0f}" == f"{leads[-1]:.0f}"
        else f"by {leads[0]:.0f} to {leads[-1]:.0f} %"
    )


def _who(row: CompareRow, labels: tuple[str, str]) -> str:
    match row.verdict:
        case "first":
            return f"{labels[0]} leads by {100.0 * (row.first / row.second - 1.0):.0f} %"
        case "second":
            return f"{labels[1]} leads by {row.difference_percent:.0f} %"
        case "equal":
            return "no difference that matters"
    return "they can't be told apart"


def pair_cautions(first: SweepLens, second: SweepLens, rows: Sequence[CompareRow]) -> tuple[str, ...]:
    """Say what the comparison must not be taken for."""
    cautions = ["Every row holds at 95 % by itself; among many rows a few will mislead."] if rows else []
    if first.sensor_data != second.sensor_data:
        cautions.append(
            "One was measured on raw files, the other on finished pictures: these do not compare."
        )
    if any(row.first_shots != row.second_shots for row in rows):
        cautions.append("The numbers of shots differ; means are compared, so neither is favoured.")
    if any(math.isnan(row.ci95_percent[0]) for row in rows):
        cautions.append("One shot a setting: no interval can be given, and no lens is called better.")
    if _different_magnification(first, second):
        cautions.append(
            "The chart was photographed at different sizes: the print's own blur weighs differently."
        )
    return tuple(cautions)


def _different_magnification(first: SweepLens, second: SweepLens) -> bool:
    return any(
        apart(focal, other) <= FOCAL_MATCH and abs(math.log(size / other_size)) > 0.05
        for focal, size in first.magnification.items()
        for other, other_size in second.magnification.items()
    )
