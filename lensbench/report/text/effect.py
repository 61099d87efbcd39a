"""What an effect says, in plain sentences: the answer, the figures with their intervals, and its limits."""

import math
from collections.abc import Iterator, Sequence
from typing import Final

from lensbench.model.compare import (
    EffectFindings,
    EffectRow,
    EffectVerdict,
    ShutterSpeed,
    Visible,
    VisibleFrom,
)
from lensbench.model.setting import shutter_speed
from lensbench.report.text.notes import note_in_words
from lensbench.report.text.words import CANNOT_TELL, clean_line, looked_at, sentence_case, signed
from lensbench.storage.text import clean_text

EFFECT_VERDICTS: Final = {
    EffectVerdict.VISIBLE: "visible",
    EffectVerdict.TOO_SMALL: "too small to see",
    EffectVerdict.CANNOT_TELL: CANNOT_TELL,
}
_MOST_SETTINGS: Final = 4


def effect_sentences(findings: EffectFindings) -> list[str]:
    """Plain answer and what limits it, a sentence an item."""
    return [
        *answer_of(findings),
        *(note_in_words(caution) for caution in findings.cautions),
        _holds_for(findings),
    ]


def answer_of(findings: EffectFindings) -> list[str]:
    """Say plainly of each level whether it is sharper, then give the figures with their intervals."""
    by_level: dict[str, dict[str, EffectRow]] = {}
    for row in findings.rows:
        if row.zone == "frame":
            by_level.setdefault(row.level, {})[row.figure] = row
    reference = clean_text(findings.reference)
    if findings.shutter is not None:
        # Many speeds: the one that is asked for comes first, and only what is sure is told of the others.
        sharpness = [rows["mtf50"] for rows in by_level.values() if "mtf50" in rows]
        sure = [row for row in sharpness if row.verdict == EffectVerdict.VISIBLE]
        return [shutter_sentence(findings.shutter), *_visibly(sure, reference)]
    plain = [_plain(rows, reference) for rows in by_level.values() if "mtf50" in rows]
    figures = [
        f"«{clean_text(level)}» against «{reference}»: "
        f"{'; '.join(_figure(rows[name]) for name in ('mtf50', 'noise', 'overshoot') if name in rows)}."
        for level, rows in by_level.items()
    ]
    return [clean_line(sentence) for sentence in (*plain, *figures)]


def _visibly(rows: Sequence[EffectRow], reference: str) -> Iterator[str]:
    for kind in ("less sharp", "sharper"):
        if levels := [f"«{clean_text(row.level)}»" for row in rows if _kind(row) == kind]:
            yield f"On average visibly {kind} than «{reference}»: {', '.join(levels)}."


def _kind(row: EffectRow) -> str:
    return "less sharp" if row.difference < 0.0 else "sharper"


def _plain(rows: dict[str, EffectRow], reference: str) -> str:
    row, level = rows["mtf50"], clean_text(rows["mtf50"].level)
    if row.processed:
        return _processed(row, rows["overshoot"], reference)
    kind = _kind(row)
    size = f"{abs(row.difference):.{0 if abs(row.difference) >= 9.95 else 1}f} %"
    match row.verdict:
        case EffectVerdict.VISIBLE:
            return f"«{level}» is visibly {kind} than «{reference}», by {size}."
        case EffectVerdict.TOO_SMALL:
            return f"No difference in sharpness that could be seen: «{level}» is {size} {kind} than «{reference}»."
    if row.ci95[0] > 0.0 or row.ci95[1] < 0.0:
        return f"«{level}» is {kind} than «{reference}», by {size}; {CANNOT_TELL} whether that is visible."
    return (
        f"{sentence_case(CANNOT_TELL)} whether «{level}» and «{reference}» differ in sharpness: {size} {kind} in these "
        "shots."
    )


def _processed(row: EffectRow, overshoot: EffectRow, reference: str) -> str:
    """Say that a difference in sharpness is one of processing."""
    level = clean_text(row.level)
    more, crisper = ("more", level) if overshoot.difference > 0.0 else ("less", reference)
    return (
        f"«{level}» measures {abs(row.difference):.0f} % {_kind(row)} than «{reference}», but its edges overshoot by "
        f"{abs(overshoot.difference):.0f} points {more}: «{crisper}» is sharpened, and that is no resolution."
    )


def _figure(row: EffectRow) -> str:
    low, high = row.ci95
    verdict = EFFECT_VERDICTS[row.verdict]
    if row.figure != "mtf50":
        unit = "%" if row.figure == "noise" else "points"
        interval = "" if math.isnan(low) else f" ({signed(low)} to {signed(high)} {unit})"
        return f"{row.figure} {signed(row.difference)} {unit}{interval}: {verdict}"
    if math.isnan(low):
        return f"sharpness {signed(row.difference, 1)} %, without repeats to judge it by: {verdict}"
    within = f"95 % interval {signed(low, 1)} to {signed(high, 1)} %, visible from {row.visible_from:g} %"
    verdict = "by sharpening, not to be taken for resolution" if row.processed else verdict
    return f"sharpness {signed(row.difference, 1)} % ({within}): {verdict}"


def shutter_sentence(shutter: ShutterSpeed) -> str:
    """Say from which speed on shake no longer shows."""
    speeds = [time for time, _, _ in shutter.shares]
    percent = f"{shutter.shows_from_percent:.0f} %"
    if not math.isfinite(shutter.exposure_s):
        return (
            f"No speed from {shutter_speed(speeds[0])} to {shutter_speed(speeds[-1])} showed shake of {percent}: the "
            "limit lies at a slower speed than any tested."
        )
    fast, slow = (shutter_speed(time) for time in shutter.ci95_s)
    interval = f"95 % interval {slow} to {fast}; a loss of {percent} counts as shake"
    named = shutter_speed(shutter.exposure_s)
    if shutter.exposure_s < speeds[0]:
        return (
            f"Even at {shutter_speed(speeds[0])}, the fastest speed, more than one shot in ten seems to show shake: "
            f"the limit lies near {named} ({interval}). Take faster speeds, or look for another cause such as focus."
        )
    return f"At {named} and faster, nine shots of ten show no shake ({interval})."


def visible_in_words(visible: Visible) -> str:
    """Say what the least visible difference rests on."""
    if visible.looking is None:
        return f"{visible.percent:g} %, common practice, no source: the SFR is not at hand"
    ruler = "one just noticeable difference of the quality ruler (ISO 20462-3, its curve from memory)"
    text = f"half of all viewers would notice, {looked_at(visible.looking)}; {ruler}. Smaller prints forgive more"
    beyond = (
        "; less than half of MTF50 would not be seen" if visible.rests_on == VisibleFrom.BEYOND_RULER else ""
    )
    return f"{text}{beyond}"


def _holds_for(findings: EffectFindings) -> str:
    """Say what the finding rests on."""
    settings = [setting for setting in dict.fromkeys(shot.setting for shot in findings.shots) if setting]
    shown = f" at {'; '.join(settings[:_MOST_SETTINGS])}" if settings else ""
    return clean_line(
        f"This copy of {clean_text(findings.lens)} on {clean_text(findings.camera)}{shown}, {len(findings.shots)} "
        "shots that count."
    )
