"""What a comparison of lenses says: who is sharper, where one could see it, and what it must not be taken for."""

import math
from collections.abc import Callable, Iterator, Sequence
from typing import Final

from lensbench.model.compare import ComparedLens, ComparedPair, CompareFindings, CompareRow, Seen, Verdict
from lensbench.report.text.notes import note_in_words
from lensbench.report.text.words import (
    CANNOT_TELL,
    NOT_TOLD_APART,
    clean_line,
    figure_range,
    looked_at,
    signed,
    stop_range,
)
from lensbench.storage.text import clean_text

NOT_SEEN: Final = "no difference you could see"
_NO_MATTER: Final = "no difference that matters"


def comparison_sentences(comparison: CompareFindings) -> list[str]:
    """Plain answer of a comparison, a sentence an item, and what limits it."""
    return [*comparison_answer(comparison), *comparison_limits(comparison)]


def comparison_answer(comparison: CompareFindings) -> list[str]:
    """Plain answer of a comparison: of several pairs the whole first, then what is said of each, an item a pair."""
    told = [pair_sentences(pair) for pair in comparison.pairs]
    if len(told) == 1:
        return told[0]
    return [_over_all(comparison), *(" ".join(sentences) for sentences in told)] if told else []


def comparison_limits(comparison: CompareFindings) -> list[str]:
    """Say what a comparison rests on, and what it must not be taken for."""
    cautions = [note_in_words(caution) for pair in comparison.pairs for caution in pair.cautions]
    return [_visible(comparison), *dict.fromkeys(cautions), _holds_for(comparison.lenses)]


def _visible(comparison: CompareFindings) -> str:
    if comparison.looking is None:
        return "What one could see is left open: a picture's size in pixels is not known."
    forgiving = "Prints" if comparison.looking.pixel_for_pixel else "Smaller prints and greater distances"
    return (
        f"«Visible»: half of all viewers would notice, {looked_at(comparison.looking)}, all pictures equally high. "
        f"{forgiving} forgive more."
    )


def _over_all(comparison: CompareFindings) -> str:
    """Say which lens is sharpest of all, at how many settings."""
    contested = [one for one in comparison.choices if one.zone == "frame" and len(one.photographed) > 1]
    count = len({label for pair in comparison.pairs for label in (pair.first, pair.second)})
    if not contested:
        return f"{count} lenses: no setting was photographed with two of them."
    alone = [clean_text(one.lenses[0]) for one in contested if len(one.lenses) == 1]
    won = {label: alone.count(label) for label in sorted(set(alone), key=lambda label: -alone.count(label))}
    parts = [f"{label} is the sharpest at {times}" for label, times in won.items()]
    open_ones = len(contested) - len(alone)
    parts += [f"at {open_ones} the sharpest can't be told from another"] if open_ones else []
    at = f"{len(contested)} setting{'s' * (len(contested) > 1)} photographed with two lenses or more"
    return f"{count} lenses, over the whole frame at {at}: {'; '.join(parts)}."


def pair_sentences(pair: ComparedPair) -> list[str]:
    """Say who is sharper, at how many equal settings, by how much, and where one could see it."""
    labels = (clean_text(pair.first), clean_text(pair.second))
    frame = [row for row in pair.rows if row.zone == "frame"]
    beside = [row for row in pair.rows_lwph if row.zone == "frame"]
    own = [] if pair.best_row is None else [f"Each at its own best setting: {_who(pair.best_row, labels)}."]
    if not frame:
        return [f"{labels[0]} and {labels[1]}: no setting was photographed with both.", *own]
    sentences = [
        _counted(frame, labels, where="On the sensor (lp/mm), over the whole frame" if beside else "")
    ]
    sentences += [_counted(beside, labels, where="In pictures of equal height (LW/PH)")] if beside else []
    sentences += [*_average(pair.overall, labels), *_to_the_eye(frame, labels), *own]
    return [clean_line(sentence) for sentence in sentences]


def _counted(frame: Sequence[CompareRow], labels: tuple[str, str], *, where: str) -> str:
    counted = {verdict: [row for row in frame if row.verdict == verdict] for verdict in Verdict}
    total = f"{len(frame)} equal setting{'s' * (len(frame) > 1)}"
    won = [
        (index, rows) for index, rows in enumerate((counted[Verdict.FIRST], counted[Verdict.SECOND])) if rows
    ]
    rest = [f"{_NO_MATTER} at {len(rows)}"] if (rows := counted[Verdict.EQUAL]) else []
    rest += [f"they {NOT_TOLD_APART} at {len(rows)}"] if (rows := counted[Verdict.CANNOT_TELL]) else []
    if len(won) == 1:
        ((index, led),) = won
        better, other = labels[index], labels[1 - index]
        parts = [f"{better} is sharper than {other} at {len(led)} of {total} ({_by(led)})", *rest]
        return f"{where or 'Over the whole frame'}, {'; '.join(parts)}."
    parts = [f"{labels[index]} is sharper at {len(rows)} ({_by(rows)})" for index, rows in won] + rest
    names = f"{labels[0]} and {labels[1]}"
    whole = f"{where}, {names} at {total}:" if where else f"{names}, over the whole frame at {total}:"
    return f"{whole} {'; '.join(parts)}."


def _by(rows: Sequence[CompareRow]) -> str:
    """Say by how much the sharper one leads."""
    leads = [_lead_percent(row) for row in rows]
    return f"by {figure_range(min(leads), max(leads), '.0f')} %"


def _lead_percent(row: CompareRow) -> float:
    """By how much the better one is sharper than the other."""
    return 100.0 * (max(row.first, row.second) / min(row.first, row.second) - 1.0)


def _average(overall: CompareRow | None, labels: tuple[str, str]) -> Iterator[str]:
    if overall is None or math.isnan(overall.ci95_percent[0]):
        return
    low, high = overall.ci95_percent
    if low <= 0.0 <= high:
        yield f"Averaged over these settings they {NOT_TOLD_APART} ({signed(low, 1)} to {signed(high, 1)} %)."
        return
    better = labels[1] if low > 0.0 else labels[0]
    ends = (low, high) if low > 0.0 else (-100.0 * high / (100.0 + high), -100.0 * low / (100.0 + low))
    lead = f"{_lead_percent(overall):.1f} % sharper (95 % interval {ends[0]:.1f} to {ends[1]:.1f} %)"
    yield f"Averaged over these settings {better} is {lead}."


def _to_the_eye(frame: Sequence[CompareRow], labels: tuple[str, str]) -> Iterator[str]:
    """Say where one could see it."""
    if all(math.isnan(row.difference_jnd) for row in frame):
        return
    words = {
        Seen.FIRST: f"{labels[0]} better",
        Seen.SECOND: f"{labels[1]} better",
        Seen.NONE: NOT_SEEN,
        Seen.CANNOT_TELL: CANNOT_TELL,
    }
    name = _namer(frame)
    parts = [
        (told, rows) for seen, told in words.items() if (rows := [row for row in frame if row.seen == seen])
    ]
    if len(parts) == 1:
        yield f"To the eye: {parts[0][0]}{' at any of them' if len(frame) > 1 else ''}."
    else:
        yield f"To the eye: {'; '.join(f'{told} at {name(rows)}' for told, rows in parts)}."


def _namer(frame: Sequence[CompareRow]) -> Callable[[Sequence[CompareRow]], str]:
    """Choose what names some of the settings: their stops at one focal length, else their number."""
    if len({row.focal_length_mm for row in frame if row.focal_length_mm}) > 1:
        return lambda rows: f"{len(rows)} settings" if len(rows) > 1 else "1 setting"
    stops = [row.f_number for row in frame]
    return lambda rows: stop_range([row.f_number for row in rows], stops)


def _who(row: CompareRow, labels: tuple[str, str]) -> str:
    seen = {Seen.NONE: f", {NOT_SEEN}"} | dict.fromkeys((Seen.FIRST, Seen.SECOND), ", and one could see it")
    match row.verdict:
        case Verdict.FIRST | Verdict.SECOND:
            leader = labels[row.verdict == Verdict.SECOND]
            return f"{leader} leads by {_lead_percent(row):.0f} %{seen.get(row.seen, '')}"
        case Verdict.EQUAL:
            return _NO_MATTER
        case Verdict.CANNOT_TELL:
            return f"they {NOT_TOLD_APART}"


def verdict_in_words(pair: ComparedPair, row: CompareRow) -> str:
    """Say what the figures of a row tell, and below it what an eye would."""
    names = {"first": clean_text(pair.first), "second": clean_text(pair.second)}
    told = {Verdict.EQUAL: "equal", Verdict.CANNOT_TELL: CANNOT_TELL}.get(row.verdict)
    told = told or f"{names[row.verdict]} is sharper"
    if not math.isfinite(row.difference_jnd):
        return told
    seen = {Seen.NONE: NOT_SEEN, Seen.CANNOT_TELL: f"{CANNOT_TELL} whether one could see it"}
    return f"{told}\n{seen.get(row.seen) or names[row.seen] + ' better to the eye'}"


def _holds_for(lenses: Sequence[ComparedLens]) -> str:
    """Say what it holds for, lens by lens, or once where all are alike."""
    told = [_one_lens(lens) for lens in lenses]
    if len(set(told)) == 1:
        return f"Holds for these copies: each {told[0]}."
    each = [f"{clean_text(lens.label)} {text}" for lens, text in zip(lenses, told, strict=True)]
    return f"Holds for these copies: {'; '.join(each)}."


def _one_lens(lens: ComparedLens) -> str:
    parts = [f"on {clean_text(lens.camera)}", "raw" if lens.sensor_data else "finished pictures"]
    if lens.distance_focal_lengths is not None:
        parts.append(f"chart at {figure_range(*lens.distance_focal_lengths, 'd')} focal lengths")
    fewest, most = lens.shots_a_setting
    return (
        f"{', '.join(parts)}, {figure_range(fewest, most, 'd')} refocused shot{'s' * (most != 1)} a setting"
    )
