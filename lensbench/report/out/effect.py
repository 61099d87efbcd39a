"""What the report of an effect says and shows, ready for the page and for the PDF alike."""

import math
from typing import Final

from lensbench.model.effect import EffectFindings
from lensbench.report.draw.differences import difference_text
from lensbench.report.draw.effect import effect_panels
from lensbench.report.draw.panels import Grid
from lensbench.report.out.document import WORDS, Answer, Plots, Report, Steps, tables
from lensbench.report.text.figures import NOT_MEASURED, clean_line
from lensbench.storage.text import clean_text

__all__ = ["effect_report", "effect_sentences"]


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
            *tables(("Photographs that were not used", _rejected_grid(findings))),
            Steps("Method and limits", _method(findings)),
            WORDS,
        ),
        version=findings.version,
    )


def effect_sentences(findings: EffectFindings) -> list[str]:
    """Plain answer and what limits it, a sentence an item."""
    return [clean_line(text) for text in (*findings.answer, *findings.cautions, findings.holds_for)]


def _changed(findings: EffectFindings) -> str:
    names = {"exposure_s": "the shutter speed", "iso": "the ISO value", "f_number": "the f-stop"}
    others = {"focal_length_mm": "the focal length", "condition": "the condition"}
    return (names | others).get(findings.by, f"the {findings.by}")


def _levels_grid(findings: EffectFindings) -> Grid:
    return Grid(
        caption="Mean of each kind of shots, whole frame",
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
                f"{row.verdict}\nby sharpening" if row.processed else row.verdict,
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
            "Visible: the whole interval lies beyond the difference that could be seen. Marginal: it lies within. "
            "Can't tell: it reaches from one to the other."
        ),
        f"Sharpness, visible from {findings.visible.percent:g} %: {findings.visible.how}.",
        "Noise, visible from 20 %, and overshoot, from 5 percentage points: common practice, no source.",
    )
