"""What an effect says: the answer, the figures with their intervals, and its limits."""

import math
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from typing import Final

from lensbench.model.compare import (
    EffectFindings,
    EffectRow,
    Seen,
    ShutterSpeed,
    Verdict,
    Visible,
    VisibleFrom,
)
from lensbench.model.setting import listed, shutter_speed
from lensbench.report.text.words import (
    CANNOT_TELL,
    clean_line,
    looked_at,
    note_in_words,
    sentence_case,
    signed,
    texts,
    worded,
)
from lensbench.storage.text import clean_text

_VERDICTS: Final = {
    Verdict.VISIBLE: "visible",
    Verdict.NOT_VISIBLE: "not visible",
    Verdict.EQUAL: "equal",
    Verdict.CANNOT_TELL: CANNOT_TELL,
}
_MOST_SETTINGS: Final = 4
_ONE_WAY: Final = ("visible", "not_visible", "beyond_chance")
_TOGETHER: Final = (*_ONE_WAY, "cannot_tell", "none_visible", "equal_though", "equal")
EFFECT_FIGURES: Final = {
    "mtf50": "sharpness (MTF50), %",
    "noise": "noise, %",
    "overshoot": "overshoot, points",
    "veil": "veil, points",
}


def effect_sentences(findings: EffectFindings) -> list[str]:
    """Plain answer, its figures, and what limits it, a sentence an item."""
    return [*effect_answer(findings), *effect_figures(findings), *effect_limits(findings)]


def effect_limits(findings: EffectFindings) -> list[str]:
    """What limits an answer; last, what it holds for."""
    cautions = [note_in_words(caution) for caution in findings.cautions]
    settings = [setting for setting in dict.fromkeys(shot.setting for shot in findings.shots) if setting]
    shown = f" at {'; '.join(settings[:_MOST_SETTINGS])}" if settings else ""
    lens, camera = clean_text(findings.lens), clean_text(findings.camera)
    holds_for = worded("effect.holds_for", lens=lens, camera=camera, shown=shown, count=len(findings.shots))
    return [*cautions, clean_line(holds_for)]


def _by_level(findings: EffectFindings) -> dict[str, dict[str, EffectRow]]:
    by_level: dict[str, dict[str, EffectRow]] = defaultdict(dict)
    for row in findings.rows:
        if row.zone == "frame":
            by_level[row.level][row.figure] = row
    return by_level


def effect_answer(findings: EffectFindings) -> list[str]:
    """Say plainly of each level whether it is sharper; of several, those of one verdict together."""
    by_level, reference = _by_level(findings), clean_text(findings.reference)
    if findings.shutter is not None:
        # Many speeds: the one that is asked for comes first, and only what is sure is told of the others.
        return [*shutter_sentences(findings.shutter), *_visibly(by_level, reference)]
    levels = [rows for rows in by_level.values() if "mtf50" in rows]
    plain = [rows for rows in levels if len(levels) == 1 or rows["mtf50"].processed]
    others = [rows["mtf50"] for rows in levels if rows not in plain]
    told = (*_together(others, reference), *(_plain(rows, reference) for rows in plain))
    return [clean_line(sentence) for sentence in told]


def effect_figures(findings: EffectFindings) -> list[str]:
    """Figures of each level with their intervals; none of shutter speeds, which are many."""
    if findings.shutter is not None:
        return []
    reference = clean_text(findings.reference)
    return [
        clean_line(
            f"«{clean_text(level)}» against «{reference}»: "
            f"{'; '.join(_figure(rows[name]) for name in EFFECT_FIGURES if name in rows)}."
        )
        for level, rows in _by_level(findings).items()
    ]


def _together(rows: Sequence[EffectRow], reference: str) -> Iterator[str]:
    """A sentence for each verdict and the levels that it holds for, what shows most first."""
    by_kind: dict[tuple[int, str], list[EffectRow]] = defaultdict(list)
    for row in rows:
        key, kind = _verdict_key(row), _kind(row)
        by_kind[_TOGETHER.index(key), kind if key in _ONE_WAY else ""].append(row)
    for (number, kind), own in sorted(by_kind.items(), key=lambda item: item[0]):
        sized = _TOGETHER[number] in (*_ONE_WAY, "equal_though")
        levels = [
            f"«{clean_text(row.level)}»" + f" ({_digits(abs(row.difference))} %)" * sized for row in own
        ]
        within = min(row.equal_within for row in own)
        yield worded(
            f"effect.levels.{_TOGETHER[number]}",
            kind=sentence_case(kind),
            lower=kind,
            reference=reference,
            levels=listed(levels),
            within=within,
        )


def _verdict_key(row: EffectRow) -> str:
    """Which sentence tells a row's verdict."""
    if row.verdict is Verdict.CANNOT_TELL:
        return "beyond_chance" if row.differs else "none_visible" if row.seen is Seen.NONE else "cannot_tell"
    # Nothing is called equal beside a difference beyond doubt without the reason.
    return "equal_though" if row.verdict is Verdict.EQUAL and row.differs else str(row.verdict)


def _visibly(by_level: Mapping[str, Mapping[str, EffectRow]], reference: str) -> Iterator[str]:
    sharpness = [rows["mtf50"] for rows in by_level.values() if "mtf50" in rows]
    sure = [row for row in sharpness if row.verdict is Verdict.VISIBLE]
    for kind in ("softer", "sharper"):
        if levels := [f"«{clean_text(row.level)}»" for row in sure if _kind(row) == kind]:
            yield worded("effect.visibly", kind=kind, reference=reference, levels=", ".join(levels))


def _kind(row: EffectRow) -> str:
    return "softer" if row.difference < 0.0 else "sharper"


def _plain(rows: dict[str, EffectRow], reference: str) -> str:
    """Headline on one level: who is softer and whether it shows, in one short sentence."""
    row, level = rows["mtf50"], clean_text(rows["mtf50"].level)
    size = f"{_digits(abs(row.difference))} %"
    names = {"level": level, "reference": reference, "kind": _kind(row), "size": size}
    if row.processed:
        overshoot = rows["overshoot"].difference
        more, crisper = ("more", level) if overshoot > 0.0 else ("less", reference)
        names["size"] = size if abs(row.difference) >= 0.05 else "hardly"
        return worded("effect.processed", overshoot=abs(overshoot), more=more, crisper=crisper, **names)
    return worded(f"effect.sharpness.{_verdict_key(row)}", within=row.equal_within, **names)


def _digits(percent: float) -> str:
    return f"{percent:.{0 if percent >= 0.95 else 1}f}"


def _figure(row: EffectRow) -> str:
    """One figure with its interval and verdict; a difference that rounds to nothing is equal without one."""
    low, high = row.ci95
    unit = "points" if row.figure in ("overshoot", "veil") else "%"
    name, decimals = ("sharpness", 1) if row.figure == "mtf50" else (row.figure, 0)
    middle, *ends = (signed(value, decimals) for value in (row.difference, low, high) if math.isfinite(value))
    verdict = "by sharpening" if row.processed else row_verdict(row)
    if not ends:
        return f"{name} {middle} {unit}, without repeats to judge it by: {verdict}"
    if {middle, *ends} == {"0"} and row.verdict is Verdict.EQUAL:
        return f"{name} equal"
    from_where = f", visible from {row.visible_from:g} %" if row.figure == "mtf50" else ""
    interval = "" if ends[0] == ends[1] else f" (95 %: {ends[0]} to {ends[1]} {unit}{from_where})"
    return f"{name} {middle} {unit}{interval}: {verdict}"


def row_verdict(row: EffectRow) -> str:
    """Verdict in words, with its reason where a difference beyond doubt counts as equal, or none could be seen."""
    if row.verdict is Verdict.EQUAL and row.differs:
        unit = "points" if row.figure in ("overshoot", "veil") else "%"
        return f"equal, for under {row.equal_within:g} {unit}"
    if row.verdict is Verdict.CANNOT_TELL and (row.differs or row.seen is Seen.NONE):
        return "can't tell if visible" if row.differs else "can't tell which, not visible"
    return _VERDICTS[row.verdict]


def shutter_sentences(shutter: ShutterSpeed) -> list[str]:
    """Say from which speed on shake no longer shows, then how sure that is and what counts as shake."""
    speeds = [shutter_speed(time) for time, _, _ in shutter.shares]
    figures = {"fastest": speeds[0], "slowest": speeds[-1], "percent": shutter.shows_from_percent}
    key = "none"
    if math.isfinite(shutter.exposure_s):
        key = "all" if shutter.exposure_s < shutter.shares[0][0] else "limit"
        fast, slow = (shutter_speed(time) for time in shutter.ci95_s)
        figures |= {"named": shutter_speed(shutter.exposure_s), "interval": f"{slow} to {fast}"}
    return [line.format(**figures) for line in texts(f"effect.shutter.{key}")]


def visible_in_words(visible: Visible) -> str:
    """Say what the least visible difference rests on."""
    if visible.looking is None:
        return worded("effect.visible.common_practice", percent=visible.percent)
    ruler = worded("effect.visible.quality_ruler", looked_at=looked_at(visible.looking))
    beyond = visible.rests_on == VisibleFrom.BEYOND_RULER
    return worded("effect.visible.beyond_quality_ruler", ruler=ruler) if beyond else ruler
