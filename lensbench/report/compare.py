"""What a comparison of lenses says: who is sharper, where one could see it, and what it must not be taken for.

Its sentences, the table «which lens at which stop», for the command line too, and its report.
"""

import math
from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from itertools import groupby
from typing import Final

from lensbench.model.compare import (
    Caution,
    ComparedLens,
    ComparedPair,
    CompareFindings,
    CompareRow,
    Seen,
    StopChoice,
    Verdict,
)
from lensbench.model.errors import Note
from lensbench.model.setting import Setting, f_stop, focal_length, listed
from lensbench.model.shot import ZONES
from lensbench.report.document import WORDS, Answer, Lines, Part, Plots, Report, tables
from lensbench.report.panels import (
    Axis,
    Grid,
    Line,
    Panel,
    Point,
    difference_panel,
    difference_text,
    value_axis,
)
from lensbench.report.words import (
    CANNOT_TELL,
    NOT_MEASURED,
    NOT_TOLD_APART,
    AtSetting,
    clean_line,
    figure_range,
    known,
    looked_at,
    note_in_words,
    stop_range,
    worded,
)
from lensbench.storage.text import clean_text

_NOT_SEEN: Final = "no difference you could see"
_NOT_BOTH: Final = "no setting was photographed with both"
_LEADERS: Final = (Verdict.FIRST, Verdict.SECOND)
_NO_LEADER: Final = {
    Verdict.EQUAL: "no difference that matters",
    Verdict.CANNOT_TELL: f"they {NOT_TOLD_APART}",
}
_UNITS: Final = {"cypx": "cycles/pixel", "lpmm": "lp/mm on the sensor", "lwph": "LW/PH"}
_MOST_NAMED: Final = 3


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
    seen = [worded("compare.looking_unknown")]
    if looking is not None:
        forgiving = "Prints" if looking.pixel_for_pixel else "Smaller prints and greater distances"
        seen = [worded("compare.visible", looked_at=looked_at(looking), forgiving=forgiving)]
    if not any(pair.rows for pair in comparison.pairs):
        seen = []
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


def _one_lens(lens: ComparedLens) -> str:
    parts = [f"on {clean_text(lens.camera)}", "raw" if lens.sensor_data else "finished pictures"]
    if lens.distance_focal_lengths is not None:
        parts.append(f"chart at {figure_range(*lens.distance_focal_lengths, 'd')} focal lengths")
    fewest, most = lens.shots_a_setting
    shots = f"{figure_range(fewest, most, 'd')} shot{'s' * (most != 1)} a setting"
    return f"{', '.join(parts)}, {shots}"


def _over_all(comparison: CompareFindings) -> str:
    """Say how often each lens is the sharpest, of the settings photographed with two or more."""
    contested = [one for one in comparison.choices if one.zone == "frame" and len(one.photographed) > 1]
    count = len(comparison.lenses)
    if not contested:
        return f"{count} lenses: no setting was photographed with two of them."
    won = Counter(sorted(clean_text(one.lenses[0]) for one in contested if len(one.lenses) == 1))
    parts = [f"{label} is the sharpest at {times}" for label, times in won.most_common()]
    open_ones = len(contested) - won.total()
    parts += [f"at {open_ones} the sharpest can't be told from another"] if open_ones else []
    at = f"{len(contested)} setting{'s' * (len(contested) > 1)} photographed with two lenses or more"
    return f"{count} lenses, over the whole frame at {at}: {'; '.join(parts)}."


def pair_sentences(pair: ComparedPair) -> list[str]:
    """Say who is sharper, at how many equal settings, by how much, and where one could see it."""
    labels = (clean_text(pair.first), clean_text(pair.second))
    if unlike := _unlike_note(pair):
        return [note_in_words(unlike)]
    frame = [row for row in pair.rows if row.zone == "frame"]
    beside = [row for row in pair.rows_lpmm if row.zone == "frame"]
    own = [] if pair.best_row is None else [f"Each at its own best setting: {_who(pair.best_row, labels)}."]
    if not frame:
        why = "the whole frame of both was measured at no common setting" if pair.rows else _NOT_BOTH
        return [f"{labels[0]} and {labels[1]}: {why}.", *own]
    where = "In pictures of equal height (LW/PH), over the whole frame" if pair.unit == "lwph" else ""
    sentences = [_counted(frame, labels, where=where), *_on_the_sensor(beside, labels)]
    return [clean_line(sentence) for sentence in (*sentences, *_to_the_eye(frame, labels), *own)]


def _counted(frame: Sequence[CompareRow], labels: tuple[str, str], *, where: str) -> str:
    counted = {verdict: [row for row in frame if row.verdict == verdict] for verdict in Verdict}
    total = f"{len(frame)} equal setting{'s' * (len(frame) > 1)}"
    won = [(index, rows) for index, verdict in enumerate(_LEADERS) if (rows := counted[verdict])]
    rest = [f"{words} at {len(rows)}" for verdict, words in _NO_LEADER.items() if (rows := counted[verdict])]
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
    """Say by how much the sharper one leads, with the interval that holds all of these."""
    leads = [row.lead_percent for row in rows]
    ends = (min(row.lead_ci95_percent[0] for row in rows), max(row.lead_ci95_percent[1] for row in rows))
    interval = "95 % interval" if len(rows) == 1 else "95 % intervals from"
    return f"by {figure_range(min(leads), max(leads), '.0f')} %, {interval} {figure_range(*ends, '.0f')} %"


def _on_the_sensor(beside: Sequence[CompareRow], labels: tuple[str, str]) -> Iterator[str]:
    """Say beside it what the figures are in lp/mm, which is about the lens on its sensor and not about the picture."""
    if not beside:
        return
    ends = min(beside, key=_log_ratio), max(beside, key=_log_ratio)
    ahead = [labels[int(row.second > row.first)] for row in ends]
    if ahead[0] == ahead[1]:
        leads = sorted(row.lead_percent for row in ends)
        yield f"On the sensor (lp/mm) {ahead[0]} is ahead by {figure_range(leads[0], leads[1], '.0f')} %."
    else:
        parts = [f"{label} by {row.lead_percent:.0f} %" for label, row in zip(ahead, ends, strict=True)]
        yield f"On the sensor (lp/mm), by setting, at most {parts[0]} or {parts[1]} ahead."


def _log_ratio(row: CompareRow) -> float:
    return math.log(row.second / row.first)


def _to_the_eye(frame: Sequence[CompareRow], labels: tuple[str, str]) -> Iterator[str]:
    """Say where one could see it."""
    if all(math.isnan(row.difference_jnd) for row in frame):
        return
    words = {
        Seen.FIRST: f"{labels[0]} better",
        Seen.SECOND: f"{labels[1]} better",
        Seen.NONE: _NOT_SEEN,
        Seen.CANNOT_TELL: CANNOT_TELL,
    }
    # Settings are named by their stops at one focal length, else by their number.
    zoom = len({row.focal_length_mm for row in frame if row.focal_length_mm}) > 1
    tested = [row.f_number for row in frame]
    parts = {
        told: f"{len(stops)} setting{'s' * (len(stops) > 1)}" if zoom else stop_range(stops, tested)
        for seen, told in words.items()
        if (stops := [row.f_number for row in frame if row.seen == seen])
    }
    if len(parts) == 1:
        yield f"To the eye: {next(iter(parts))}{' at any of them' if len(frame) > 1 else ''}."
    else:
        yield f"To the eye: {'; '.join(f'{told} at {at}' for told, at in parts.items())}."


def _who(row: CompareRow, labels: tuple[str, str]) -> str:
    if row.verdict in _NO_LEADER:
        return _NO_LEADER[row.verdict]
    seen = {Seen.NONE: f", {_NOT_SEEN}"} | dict.fromkeys((Seen.FIRST, Seen.SECOND), ", and one could see it")
    leader = labels[_LEADERS.index(row.verdict)]
    interval = figure_range(*row.lead_ci95_percent, ".0f")
    return f"{leader} leads by {row.lead_percent:.0f} % ({interval} %){seen.get(row.seen, '')}"


def choice_lines(comparison: CompareFindings) -> list[str]:
    """Table for the whole frame as lines of text."""
    grid = choice_grid(comparison, zones=("frame",))
    if grid is None:
        return []
    rows = [(setting, *cell.split("\n")) for setting, cell in grid.rows]
    width = max(len(row[0]) for row in rows)
    lines = [f"  {row[0]:<{width}}  {', '.join(row[1:])}" for row in rows]
    return ["Which lens at which stop (whole frame):", *lines]


def choice_grid(comparison: CompareFindings, *, zones: tuple[str, ...] = ZONES) -> Grid | None:
    """One row for every focal length and stop, one column for each zone; None where nothing was photographed.

    Neighbouring stops at which only one lens was photographed share a row.
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

    def row_of(setting: Setting) -> object:
        alone = all(len(choice.photographed) == 1 for choice in by_setting[setting].values())
        return (focal_length(setting.focal_length_mm), cells[setting]) if alone else setting

    spans = [list(span) for _, span in groupby(settings, key=row_of)]
    return Grid(
        caption="The sharper lens; below it whether one could see it",
        header=("setting", *zones),
        rows=tuple(
            (_setting_name(first) + (f" to {f_stop(others[-1].f_number)}" if others else ""), *cells[first])
            for first, *others in spans
        ),
    )


def _setting_name(record: AtSetting) -> str:
    return f"{focal_length(record.focal_length_mm)}, {f_stop(record.f_number)}"


def _choice_cell(choice: StopChoice | None) -> str:
    if choice is None:
        return NOT_MEASURED
    names = [clean_text(label) for label in choice.lenses]
    if len(choice.photographed) == 1:
        return f"{names[0]}\nthe only one photographed"
    named = " or ".join(names[:_MOST_NAMED]) + " or others" * (len(names) > _MOST_NAMED)
    if 1 < len(names) == len(choice.photographed):
        named = "either" if len(names) == 2 else "any"
    seen = {
        Seen.VISIBLE: "visibly",
        Seen.NONE: _NOT_SEEN,
        Seen.SOME: "visibly sharper than some",
        Seen.CANNOT_TELL: CANNOT_TELL if len(names) > 1 else f"{CANNOT_TELL} whether visible",
    }
    return "\n".join([named, *([seen[choice.seen]] if choice.seen in seen else [])])


def compare_report(comparison: CompareFindings) -> Report:
    """Report of a comparison: the answer, the table of stops, then a part for each pair."""
    answer = comparison_answer(comparison) or ["Nothing could be compared."]
    several = len(comparison.pairs) > 1
    lenses = Grid.of(
        comparison.lenses,
        "The lenses compared",
        {
            "lens": lambda lens: clean_text(lens.label),
            "camera": lambda lens: clean_text(lens.camera),
            "photographs": lambda lens: str(lens.shots),
            "pixel pitch": lambda lens: known(lens.pixel_pitch_um or math.nan, ".2f", " µm"),
            "picture height": lambda lens: known(lens.picture_height_px or math.nan, ".0f", " px"),
        },
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
    grids = [
        _pair_grid(pair, rows, unit)
        for unit, rows in ((pair.unit, pair.rows), ("lpmm", pair.rows_lpmm))
        if rows
    ]
    return Part(
        kind="pair",
        key=key,
        title=f"{clean_text(pair.first)} and {clean_text(pair.second)}",
        blocks=(
            *([] if sentences[0] == answer_said else [Lines(sentences)]),
            Plots("", tuple(_pair_panels(pair, key=key))),
            *tables(*(("Every setting and zone", grid) for grid in grids), captioned=True),
        ),
    )


def _pair_panels(pair: ComparedPair, *, key: str) -> Iterator[Panel]:
    """Two panels for every focal length: both lenses, whole frame; and their difference by zone."""
    by_focal: dict[str, list[CompareRow]] = defaultdict(list)
    for row in pair.rows:
        by_focal[focal_length(row.focal_length_mm)].append(row)
    names = {"first": clean_text(pair.first), "second": clean_text(pair.second)}
    for number, (focal, all_rows) in enumerate(by_focal.items(), start=1):
        rows = sorted((row for row in all_rows if row.f_number > 0.0), key=lambda row: row.f_number)
        if not rows:
            continue
        stops = dict.fromkeys(row.f_number for row in rows)
        across = Axis.around("f-stop", ((math.log2(stop), f_stop(stop)) for stop in stops), margin=0.45)
        frame = [row for row in rows if row.zone == "frame"]
        title = f"{focal}: sharpness of the whole frame"
        yield _sharpness_panel(frame, names, pair.unit, across, title=title, key=f"{key}-sharpness-{number}")
        differences: dict[str, list[Point]] = defaultdict(list)
        for row in rows:
            point = Point(math.log2(row.f_number), row.difference_percent, *row.ci95_percent)
            differences[row.zone].append(point)
        yield difference_panel(
            differences,
            key=f"{key}-difference-{number}",
            title=f"{focal}: difference by zone",
            about=worded("plots.lenses", **names),
            across=across,
            head="stop",
        )


def _sharpness_panel(
    frame: Sequence[CompareRow], names: Mapping[str, str], unit: str, across: Axis, *, title: str, key: str
) -> Panel:
    unit = _UNITS.get(unit, unit)
    places = [math.log2(row.f_number) for row in frame]
    figures = {"first": [row.first for row in frame], "second": [row.second for row in frame]}
    return Panel(
        key=key,
        title=title,
        about=f"MTF50 in {unit} at equal stops; higher is sharper.",
        across=across,
        up=value_axis([value for values in figures.values() for value in values], title=f"MTF50, {unit}"),
        lines=tuple(
            Line.through(map(Point, places, figures[role]), name=name, role=role)
            for role, name in names.items()
        ),
        grid=Grid(
            caption=f"MTF50 in {unit}, whole frame",
            header=("stop", *names.values()),
            rows=tuple((f_stop(row.f_number), _figure(row.first), _figure(row.second)) for row in frame),
        ),
    )


def _figure(value: float) -> str:
    """Figure in whichever unit: 0.293, or 75."""
    return known(value, ".3f" if value < 2.0 else ".0f")


def _pair_grid(pair: ComparedPair, rows: Sequence[CompareRow], unit: str) -> Grid:
    def cell(figure: float, shots: int) -> str:
        return f"{_figure(figure)}\n{shots} shot{'s' * (shots != 1)}"

    first, second = clean_text(pair.first), clean_text(pair.second)
    return Grid(
        caption=f"MTF50 in {_UNITS.get(unit, unit)}",
        header=("setting", "zone", first, second, "difference, %", "visible from", "verdict"),
        rows=tuple(
            (
                *(_setting_name(row), row.zone),
                *(cell(row.first, row.first_shots), cell(row.second, row.second_shots)),
                difference_text(row.difference_percent, row.ci95_percent),
                _visible_from(row),
                _verdict(row, {"first": first, "second": second}),
            )
            for row in rows
        ),
    )


def _visible_from(row: CompareRow) -> str:
    """From which difference on one could see it, and how large it is on the ruler."""
    if not math.isfinite(row.difference_jnd):
        return NOT_MEASURED
    limit = f"{row.visible_from_percent:.0f} %" if math.isfinite(row.visible_from_percent) else "never"
    return f"{limit}\n{row.difference_jnd:+.1f} JND"


def _verdict(row: CompareRow, names: Mapping[str, str]) -> str:
    """Say what the figures of a row tell, and below it what an eye would."""
    told = {Verdict.EQUAL: "equal", Verdict.CANNOT_TELL: CANNOT_TELL}.get(row.verdict)
    told = told or f"{names[row.verdict]} is sharper"
    if not math.isfinite(row.difference_jnd):
        return told
    seen = {Seen.NONE: _NOT_SEEN, Seen.CANNOT_TELL: f"{CANNOT_TELL} whether one could see it"}
    return f"{told}\n{seen.get(row.seen) or names[row.seen] + ' better to the eye'}"
