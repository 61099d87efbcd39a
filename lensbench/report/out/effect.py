"""What the report of an effect says and shows, ready for the page and for the PDF alike."""

import math
from typing import Final

from lensbench.model.compare import EffectFindings
from lensbench.report.draw.differences import difference_text
from lensbench.report.draw.effect import effect_panels
from lensbench.report.draw.panels import Grid
from lensbench.report.out.document import WORDS, Answer, Plots, Report, Steps, tables
from lensbench.report.text.effect import EFFECT_VERDICTS, effect_sentences, visible_in_words
from lensbench.report.text.words import NOT_MEASURED, clean_line
from lensbench.storage.text import clean_text

_FIGURES: Final = {"mtf50": "sharpness (MTF50), %", "noise": "noise, %", "overshoot": "overshoot, points"}


def effect_report(findings: EffectFindings) -> Report:
    """Report of an effect."""
    sentences = effect_sentences(findings)
    title = f"Effect of {_changed(findings)}"
    return Report(
        title=title,
        blocks=(
            Answer(about=title, sentences=tuple(sentences[:-1]), limits=tuple(sentences[-1:])),
            *tables(("Each kind of shots", _levels_grid(findings)), captioned=True),
            Plots("Plots", effect_panels(findings)),
            *tables(("Differences", _differences_grid(findings)), captioned=True),
            *tables(("Left out", _rejected_grid(findings))),
            Steps("Method and limits", _method(findings)),
            WORDS,
        ),
        version=findings.version,
    )


def _changed(findings: EffectFindings) -> str:
    names = {"exposure_s": "the shutter speed", "iso": "the ISO value", "f_number": "the f-stop"}
    others = {"focal_length_mm": "the focal length", "condition": "the condition"}
    return (names | others).get(findings.by, f"the {findings.by}")


def _levels_grid(findings: EffectFindings) -> Grid:
    return Grid(
        caption="Mean of each condition, whole frame",
        header=("level", "shots", "MTF50, cycles/pixel", "noise, %", "overshoot, %"),
        rows=tuple(
            (
                f"{clean_text(one.level)}{' (reference)' if one.level == findings.reference else ''}",
                str(one.shots),
                _figure(one.mtf50_cypx, 3),
                _figure(one.noise_percent, 2),
                _figure(one.overshoot_percent, 1),
            )
            for one in findings.levels
        ),
    )


def _figure(value: float, decimals: int) -> str:
    return f"{value:.{decimals}f}" if math.isfinite(value) else NOT_MEASURED


def _differences_grid(findings: EffectFindings) -> Grid:
    return Grid(
        caption=f"Difference from «{clean_text(findings.reference)}», 95 % interval below",
        header=("level", "figure", "zone", "difference", "visible from", "verdict"),
        rows=tuple(
            (
                clean_text(row.level),
                _FIGURES[row.figure],
                row.zone,
                difference_text(row.difference, row.ci95),
                f"{row.visible_from:g}",
                EFFECT_VERDICTS[row.verdict] + ("\nby sharpening" if row.processed else ""),
            )
            for row in findings.rows
        ),
    )


def _rejected_grid(findings: EffectFindings) -> Grid | None:
    if not findings.rejected:
        return None
    rows = tuple((clean_text(one.path.name), clean_line(one.reason)) for one in findings.rejected)
    return Grid(caption="Not used", header=("photograph", "reason"), rows=rows)


def _method(findings: EffectFindings) -> tuple[str, ...]:
    return (
        (
            "Each shot's MTF50 is fitted by setting, level and drift with the order of shooting; shots of different "
            "levels may scatter differently (small-sample variance, Satterthwaite's degrees of freedom)."
        ),
        (
            "Visible: the whole interval lies beyond the difference that could be seen. Too small to see: it lies "
            "within. Can't tell: it reaches from one to the other."
        ),
        f"Sharpness, visible from {findings.visible.percent:g} %: {visible_in_words(findings.visible)}.",
        "Noise, visible from 20 %, and overshoot, from 5 percentage points: common practice, no source.",
    )
