"""What an effect says, in plain sentences."""

import math
from collections.abc import Sequence
from typing import Final

import numpy as np
from scipy import stats

from lensbench.effect.levels import LevelledShot
from lensbench.model.effect import EffectRow, ShutterSpeed
from lensbench.stats import Fitted, Layout

__all__ = ["answer_sentences", "cautions", "holds_for"]


_ENTANGLED: Final = 4.0
"""Growth of the variance by taking drift out, from which the order of shots counts as unlucky."""
_FAR_MORE: Final = 2.0
_UNLIKELY: Final = 0.05


def answer_sentences(
    reference: str, rows: Sequence[EffectRow], shutter: ShutterSpeed | None
) -> tuple[str, ...]:
    """Say plainly of each level whether it is sharper, then give the figures with their intervals."""
    by_level = {
        level: {row.figure: row for row in rows if row.level == level and row.zone == "frame"}
        for level in dict.fromkeys(row.level for row in rows)
    }
    plain = [
        _processed(of["mtf50"], of["overshoot"], reference)
        if of["mtf50"].processed
        else _plain(of["mtf50"], reference)
        for of in by_level.values()
        if "mtf50" in of
    ]
    figures = [
        f"«{level}» against «{reference}»: {'; '.join(_PARTS[name](of[name]) for name in _PARTS if name in of)}."
        for level, of in by_level.items()
    ]
    if shutter is None:
        return (*plain, *figures)
    # Many speeds: the one that is asked for comes first, and only what is sure is told of the others.
    sure = [of["mtf50"] for of in by_level.values() if "mtf50" in of and of["mtf50"].verdict == "visible"]
    return (shutter.sentence, *_visibly(sure, reference))


def _visibly(rows: Sequence[EffectRow], reference: str) -> list[str]:
    kinds = {"less sharp": [row for row in rows if row.difference < 0.0]}
    kinds["sharper"] = [row for row in rows if row.difference > 0.0]
    return [
        f"On average visibly {kind} than «{reference}»: {', '.join(f'«{row.level}»' for row in found)}."
        for kind, found in kinds.items()
        if found
    ]


def _plain(row: EffectRow, reference: str) -> str:
    kind = "less sharp" if row.difference < 0.0 else "sharper"
    size = f"{abs(row.difference):.{0 if abs(row.difference) >= 9.95 else 1}f} %"
    low, high = row.ci95
    match row.verdict:
        case "visible":
            return f"«{row.level}» is visibly {kind} than «{reference}», by {size}."
        case "marginal":
            return f"No difference in sharpness that could be seen: «{row.level}» is {size} {kind} than «{reference}»."
    if low > 0.0 or high < 0.0:
        return f"«{row.level}» is {kind} than «{reference}», by {size}; can't tell whether that is visible."
    return f"Can't tell whether «{row.level}» and «{reference}» differ in sharpness: {size} {kind} in these shots."


def _processed(row: EffectRow, overshoot: EffectRow, reference: str) -> str:
    """Say that a difference in sharpness is one of processing."""
    more, crisper = ("more", row.level) if overshoot.difference > 0.0 else ("less", reference)
    kind = "less sharp" if row.difference < 0.0 else "sharper"
    return (
        f"«{row.level}» measures {abs(row.difference):.0f} % {kind} than «{reference}», but its edges overshoot by "
        f"{abs(overshoot.difference):.0f} points {more}: «{crisper}» is sharpened, and that is no resolution."
    )


def _sharpness(row: EffectRow) -> str:
    low, high = row.ci95
    if math.isnan(low):
        return f"sharpness {row.difference:+.1f} %, without repeats to judge it by: {row.verdict}"
    within = f"95 % interval {low:+.1f} to {high:+.1f} %, visible from {row.visible_from:g} %"
    verdict = "by sharpening, not to be taken for resolution" if row.processed else row.verdict
    return f"sharpness {row.difference:+.1f} % ({within}): {verdict}"


def _noise(row: EffectRow) -> str:
    return f"noise {_signed(row.difference)} %{_interval(row, '%')}: {row.verdict}"


def _overshoot(row: EffectRow) -> str:
    return f"overshoot {_signed(row.difference)} points{_interval(row, 'points')}: {row.verdict}"


def _interval(row: EffectRow, unit: str) -> str:
    low, high = row.ci95
    return "" if math.isnan(low) else f" ({_signed(low)} to {_signed(high)} {unit})"


def _signed(value: float) -> str:
    """Give a whole number with its sign, and zero as such."""
    return f"{value:+.0f}" if abs(value) >= 0.5 else "0"


_PARTS: Final = {"mtf50": _sharpness, "noise": _noise, "overshoot": _overshoot}


def cautions(
    use: Sequence[LevelledShot],
    layout: Layout,
    names: Sequence[str],
    *,
    fit: Fitted,
    on_subject: bool,
) -> tuple[str, ...]:
    """Say what the comparison must not be taken for, and what would make it firmer."""
    found = []
    counts = [int(np.count_nonzero(layout.level == number)) for number in range(len(names))]
    if min(counts) < 2:
        found.append(f"One shot only of «{names[int(np.argmin(counts))]}»: take each at least three times.")
    if fit.drift is None:
        found.append(
            "Drift was not taken out, for the shots are too few or their order is not known: shoot A, B, A, B, A, B."
        )
    elif _entangled(layout) > _ENTANGLED:
        found.append(
            "The kinds were shot one after the other, not by turns: drift and effect are hard to tell apart, and the "
            "intervals are wide for it. Shoot A, B, A, B."
        )
    found += _uneven_scatter(fit, names)
    if len(names) > 2:
        found.append("Intervals hold at 95 % for all levels together.")
    if on_subject:
        found.append(
            "The subject was seen at different sizes: sharpness counts detail on the subject, not in the picture, at "
            "those edges of the chart that all shots show."
        )
    if len({one.result.sensor_data for one in use}) > 1:
        found.append(
            "Raw files stand against finished pictures: sharpening and noise reduction are part of the difference, "
            "which tells nothing of the lens."
        )
    elif any(not one.result.sensor_data for one in use):
        found.append(
            "Finished pictures: sharpening and noise reduction of the camera are part of the effect."
        )
    if len({one.shot.planned.camera for one in use}) > 1:
        found.append("The shots come from different cameras.")
    return tuple(found)


def _uneven_scatter(fit: Fitted, names: Sequence[str]) -> list[str]:
    """Say so where one kind scatters far more than another: its mean is then known less well than intervals tell.

    Focus and shake only soften, so such scatter is one-sided, and few shots don't show its tail: see docs/effect.md.
    """
    known = [number for number in range(len(names)) if fit.dof[number] >= 1.0 and fit.sd[number] > 0.0]
    if len(known) < 2:
        return []
    wide, narrow = max(known, key=lambda one: fit.sd[one]), min(known, key=lambda one: fit.sd[one])
    ratio = fit.sd[wide] / fit.sd[narrow]
    chance = stats.f.sf(ratio**2, fit.dof[wide], fit.dof[narrow])
    if ratio < _FAR_MORE or chance > _UNLIKELY:
        return []
    sizes = f"{100.0 * fit.sd[wide]:.1f} % against {100.0 * fit.sd[narrow]:.1f} %"
    said = (
        f"«{names[wide]}» scatters far more than «{names[narrow]}» ({sizes}). Scatter of focus or shake is one-sided, "
        "and few shots show it badly: the interval may be too narrow. Take ten shots or more of each."
    )
    return [said]


def _entangled(layout: Layout) -> float:
    """Give by how much taking out drift widens the variance of the levels' differences, at most."""
    order = layout.order - layout.order.mean()
    dummies = np.column_stack(
        [layout.setting == setting for setting in np.unique(layout.setting)]
        + [layout.level == level for level in range(1, int(layout.level.max()) + 1)]
    ).astype(np.float64)
    first = len(np.unique(layout.setting))
    plain = np.diagonal(np.linalg.pinv(dummies.T @ dummies))[first:]
    both = np.column_stack([dummies, order])
    drifting = np.diagonal(np.linalg.pinv(both.T @ both))[first:-1]
    return float(np.max(drifting / plain))


def holds_for(use: Sequence[LevelledShot]) -> str:
    """Say what the finding rests on."""
    first = use[0].shot.planned
    settings = [one for one in dict.fromkeys(one.setting for one in use) if one]
    shown = f" at {'; '.join(settings[:4])}" if settings else ""
    return f"This copy of {first.lens} on {first.camera}{shown}, {len(use)} shots that count."
