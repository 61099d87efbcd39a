"""The rows of a comparison: two lenses at equal focal length, f-number and zone, in figures and as an eye would see it.

Intervals are those of `stats.half_width` on log MTF50, so a difference is a share of the figure; each lens may scatter
as it does, and its set-up's error is part of it. Each holds by itself; who is sharper is told in all rows together.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from lensbench.compare.means import Key, LensInComparison, MeanOfShots, SetUp, in_unit, over_set_ups
from lensbench.edge import (
    JUST_SEEN_JND,
    RESPONSE_CYPX,
    RulerReading,
    Viewing,
    gaussian_response,
    ruler_reading,
)
from lensbench.model.compare import CompareRow, Seen, Sharper
from lensbench.model.measured import BestOfSweep
from lensbench.model.setting import Setting
from lensbench.model.shot import ZONES
from lensbench.model.sweep import INDIFFERENCE
from lensbench.stats import Leads, Uncertainty, half_width, judged, pooled_dof, range_quantile, surely_ahead

_WHO: Final = {1: Sharper.SECOND, 0: Sharper.NEITHER, -1: Sharper.FIRST}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LensPair:
    """Two lenses set side by side."""

    lenses: tuple[LensInComparison, LensInComparison]
    rivals: Sequence[LensInComparison]  # all that compete: their pairs share the 5 % risk
    unit: str  # of the rows
    set_up: SetUp
    viewing: Viewing | None  # None where a picture's size is not known

    @property
    def judged(self) -> bool:
        """Whether the two compare at all; raw files don't with finished pictures."""
        return self.lenses[0].lens.sensor_data == self.lenses[1].lens.sensor_data

    @property
    def common(self) -> dict[tuple[Key, Key], tuple[MeanOfShots, MeanOfShots]]:
        """What was measured at every zone and setting of both lenses, by setting and zone."""
        first, second = (lens.means for lens in self.lenses)
        both = {}
        for zone, setting in sorted(first, key=lambda key: (key[1].order, ZONES.index(key[0]))):
            if match := self.lenses[1].matching(zone, setting):
                both[(zone, setting), (zone, match)] = first[zone, setting], second[zone, match]
        return both

    @property
    def set_ups(self) -> tuple[Sequence[LensInComparison], Sequence[LensInComparison]]:
        """All set-ups of each lens, the pair's own one first; two set-ups of one lens stand for themselves."""
        first, second = self.lenses
        if not self.set_up.repeats or first.name == second.name:
            return [first], [second]
        others = [rival for rival in self.rivals if rival is not first and rival is not second]
        return (
            [first, *[rival for rival in others if rival.name == first.name]],
            [second, *[rival for rival in others if rival.name == second.name]],
        )

    @property
    def competitors(self) -> int:
        """How many lenses compete: set-ups of one are no rivals of each other."""
        return len({rival.name for rival in self.rivals}) if self.set_up.repeats else len(self.rivals)

    def row(
        self,
        zone: str,
        settings: tuple[Setting, Setting],
        figures_cypx: tuple[float, float],
        shots: tuple[int, int],
        reach: "Reach",
        sharper: Sharper,
        log_shots: tuple[Sequence[float], Sequence[float]] = ((), ()),
    ) -> CompareRow:
        """One row in the pair's unit; what an eye sees of it goes by pictures of one height, not by lp/mm."""
        first, second = (
            in_unit(figure, lens.lens, self.unit)
            for lens, figure in zip(self.lenses, figures_cypx, strict=True)
        )
        difference = math.log(second / first)
        lead = abs(difference)
        if not lead > reach.interval or sharper is not _WHO[int(np.sign(difference))]:
            sharper = Sharper.NEITHER
        low, high, at_least, at_most = (
            math.expm1(difference + side * half)
            for half in (reach.interval, reach.one_sided)
            for side in (-1.0, 1.0)
        )
        heights_px = [lens.lens.picture_height_px or 1 for lens in self.lenses]
        scales = [height / max(heights_px) for height in heights_px]
        in_pictures = math.log(figures_cypx[1] / figures_cypx[0] * (scales[1] / scales[0]))
        keys = (zone, settings[0]), (zone, settings[1])
        sight = None if self.unit == "lpmm" else self._sight(keys, figures_cypx, scales)
        middle_jnd, low_jnd, high_jnd, least_jnd, most_jnd = (
            sight.between(in_pictures + off) if sight else math.nan
            for off in (0.0, -reach.interval, reach.interval, -reach.one_sided, reach.one_sided)
        )
        visible_from = sight.just_seen() if sight else math.nan
        seen = Seen.UNKNOWN
        if sight:
            seen = _seen((low_jnd, high_jnd), (least_jnd, most_jnd), differs=bool(sharper))
        # Nothing that could be seen is called equal; an unknown limit leaves the band as it is.
        equal_within = INDIFFERENCE if math.isnan(visible_from) else min(INDIFFERENCE, visible_from)
        first_each, second_each = (
            tuple(in_unit(math.exp(value), lens.lens, self.unit) for value in each)
            for lens, each in zip(self.lenses, log_shots, strict=True)
        )
        return CompareRow(
            focal_length_mm=settings[0].focal_length_mm,
            f_number=settings[0].f_number,
            zone=zone,
            first=first,
            second=second,
            first_shots=shots[0],
            second_shots=shots[1],
            first_each=first_each,
            second_each=second_each,
            difference_percent=100.0 * math.expm1(difference),
            ci95_percent=(100.0 * low, 100.0 * high),
            lead_percent=100.0 * math.expm1(lead),
            lead_ci95_percent=(
                100.0 * math.expm1(lead - reach.interval),
                100.0 * math.expm1(lead + reach.interval),
            ),
            sharper=sharper,
            verdict=judged((at_least, at_most), seen, equal_within=equal_within, differs=bool(sharper)),
            equal_within_percent=100.0 * equal_within,
            difference_jnd=middle_jnd,
            ci95_jnd=(low_jnd, high_jnd),
            visible_from_percent=100.0 * visible_from,
            seen=seen,
        )

    def _sight(
        self, keys: tuple[Key, Key], figures_cypx: tuple[float, float], scales: Sequence[float]
    ) -> RulerReading | None:
        """The ruler at the SFR halfway between both lenses: each brought to their mean fineness, then averaged."""
        if self.viewing is None or not min(figures_cypx) > 0.0:
            return None
        own = [figure * scale for figure, scale in zip(figures_cypx, scales, strict=True)]
        target = math.sqrt(own[0] * own[1])
        curves = []
        for lens, key, figure in zip(self.lenses, keys, figures_cypx, strict=True):
            sfr = lens.means[key].sfr if key in lens.means else None
            sfr = gaussian_response(figure) if sfr is None else sfr
            curves.append(np.interp(RESPONSE_CYPX, RESPONSE_CYPX * target / figure, sfr, right=math.nan))
        height_px = max(lens.lens.picture_height_px or 1 for lens in self.lenses)
        mean = np.asarray(np.mean(curves, axis=0), np.float64)
        return ruler_reading(mean, viewing=self.viewing.of_height(height_px))


def _seen(ci95: tuple[float, float], one_sided: tuple[float, float], *, differs: bool) -> Seen:
    """Judge intervals of the second less the first on the ruler."""
    if differs and ci95[0] >= JUST_SEEN_JND:
        return Seen.SECOND
    if differs and ci95[1] <= -JUST_SEEN_JND:
        return Seen.FIRST
    below = one_sided[0] > -JUST_SEEN_JND and one_sided[1] < JUST_SEEN_JND
    return Seen.NONE if below else Seen.CANNOT_TELL


@dataclass(frozen=True, slots=True, kw_only=True)
class Reach:
    """How far the log ratio of two figures may lie from what was found; all NaN where a spread is not known."""

    interval: float  # half of the 95 % interval
    one_sided: float  # beyond which the ratio lies in 5 %, to one side

    @classmethod
    def of(cls, uncertainties: Sequence[Uncertainty | None], set_up: SetUp, *, rivals: int) -> "Reach":
        """That of two means; of `rivals` all pairs hold together."""
        first, second = uncertainties
        if first is None or second is None:
            return cls(interval=math.nan, one_sided=math.nan)
        own = (set_up.beside(first), set_up.beside(second))
        return cls(
            interval=half_width(*own, rivals=rivals), one_sided=half_width(*own, rivals=rivals, risk=0.1)
        )


def rows_of(pair: LensPair) -> tuple[CompareRow, ...]:
    """A row for every zone and setting that both lenses were photographed at; none where they don't compare."""
    rows: list[CompareRow] = []
    common = pair.common if pair.judged else {}
    sharper = _sharper(pair, common)
    for (first_key, second_key), means in common.items():
        rivals = [lens for lens in pair.rivals if lens.matching(*first_key)]
        rows.append(
            pair.row(
                first_key[0],
                (first_key[1], second_key[1]),
                (math.exp(means[0].log_mtf50), math.exp(means[1].log_mtf50)),
                (means[0].shots, means[1].shots),
                Reach.of(
                    [mean.doubt for mean in means],
                    pair.set_up,
                    rivals=replace(pair, rivals=rivals).competitors,
                ),
                sharper.get(first_key, Sharper.NEITHER),
                (means[0].log_shots, means[1].log_shots),
            )
        )
    return tuple(rows)


def _sharper(
    pair: LensPair, common: Mapping[tuple[Key, Key], tuple[MeanOfShots, MeanOfShots]]
) -> dict[Key, Sharper]:
    """Who is sharper at each setting and zone: in all of them together, and if set-ups repeat half as well.

    Lenses are judged, by the means over all of their set-ups, whichever of these the pair shows.
    """
    keys = [both for both, means in common.items() if all(mean.uncertainty for mean in means)]
    if not keys:
        return {}
    (first, first_count), (second, second_count) = (
        over_set_ups(own, [both[number] for both in keys]) for number, own in enumerate(pair.set_ups)
    )
    both_means = list(zip(first, second, strict=True))
    settings = sorted({setting for (_, setting), _ in keys}, key=lambda setting: setting.order)
    scale = math.log(
        in_unit(1.0, pair.lenses[1].lens, pair.unit) / in_unit(1.0, pair.lenses[0].lens, pair.unit)
    )
    uncertainties = [[mean.uncertainty for mean in means if mean.uncertainty] for means in both_means]
    variances = [[each.variance for each in own] for own in uncertainties]
    leads = Leads(
        log_ratio=np.array([later.log_mtf50 - earlier.log_mtf50 + scale for earlier, later in both_means]),
        scatter_sd=np.sqrt([sum(own) for own in variances]),
        shared_sd=np.sqrt([earlier.unseen_focus + later.unseen_focus for earlier, later in both_means]),
        stop=np.array([settings.index(setting) for (_, setting), _ in keys]),
        dof=min(
            pooled_dof(own, [each.dof for each in doubt])
            for own, doubt in zip(variances, uncertainties, strict=True)
        ),
    )
    ahead = surely_ahead(leads, pair.set_up.between(first_count, second_count), rivals=pair.competitors)
    return {key: _WHO[int(sign)] for (key, _), sign in zip(keys, ahead, strict=True)}


def best_row(pair: LensPair) -> CompareRow | None:
    """The two lenses side by side, each at its own best setting, by the smoothed curves' values.

    None where they don't compare, or where one's whole frame was not measured there.
    """
    first, second = (lens.lens for lens in pair.lenses)
    if first.best is None or second.best is None or not pair.judged:
        return None
    settings = (first.best.setting, second.best.setting)
    if any(("frame", own) not in lens.means for lens, own in zip(pair.lenses, settings, strict=True)):
        return None
    within = math.hypot(_log_half(first.best), _log_half(second.best))
    still = Uncertainty(variance=0.0, dof=math.inf)
    between = Reach.of((still, still), pair.set_up, rivals=2)
    reach = Reach(
        interval=math.hypot(within, between.interval), one_sided=math.hypot(within, between.one_sided)
    )
    figures = (first.best.mtf50_cypx, second.best.mtf50_cypx)
    own = [in_unit(figure, lens, pair.unit) for figure, lens in zip(figures, (first, second), strict=True)]
    bad = pair.set_up.between(1, 1)
    most = math.hypot(within, range_quantile(bad.dof, rivals=len(pair.rivals)) * math.sqrt(bad.variance))
    difference = math.log(own[1] / own[0])
    sharper = _WHO[int(np.sign(difference)) if abs(difference) > most else 0]
    return pair.row("frame", settings, figures, (first.photographs, second.photographs), reach, sharper)


def _log_half(best: BestOfSweep) -> float:
    return 0.5 * math.log(best.ci95_cypx[1] / best.ci95_cypx[0]) if best.ci95_cypx else math.nan
