"""The page of evidence for somebody who may want to return or repair a lens: fixed fields, no accusation."""

from collections.abc import Sequence
from typing import Final

from lensbench.records import ShotResult
from lensbench.study.condition_asymmetry import Asymmetry, SettingShots
from lensbench.study.condition_decentring import Decentring, percent, side_figures
from lensbench.study.condition_focus import FocusSurface
from lensbench.study.condition_records import LensEvidence, RuledOut
from lensbench.study.condition_words import TURN_IT, at_setting
from lensbench.study.findings import SweepShot

__all__ = ["lens_evidence"]

_CAUTION: Final = (
    "These figures hold for this copy of the lens on this body, at this distance. They don't say where the asymmetry "
    "comes from: lens, mount and sensor are measured together, and no lens is perfectly even. What is within "
    "the maker's tolerance only the maker can tell."
)


def lens_evidence(
    found: Decentring,
    settings: Sequence[SettingShots],
    *,
    shots: Sequence[SweepShot],
    surfaces: Sequence[FocusSurface],
) -> LensEvidence | None:
    """Gather the page's fields; None where no decentring was seen."""
    main = found.main
    if found.verdict != "seen" or main is None:
        return None
    rows = found.evidence_rows()
    place = next(number for number, row in enumerate(found.rows) if row is main)
    return LensEvidence(
        what=_what(main, found),
        main=rows[place],
        rows=rows,
        sides=side_figures(_results_at(main, settings, surfaces)),
        repeats=_repeats(settings, surfaces),
        turned_test=found.turned.words,
        ruled_out=(
            _tilt(main, rows[place].tilt_percent),
            _focus(found, settings, surfaces),
            _shake(shots),
            _chart(found),
        ),
        caution=_CAUTION,
        advice=_advice(found),
    )


def _what(main: Asymmetry, found: Decentring) -> str:
    row = next(one for one, own in zip(found.evidence_rows(), found.rows, strict=True) if own is main)
    if not row.seen:
        lost = 100.0 * found.leaning.loss if found.leaning else float("nan")
        return (
            "Opposite sides of the picture are sharp at different focus, more than the chart's tilt explains: at "
            f"{at_setting(main.setting)} that costs the sides {lost:.0f} % where the middle is in focus."
        )
    low, high = row.ci95_percent
    return (
        f"The picture is {row.asymmetry_percent:.0f} % softer at the {row.softer_side} than at the side opposite, at "
        f"{at_setting(main.setting)} (95 %: {low:.0f} to {high:.0f} %)."
    )


def _results_at(
    main: Asymmetry, settings: Sequence[SettingShots], surfaces: Sequence[FocusSurface]
) -> list[ShotResult]:
    if main.source == "shots":
        same = [one for one in settings if str(one.setting) == str(main.setting)]
        return [result for one in same for result in one.results]
    return [
        result
        for surface in surfaces
        if surface.bracket.f_number == main.setting.f_number
        for result in surface.bracket.results[len(surface.bracket.results) // 2 :][:1]
    ]


def _repeats(settings: Sequence[SettingShots], surfaces: Sequence[FocusSurface]) -> str:
    counts = sorted({len(one.shots) for one in settings if len(one.shots) > 1})
    ends = counts[:1] + counts[-1:] if len(counts) > 1 else counts
    parts = [f"{' to '.join(map(str, ends))} shots a setting, focused anew each time"] if counts else []
    turned = max((sum(one.turned) for one in settings), default=0)
    parts += [f"{turned} of each with the camera or chart turned"] if turned else []
    if surfaces:
        steps = sum(len(surface.bracket.shots) for surface in surfaces)
        parts.append(f"{len(surfaces)} focus bracket{'s' * (len(surfaces) > 1)} of {steps} shots in all")
    return "; ".join(parts) or "none"


def _tilt(main: Asymmetry, tilt_percent: float) -> RuledOut:
    if main.source == "focus bracket":
        return RuledOut(
            cause="tilt",
            ruled_out=True,
            why="Peaks of a focus bracket are compared: each place at its own best focus, where tilt costs nothing.",
        )
    return RuledOut(
        cause="tilt",
        ruled_out=bool(tilt_percent < 0.5 * percent(main.size)),
        why=(
            f"Measured in every photograph; with its uncertainty it could account for {tilt_percent:.1f} % at most. "
            "That doubt is in the interval."
        ),
    )


def _focus(found: Decentring, settings: Sequence[SettingShots], surfaces: Sequence[FocusSurface]) -> RuledOut:
    if not found.seen:
        return RuledOut(
            cause="focus",
            ruled_out=False,
            why="Each side is sharp at a focus of its own: it is a matter of focus, which leans over the picture.",
        )
    if any(row.source == "focus bracket" for row in found.seen):
        return RuledOut(
            cause="focus", ruled_out=True, why="No position of a focus bracket makes the soft side as sharp."
        )
    if any(surface.peaks is not None for surface in surfaces):
        return RuledOut(
            cause="focus",
            ruled_out=False,
            why="There is a focus bracket, but it does not show the asymmetry by itself.",
        )
    count = max((len(one.shots) for one in settings), default=1)
    return RuledOut(
        cause="focus",
        ruled_out=False,
        why=(
            f"It stayed through {count} shots focused anew, so no single focus error made it; whether another focus "
            "would regain the soft side, a focus bracket or a shot refocused on that side tells."
        ),
    )


def _shake(shots: Sequence[SweepShot]) -> RuledOut:
    results = [shot.result for shot in shots if shot.used and isinstance(shot.result, ShotResult)]
    shaken = sum(any(remark.flag == "shake" for remark in result.quality) for result in results)
    if shaken:
        why = f"{shaken} of {len(results)} photographs show shake: shoot them again."
    else:
        why = (
            f"None of {len(results)} photographs shows it: shake softens edges of one direction all over the picture, "
            "not one side."
        )
    return RuledOut(cause="shake", ruled_out=not shaken, why=why)


def _chart(found: Decentring) -> RuledOut:
    done = found.turned.outcome != "not done"
    return RuledOut(
        cause="chart and wall",
        ruled_out=found.turned.outcome == "stayed",
        why="See the turned test." if done else "Only the turned test can rule them out.",
    )


def _advice(found: Decentring) -> str:
    if found.turned.outcome == "stayed":
        return (
            "If you can, repeat one setting with the lens on another body: what follows the lens belongs to it. Then "
            "show this page to the dealer or the workshop, together with the photographs."
        )
    return f"Before anything is sent back: {TURN_IT[0].lower()}{TURN_IT[1:]}"
