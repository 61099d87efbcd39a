"""What a comparison of lenses says, in plain sentences."""

import math
from collections.abc import Callable, Sequence
from typing import Final

from lensbench.compare.rows import LensInComparison
from lensbench.edge import RULER, Look
from lensbench.model.compare import ComparedPair, CompareRow, StopChoice
from lensbench.model.measured import SweepLens
from lensbench.model.setting import same_focal_length

__all__ = ["looked_at", "pair_cautions", "pair_sentences", "unique_labels", "whole_answer"]


_VERDICTS: Final = ("first", "second", "equal", "can't tell")
Labels = tuple[str, str]


def unique_labels(lenses: Sequence[SweepLens]) -> list[str]:
    """Name each lens so that no two bear one name."""
    names = [lens.lens for lens in lenses]
    longer = [f"{lens.lens} on {lens.camera}" for lens in lenses]
    longest = [f"{text} ({lens.folder})" for text, lens in zip(longer, lenses, strict=True)]
    for choice in (names, longer, longest):
        if len(set(choice)) == len(choice):
            return choice
    return [f"{text} [{number}]" for number, text in enumerate(longest, start=1)]


def looked_at(look: Look | None) -> str:
    """Say from which difference on one could see it, and how the pictures are looked at."""
    if look is None:
        return "What one could see is left open: a picture's size in pixels is not known."
    return (
        f"A difference is called visible from {RULER} on, for {look.how}, all pictures equally high. Smaller prints "
        "and greater distances forgive more."
    )


def whole_answer(pairs: Sequence[ComparedPair], choices: Sequence[StopChoice]) -> tuple[str, str]:
    """Say which lens is sharpest, in one sentence and in all; of two, what their pair says."""
    if len(pairs) == 1:
        return pairs[0].sentences[0], pairs[0].answer
    headline = _over_all(pairs, choices)
    return headline, " ".join([headline, *(pair.answer for pair in pairs)])


def _over_all(pairs: Sequence[ComparedPair], choices: Sequence[StopChoice]) -> str:
    contested = [one for one in choices if one.zone == "frame" and len(one.photographed) > 1]
    count = len({label for pair in pairs for label in (pair.first, pair.second)})
    if not contested:
        return f"{count} lenses: no setting was photographed with two of them."
    alone = [one.lenses[0] for one in contested if len(one.lenses) == 1]
    won = {label: alone.count(label) for label in sorted(set(alone), key=lambda one: -alone.count(one))}
    parts = [f"{label} is the sharpest at {times}" for label, times in won.items()]
    open_ones = len(contested) - len(alone)
    parts += [f"at {open_ones} the sharpest can't be told from another"] if open_ones else []
    at = f"{len(contested)} setting{'s' * (len(contested) > 1)} photographed with two lenses or more"
    return f"{count} lenses, over the whole frame at {at}: {'; '.join(parts)}."


def pair_sentences(
    rows: Sequence[CompareRow],
    labels: Labels,
    *,
    best: CompareRow | None,
    overall: CompareRow | None,
    rows_lwph: Sequence[CompareRow] = (),
) -> tuple[str, ...]:
    """Say who is sharper, at how many equal settings, by how much, and where one could see it."""
    frame = [row for row in rows if row.zone == "frame"]
    own = "" if best is None else f"Each at its own best setting: {_who(best, labels)}."
    if not frame:
        none = f"{labels[0]} and {labels[1]}: no setting was photographed with both."
        return tuple(filter(None, (none, own)))
    beside = [row for row in rows_lwph if row.zone == "frame"]
    found = [
        _counted(frame, labels, where="On the sensor (lp/mm), over the whole frame" if beside else ""),
        _counted(beside, labels, where="In pictures of equal height (LW/PH)") if beside else "",
        _average(overall, labels) if overall else "",
        _to_the_eye(frame, labels),
        own,
    ]
    return tuple(filter(None, found))


def _counted(frame: Sequence[CompareRow], labels: Labels, *, where: str) -> str:
    place = where or "Over the whole frame"
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
    if len(won) == 1:
        return f"{place}{',' * bool(where)} {'; '.join(parts)}."
    names = f"{labels[0]} and {labels[1]}"
    whole = f"{place}, {names} at {total}:" if where else f"{names}, over the whole frame at {total}:"
    return f"{whole} {'; '.join(parts)}."


def _by(rows: Sequence[CompareRow]) -> str:
    """Say by how much the sharper one leads."""
    leads = sorted(_lead_percent(row) for row in rows)
    return (
        f"by {leads[0]:.0f} %"
        if f"{leads[0]:.0f}" == f"{leads[-1]:.0f}"
        else f"by {leads[0]:.0f} to {leads[-1]:.0f} %"
    )


def _lead_percent(row: CompareRow) -> float:
    """Give by how much the better one is sharper than the other."""
    better, other = max(row.first, row.second), min(row.first, row.second)
    return 100.0 * (better / other - 1.0)


def _average(overall: CompareRow, labels: Labels) -> str:
    low, high = overall.ci95_percent
    if math.isnan(low):
        return ""
    if low <= 0.0 <= high:
        return f"Averaged over these settings they can't be told apart ({low:+.1f} to {high:+.1f} %)."
    better = labels[1] if low > 0.0 else labels[0]
    ends = (low, high) if low > 0.0 else (-100.0 * high / (100.0 + high), -100.0 * low / (100.0 + low))
    lead = f"{_lead_percent(overall):.1f} % sharper (95 % interval {ends[0]:.1f} to {ends[1]:.1f} %)"
    return f"Averaged over these settings {better} is {lead}."


def _to_the_eye(frame: Sequence[CompareRow], labels: Labels) -> str:
    """Say where one could see it."""
    if all(math.isnan(row.difference_jnd) for row in frame):
        return ""
    places = _named_places(frame)
    words = {
        "first": f"{labels[0]} better",
        "second": f"{labels[1]} better",
        "none": "no difference you could see",
        "can't tell": "can't tell",
    }
    parts = [
        f"{said} at {places([row for row in frame if row.seen == seen])}"
        for seen, said in words.items()
        if any(row.seen == seen for row in frame)
    ]
    if len(parts) == 1:
        seen = next(row.seen for row in frame)
        return f"To the eye: {words[seen]}{' at any of them' if len(frame) > 1 else ''}."
    return f"To the eye: {'; '.join(parts)}."


def _named_places(frame: Sequence[CompareRow]) -> Callable[[Sequence[CompareRow]], str]:
    """Give what names some of the settings: by their stops where there is one focal length, else by their number."""
    stops = [row.f_number for row in frame]
    if len({row.focal_length_mm for row in frame}) > 1:
        return lambda rows: f"{len(rows)} settings" if len(rows) > 1 else "1 setting"
    return lambda rows: _runs([stops.index(row.f_number) for row in rows], stops)


def _runs(places: Sequence[int], stops: Sequence[float]) -> str:
    """Name stops, three or more in a row by the first and the last.

    >>> _runs([0, 2, 3, 4], [2.8, 4.0, 5.6, 8.0, 11.0])
    'f/2.8 and f/5.6 to f/11'
    """
    runs: list[list[int]] = []
    for place in places:
        if runs and place == runs[-1][-1] + 1:
            runs[-1].append(place)
        else:
            runs.append([place])
    names: list[str] = []
    for run in runs:
        if len(run) > 2:
            names.append(f"f/{stops[run[0]]:g} to f/{stops[run[-1]]:g}")
        else:
            names += [f"f/{stops[place]:g}" for place in run]
    return " and ".join(filter(None, (", ".join(names[:-1]), names[-1])))


_COULD_SEE: Final = ", and one could see it"


def _who(row: CompareRow, labels: Labels) -> str:
    seen = {"none": ", no difference you could see", "first": _COULD_SEE, "second": _COULD_SEE}.get(
        row.seen, ""
    )
    match row.verdict:
        case "first":
            return f"{labels[0]} leads by {_lead_percent(row):.0f} %{seen}"
        case "second":
            return f"{labels[1]} leads by {_lead_percent(row):.0f} %{seen}"
        case "equal":
            return "no difference that matters"
    return "they can't be told apart"


def pair_cautions(
    pair: tuple[LensInComparison, LensInComparison],
    labels: Labels,
    rows: Sequence[CompareRow],
    *,
    judged: bool,
) -> tuple[str, ...]:
    """Say what the comparison must not be taken for."""
    first, second = pair[0].lens, pair[1].lens
    cautions = ["Every row holds at 95 % by itself; among many rows a few will mislead."] if rows else []
    if not judged:
        cautions.append(
            "One was measured on raw files, the other on finished pictures: these do not compare, and no verdict is "
            "given."
        )
    elif any(math.isnan(row.ci95_percent[0]) for row in rows):
        cautions.append("One shot a setting: no interval can be given, and no lens is called better.")
    if any(row.first_shots != row.second_shots for row in rows):
        cautions.append("The numbers of shots differ; means are compared, so neither is favoured.")
    if _bracketed(first) != _bracketed(second):
        label = labels[0] if _bracketed(first) else labels[1]
        cautions.append(
            f"{label} was photographed with focus brackets, of which the fitted peak counts; the other was not, so "
            "errors of focus soften it alone. Bracket both, or neither."
        )
    if sharpened := [label for one, label in zip((first, second), labels, strict=True) if _sharpened(one)]:
        cautions.append(
            f"The pictures of {' and '.join(sharpened)} are sharpened (edges overshoot): part of that figure is "
            "processing, not resolution."
        )
    if rows and not (pair[0].has_sfr and pair[1].has_sfr):
        cautions.append(
            "What one could see rests on a stand-in for the SFR (a Gaussian of the same MTF50): sweep the photographs "
            "again with this version for the measured one."
        )
    if _different_magnification(first, second):
        cautions.append(
            "The chart was photographed at different sizes: the print's own blur weighs differently."
        )
    return tuple(cautions)


def _sharpened(lens: SweepLens) -> bool:
    """Tell whether most of a lens's photographs bear the flag."""
    flagged = ["sharpened" in shot.flags for shot in lens.counted]
    return 2 * sum(flagged) > len(flagged)


def _bracketed(lens: SweepLens) -> bool:
    return any(shot.bracket for shot in lens.counted)


def _different_magnification(first: SweepLens, second: SweepLens) -> bool:
    return any(
        same_focal_length(focal, other) and abs(math.log(size / other_size)) > 0.05
        for focal, size in first.magnifications.items()
        for other, other_size in second.magnifications.items()
    )
