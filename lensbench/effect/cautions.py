"""What an effect must not be taken for, as figures and enumerations."""

from collections.abc import Iterator, Sequence
from typing import Final

import numpy as np
from scipy import stats

from lensbench.effect.levels import LevelledShot
from lensbench.model.compare import EffectCaution
from lensbench.model.flags import Note
from lensbench.stats import Fitted, Layout

_ENTANGLED: Final = 4.0
"""Growth of the variance by taking drift out, from which the order of shots counts as unlucky."""
_FAR_MORE: Final = 2.0
_UNLIKELY: Final = 0.05


def cautions(
    use: Sequence[LevelledShot], layout: Layout, names: Sequence[str], *, fit: Fitted, on_subject: bool
) -> Iterator[Note]:
    """Cautions on the comparison of levels, in the order of their weight."""
    counts = np.bincount(layout.level, minlength=len(names))
    if counts.min() < 2:
        level = names[int(np.argmin(counts))]
        yield Note(EffectCaution.ONE_SHOT, names=(level,))
    if fit.drift is None:
        yield Note(EffectCaution.DRIFT_LEFT_IN)
    elif _entangled(layout) > _ENTANGLED:
        yield Note(EffectCaution.IN_A_ROW)
    yield from _uneven_scatter(fit, names)
    if len(names) > 2:
        yield Note(EffectCaution.JOINT_INTERVALS)
    if on_subject:
        yield Note(EffectCaution.ON_SUBJECT)
    if len({shot.result.sensor_data for shot in use}) > 1:
        yield Note(EffectCaution.RAW_AGAINST_FINISHED)
    elif not use[0].result.sensor_data:
        yield Note(EffectCaution.FINISHED)
    if len({shot.shot.planned.camera for shot in use}) > 1:
        yield Note(EffectCaution.CAMERAS_DIFFER)


def _uneven_scatter(fit: Fitted, names: Sequence[str]) -> Iterator[Note]:
    """Where one kind scatters far more than another: its mean is then known less well than intervals tell.

    Focus and shake only soften, so such scatter is one-sided, and few shots don't show its tail: see docs/effect.md.
    """
    known = [number for number in range(len(names)) if fit.dof[number] >= 1.0 and fit.sd[number] > 0.0]
    if len(known) < 2:
        return
    wide, narrow = max(known, key=lambda kind: fit.sd[kind]), min(known, key=lambda kind: fit.sd[kind])
    ratio = fit.sd[wide] / fit.sd[narrow]
    chance = stats.f.sf(ratio**2, fit.dof[wide], fit.dof[narrow])
    if ratio >= _FAR_MORE and chance <= _UNLIKELY:
        sds_percent = (100.0 * fit.sd[wide], 100.0 * fit.sd[narrow])
        yield Note(EffectCaution.UNEVEN_SCATTER, sds_percent, (names[wide], names[narrow]))


def _entangled(layout: Layout) -> float:
    """By how much taking out drift widens the variance of the levels' differences, at most."""
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
