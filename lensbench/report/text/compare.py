"""What a comparison of lenses says: who is sharper, where one could see it, and what it must not be taken for.

Its sentences, its verdicts in words, and the table «which lens at which stop»; `page.compare` makes its report of them.
"""

import math
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from itertools import groupby
from typing import Final

from lensbench.model.compare import (
    Caution,
    ComparedLens,
    ComparedPair,
    CompareFindings,
    CompareRow,
    Seen,
    Sharper,
    StopChoice,
    Verdict,
    WayOfLooking,
)
from lensbench.model.errors import Note
from lensbench.model.setting import Setting, f_stop, focal_length, listed
from lensbench.model.shot import ZONES
from lensbench.report.text.words import (
    CANNOT_TELL,
    NOT_MEASURED,
    Grid,
    at_setting,
    clean_line,
    figure_range,
    looked_at,
    note_in_words,
    stop_range,
    worded,
)
from lensbench.storage.text import clean_text

_PLACES: Final = (Sharper.FIRST, Sharper.SECOND)
_MOST_NAMED: Final = 3
_MOST_TOLD: Final = 6  # answers of several lenses that are told in sentences; more stand in the table alone


def comparison_sentences(comparison: CompareFindings) -> list[str]:
    """Plain answer of a comparison, a sentence an item, and what limits it."""
    return [*comparison_answer(comparison), *comparison_limits(comparison)]


def comparison_answer(comparison: CompareFindings) -> list[str]:
    """Plain answer of a comparison: of several pairs the whole first, then what is said of each, an item a pair."""
    if len(comparison.pairs) == 1:
        return pair_sentences(comparison.pairs[0])
    unlike = [] if len({lens.sensor_data for lens in comparison.lenses}) < 2 else [_unlike(comparison.lenses)]
    told = [" ".join(pair_sentences(pair)) for pair in comparison.pairs if not _unlike_note(pair)]
    return [*unlike, _over_all(comparison), *told] if told else unlike


def _unlike(lenses: Sequence[ComparedLens]) -> str:
    raw, finished = (
        listed([clean_text(lens.label) for lens in lenses if lens.sensor_data is kind])
        for kind in (True, False)
    )
    return worded("compare.unlike", raw=raw, finished=finished)


def _unlike_note(pair: ComparedPair) -> Note | None:
    return next((note for note in pair.cautions if note.kind is Caution.RAW_AGAINST_FINISHED), None)


def comparison_limits(comparison: CompareFindings) -> list[str]:
    """Say what a comparison rests on, and what it must not be taken for."""
    looking, lenses = comparison.looking, comparison.lenses
    seen: list[str] = []
    if rows := [row for pair in comparison.pairs for row in pair.rows]:
        within = min(row.equal_within_percent for row in rows)
        seen = [visible_in_words(looking), worded("compare.equal_band", within=within)]
    cautions = [
        note_in_words(caution)
        for pair in comparison.pairs
        for caution in pair.cautions
        if caution.kind is not Caution.RAW_AGAINST_FINISHED  # what is said of the pair itself
    ]
    told = [_one_lens(lens) for lens in lenses]
    each = [f"{clean_text(lens.label)} {text}" for lens, text in zip(lenses, told, strict=True)]
    held = f"each {told[0]}" if len(set(told)) == 1 else "; ".join(each)
    return [*seen, *dict.fromkeys(cautions), f"Holds for these copies: {held}."]


def visible_in_words(looking: WayOfLooking | None) -> str:
    """What «visible» means for a way of looking."""
    if looking is None:
        return worded("compare.looking_unknown")
    forgiving = "Prints" if looking.pixel_for_pixel else "Smaller prints and greater distances"
    return worded("compare.visible", looked_at=looked_at(looking), forgiving=forgiving)


def _one_lens(lens: ComparedLens) -> str:
    parts = [f"on {clean_text(lens.camera)}", "raw" if lens.sensor_data else "finished pictures"]
    if lens.distance_focal_lengths is not None:
        parts.append(f"chart at {figure_range(*lens.distance_focal_lengths, 'd')} focal lengths")
    fewest, most = lens.shots_a_setting
    shots = f"{figure_range(fewest, most, 'd')} shot{'s' * (most != 1)} a setting"
    shots = "focused once a setting, whatever the number of frames" if lens.one_focus else shots
    return f"{', '.join(parts)}, {shots}"


def _over_all(comparison: CompareFindings) -> str:
    """Say how often each lens is the sharpest, of the settings photographed with two or more."""
    contested = comparison.contested
    count = len(comparison.lenses)
    if not contested:
        return worded("compare.none_contested", count=count)
    won = Counter(sorted(clean_text(one.lenses[0]) for one in contested if len(one.lenses) == 1))
    parts = [
        f"{label} is sharpest at {'all' if times == len(contested) else times}"
        for label, times in won.most_common()
    ]
    open_ones = len(contested) - won.total()
    if not won:
        parts = [worded("compare.all_open")]
    elif open_ones:
        parts.append(worded("compare.open_ones", count=open_ones))
    settings = f"{len(contested)} setting{'s' * (len(contested) > 1)}"
    return worded("compare.over_all", count=count, settings=settings, parts="; ".join(parts))


def pair_sentences(pair: ComparedPair) -> list[str]:
    """Headline of a pair, then each verdict with the settings that it holds at, and each lens at its own best."""
    labels = (clean_text(pair.first), clean_text(pair.second))
    if unlike := _unlike_note(pair):
        return [note_in_words(unlike)]
    frame = [row for row in pair.rows if row.zone == "frame"]
    beside = [row for row in pair.rows_lpmm if row.zone == "frame"]
    own = [] if pair.best_row is None else [worded("compare.own_best", who=_who(pair.best_row, labels))]
    if not frame:
        why = worded("compare.no_frame" if pair.rows else "compare.no_setting")
        return [f"{labels[0]} and {labels[1]}: {why}.", *own]
    in_pictures = [worded("compare.in_pictures")] if pair.unit == "lwph" else []
    sentences = [f"Whole frame: {_headline(frame, labels)}", *in_pictures, *_by_verdict(frame, labels)]
    return [clean_line(sentence) for sentence in (*sentences, *_on_the_sensor(beside, labels), *own)]


def _headline(frame: Sequence[CompareRow], labels: tuple[str, str]) -> str:
    """One short sentence on the whole frame: who is sharper, where, and whether it shows."""
    led = {label: [row for row in frame if _leads(row, place)] for place, label in enumerate(labels)}
    led = {label: rows for label, rows in led.items() if rows}
    if not led:
        kinds = ["equal"] * all(row.verdict is Verdict.EQUAL for row in frame)
        kinds += ["none_visible"] * all(row.seen is Seen.NONE for row in frame)
        return worded(f"compare.{(*kinds, 'not_apart')[0]}", first=labels[0], second=labels[1])
    zoom = len({row.focal_length_mm for row in frame}) > 1

    def named(rows: Sequence[CompareRow]) -> str:
        if len(rows) == len(frame):
            return f"at every {'setting' if zoom else 'stop'}" if len(frame) > 1 else ""
        return f"at {len(rows)} of {len(frame)} settings" if zoom else f"at {_settings(rows, frame)}"

    all_rows = [row for rows in led.values() for row in rows]
    visible = [row for row in all_rows if row.verdict is Verdict.VISIBLE]
    how = "visibly sharper" if len(visible) == len(all_rows) else "sharper"
    tail = ", but not visibly" if all(row.verdict is Verdict.NOT_VISIBLE for row in all_rows) else ""
    if 0 < len(visible) < len(all_rows) and len(led) == 1:
        tail = f", visibly {named(visible)}"
    (label, rows), *others = led.items()
    parts = [f"{label} is {how} {named(rows)}".rstrip(), *(f"{other} {named(own)}" for other, own in others)]
    return f"{', '.join(parts)}{tail}."


def _leads(row: CompareRow, place: int) -> bool:
    """Whether the first (0) or second (1) lens is sharper, by more than counts as equal."""
    return row.verdict is not Verdict.EQUAL and row.sharper is _PLACES[place]


def _settings(rows: Sequence[CompareRow | StopChoice], among: Sequence[CompareRow | StopChoice]) -> str:
    """Settings by their stops, at several focal lengths with these; many by their number."""
    tested: dict[str, list[float]] = defaultdict(list)
    own: dict[str, list[float]] = defaultdict(list)
    for row in among:
        tested[focal_length(row.focal_length_mm)].append(row.f_number)
    for row in rows:
        own[focal_length(row.focal_length_mm)].append(row.f_number)
    stops = {focal: stop_range(f_numbers, tested[focal]) for focal, f_numbers in own.items()}
    if len(tested) == 1:
        return "".join(stops.values())
    if len(stops) > _MOST_NAMED:
        return f"{len(rows)} of {len(among)} settings"
    return listed([f"{focal} ({names})" for focal, names in stops.items()])


def _by_verdict(frame: Sequence[CompareRow], labels: tuple[str, str]) -> Iterator[str]:
    """A line for each verdict, with the settings that it holds at and by how much."""
    for verdict in (Verdict.VISIBLE, Verdict.NOT_VISIBLE, Verdict.CANNOT_TELL):
        for place, label in enumerate(labels):
            if rows := [row for row in frame if row.verdict is verdict and _leads(row, place)]:
                known = any(row.seen is not Seen.UNKNOWN for row in rows)
                key = "open" if verdict is Verdict.CANNOT_TELL and known else str(verdict)
                key = key if known else "sharper"
                yield worded(f"compare.at.{key}", who=label, at=_settings(rows, frame), by=_by(rows))
    neither = [row for row in frame if row.verdict is Verdict.CANNOT_TELL and row.sharper is Sharper.NEITHER]
    kinds = {
        "equal": [row for row in frame if row.verdict is Verdict.EQUAL],
        "none_visible": [row for row in neither if row.seen is Seen.NONE],
        "cannot_tell": [row for row in neither if row.seen is not Seen.NONE],
    }
    for kind, rows in kinds.items():
        if rows:
            yield worded(f"compare.at.{kind}", at=_settings(rows, frame), most=_at_most(rows))
    # Nothing is called equal beside a difference beyond doubt without the reason.
    for place, label in enumerate(labels):
        if rows := [row for row in kinds["equal"] if row.sharper is _PLACES[place]]:
            yield worded(
                "compare.at.equal_though",
                who=label,
                at=_settings(rows, frame),
                by=_by(rows),
                within=min(row.equal_within_percent for row in rows),
            )


def _by(rows: Sequence[CompareRow]) -> str:
    """Say by how much the sharper one leads, with the interval that holds all of these."""
    leads = [row.lead_percent for row in rows]
    ends = (min(row.lead_ci95_percent[0] for row in rows), max(row.lead_ci95_percent[1] for row in rows))
    digits = "z.0f" if max(leads) >= 1.0 else "z.1f"
    return f"{figure_range(min(leads), max(leads), digits)} % (95 %: {figure_range(*ends, digits)} %)"


def _at_most(rows: Sequence[CompareRow]) -> str:
    """How far the intervals reach to either side; empty where there are none."""
    ends = [abs(end) for row in rows for end in row.lead_ci95_percent]
    return f" ({max(ends):.0f} % at most, either way)" if all(map(math.isfinite, ends)) else ""


_ALIKE_PERCENT: Final = 1.0  # whoever leads by less, leads by chance: 0 to 1 %, to the digit shown


def _on_the_sensor(beside: Sequence[CompareRow], labels: tuple[str, str]) -> Iterator[str]:
    """Say beside it what the figures are in lp/mm, which is about the lens on its sensor and not about the picture."""
    if not beside:
        return
    ends = min(beside, key=_log_ratio), max(beside, key=_log_ratio)
    ahead = [labels[int(row.second > row.first)] for row in ends]
    if max(row.lead_percent for row in ends) < _ALIKE_PERCENT:
        yield worded("compare.alike_on_the_sensor")
    elif ahead[0] == ahead[1]:
        leads = sorted(row.lead_percent for row in ends)
        yield f"On the sensor (lp/mm) {ahead[0]} is ahead by {figure_range(leads[0], leads[1], '.0f')} %."
    else:
        parts = [f"{label} by {row.lead_percent:.0f} %" for label, row in zip(ahead, ends, strict=True)]
        yield f"On the sensor (lp/mm), by setting, at most {parts[0]} or {parts[1]} ahead."


def _log_ratio(row: CompareRow) -> float:
    return math.log(row.second / row.first)


def _who(row: CompareRow, labels: tuple[str, str]) -> str:
    """Verdict on one row in words: who is sharper, by how much, and whether it shows."""
    if row.verdict is Verdict.EQUAL:
        return f"equal{_at_most([row])}"
    if row.sharper is Sharper.NEITHER:
        seen = "no visible difference, can't tell which is sharper" if row.seen is Seen.NONE else CANNOT_TELL
        return f"{seen}{_at_most([row])}"
    tail = {Verdict.VISIBLE: ", visibly", Verdict.NOT_VISIBLE: ", not visibly"}.get(row.verdict, "")
    return f"{labels[_PLACES.index(row.sharper)]} is sharper by {_by([row])}{tail}"


def verdict_cell(row: CompareRow, names: tuple[str, str]) -> str:
    """Verdict of a row for a table: in figures, below it what an eye would see, and the reason where both part."""
    sharper = "" if row.sharper is Sharper.NEITHER else f"{names[_PLACES.index(row.sharper)]} sharper"
    if row.verdict is Verdict.EQUAL:
        reason = f"{sharper}, by less than {row.equal_within_percent:.0f} %" if sharper else ""
        return f"equal\n{reason}".rstrip()
    none = "no visible difference" if row.seen is Seen.NONE else ""
    open_words = "" if row.seen is Seen.UNKNOWN else f"{CANNOT_TELL} if visible"
    eye = {Verdict.VISIBLE: "visible", Verdict.NOT_VISIBLE: "not visible"}.get(row.verdict, open_words)
    return "\n".join(filter(None, (sharper, eye) if sharper else (CANNOT_TELL, none)))


def choice_lines(comparison: CompareFindings) -> list[str]:
    """Table for the whole frame as lines of text."""
    grid = choice_grid(comparison, zones=("frame",))
    if grid is None:
        return []
    rows = [(setting, *cell.split("\n")) for setting, cell in grid.rows]
    width = max(len(row[0]) for row in rows)
    lines = [f"  {row[0]:<{width}}  {', '.join(row[1:])}" for row in rows]
    return ["Which lens at which stop (whole frame):", *lines]


def choice_sentences(comparison: CompareFindings) -> list[str]:
    """The same, settings of one answer together: «f/4 and f/5.6: A or B, visibly sharper than the rest.»."""
    contested = comparison.contested
    by_answer: dict[str, list[StopChoice]] = defaultdict(list)
    for choice in contested:
        by_answer[_choice_cell(choice).replace("\n", ", ")].append(choice)
    told = [
        f"At {_settings(own, contested)}: {answer}."
        for answer, own in by_answer.items()
        if answer != CANNOT_TELL
    ]
    return [clean_line(sentence) for sentence in told] if len(told) <= _MOST_TOLD else []


def choice_grid(comparison: CompareFindings, *, zones: tuple[str, ...] = ZONES) -> Grid | None:
    """One row for every focal length and stop, one column for each zone; None where nothing was photographed.

    Neighbouring stops of one answer share a row.
    """
    by_setting: dict[Setting, dict[str, StopChoice]] = defaultdict(dict)
    for choice in comparison.choices:
        setting = Setting(focal_length_mm=choice.focal_length_mm, f_number=choice.f_number)
        by_setting[setting][choice.zone] = choice
    if not by_setting:
        return None
    settings = sorted(by_setting, key=lambda setting: setting.order)
    cells = {
        setting: tuple(_choice_cell(by_setting[setting].get(zone)) for zone in zones) for setting in settings
    }

    spans = [list(span) for _, span in groupby(settings, key=lambda one: (one.focal_length_mm, cells[one]))]
    return Grid(
        caption="The sharper lens; below it whether it shows",
        header=("setting", *("whole frame" if zone == "frame" else zone for zone in zones)),
        rows=tuple(
            (at_setting(first) + (f" to {f_stop(others[-1].f_number)}" if others else ""), *cells[first])
            for first, *others in spans
        ),
    )


def _choice_cell(choice: StopChoice | None) -> str:
    if choice is None:
        return NOT_MEASURED
    names = [clean_text(label) for label in choice.lenses]
    if len(choice.photographed) == 1:
        return f"{names[0]}\nthe only one"
    shown = [*names[:_MOST_NAMED], *["others"] * (len(names) > _MOST_NAMED)]
    named = " or ".join(part for part in (", ".join(shown[:-1]), shown[-1]) if part)
    if 1 < len(names) == len(choice.photographed):
        named = "either" if len(names) == 2 else "any"
    told = [] if choice.seen is Seen.CANNOT_TELL and len(names) == len(choice.photographed) else [named]
    seen = {
        Seen.VISIBLE: "visibly" if len(names) == 1 else "visibly sharper than the rest",
        Seen.NONE: "not visibly" if len(names) == 1 else "no visible difference",
        Seen.SOME: "visibly sharper than some",
        Seen.CANNOT_TELL: CANNOT_TELL if len(names) > 1 else f"{CANNOT_TELL} if visible",
    }
    return "\n".join([*told, *([seen[choice.seen]] if choice.seen in seen else [])])
