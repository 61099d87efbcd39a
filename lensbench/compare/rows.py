"""The rows of a comparison: two lenses at equal focal length, f-number and zone, in figures and as an eye would see it.

Means of refocused shots are compared, never the best of several: the best of many beats the best of few by luck alone.
Intervals are those of `stats.half_width` on log MTF50, so a difference is a share of the figure.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from lensbench.edge import (
    JUST_SEEN_JND,
    RESPONSE_CYPX,
    RulerReading,
    Viewing,
    gaussian_response,
    ruler_reading,
)
from lensbench.model.compare import CompareRow, Seen, Verdict
from lensbench.model.measured import BestOfSweep, CountedShot, SweepLens
from lensbench.model.setting import Setting, log_distance
from lensbench.model.shot import ZONES
from lensbench.model.sweep import INDIFFERENCE
from lensbench.model.units import FloatArray, lpmm_from_cypx, lwph_from_cypx
from lensbench.stats import Uncertainty, half_width, spread_of
from lensbench.sweep import zone_series

Key = tuple[str, Setting]  # a zone and a setting


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MeanOfShots:
    """One zone at one setting."""

    log_mtf50: float  # middle of the refocused shots, as the sweep has it
    shots: int
    uncertainty: Uncertainty | None  # None where nothing was repeated
    sfr: FloatArray | None  # mean at `RESPONSE_CYPX`; None where a shot has none


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LensInComparison:
    """One lens that is compared."""

    lens: SweepLens
    means: Mapping[Key, MeanOfShots]

    def matching(self, zone: str, setting: Setting) -> Setting | None:
        """Its own setting at the same f-number and the nearest focal length within 3 %; None without."""
        near = [own for own_zone, own in self.means if own_zone == zone and own.matches(setting)]
        focal = setting.focal_length_mm
        return min(near, key=lambda own: log_distance(own.focal_length_mm, focal), default=None)

    def in_unit(self, mtf50_cypx: float, unit: str) -> float:
        """A figure in cypx, lpmm or lwph; NaN where the camera's pixels don't tell it."""
        pitch_um, height_px = self.lens.pixel_pitch_um, self.lens.picture_height_px
        if unit == "lpmm":
            return lpmm_from_cypx(mtf50_cypx, pitch_um) if pitch_um else math.nan
        if unit == "lwph":
            return lwph_from_cypx(mtf50_cypx, height_px) if height_px else math.nan
        return mtf50_cypx


def lens_in_comparison(lens: SweepLens) -> LensInComparison:
    """Mean, uncertainty and SFR of a lens at every zone and setting, from the spread that its sweep had."""
    means: dict[Key, MeanOfShots] = {}
    for zone in ZONES:
        by_focal = zone_series(lens.shots, zone)
        spread = spread_of([series for _, series in by_focal.values()], lens.pixel_pitch_um)
        for settings, series in by_focal.values():
            middles, variances = spread.central_values(series), spread.variance_of_means(series)
            for index, setting in enumerate(settings):
                uncertainty = Uncertainty(variance=float(variances[index]), dof=spread.dof)
                means[zone, setting] = MeanOfShots(
                    log_mtf50=float(middles[index]),
                    shots=len(series.log_shots[index]),
                    uncertainty=uncertainty if spread.repeated else None,
                    sfr=_mean_sfr([shot for shot in lens.counted if shot.setting == setting], zone),
                )
    return LensInComparison(lens=lens, means=means)


def _mean_sfr(shots: Sequence[CountedShot], zone: str) -> FloatArray | None:
    curves = [shot.zones[zone].sfr for shot in shots if zone in shot.zones]
    if not all(curves):
        return None
    reach = min(RESPONSE_CYPX.size, *(len(sfr) for sfr in curves))
    mean = np.full(RESPONSE_CYPX.size, math.nan)
    mean[:reach] = np.mean([sfr[:reach] for sfr in curves], axis=0)
    return mean


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LensPair:
    """Two lenses set side by side."""

    lenses: tuple[LensInComparison, LensInComparison]
    rivals: Sequence[LensInComparison]  # all that compete: their pairs share the 5 % risk
    unit: str  # of the rows
    viewing: Viewing | None  # None where a picture's size is not known

    @property
    def judged(self) -> bool:
        """Whether the two compare at all; raw files don't with finished pictures, and no interval is given."""
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

    def half_width(
        self, uncertainties: Sequence[Uncertainty | None], rivals: Sequence[LensInComparison]
    ) -> float:
        """Half of the interval of a log ratio whose risk so many share; NaN where the pair is not judged."""
        return half_width(*uncertainties, rivals=len(rivals)) if self.judged else math.nan

    def row(
        self,
        zone: str,
        setting: Setting | None,
        figures_cypx: tuple[float, float],
        shots: tuple[int, int],
        half_width: float,
        keys: tuple[Key, Key] | None = None,
    ) -> CompareRow:
        """One row in the pair's unit; what an eye sees of it is asked only with `keys`, whose SFRs tell it."""
        first, second = (
            lens.in_unit(figure, self.unit) for lens, figure in zip(self.lenses, figures_cypx, strict=True)
        )
        difference = math.log(second / first)
        low, high = math.expm1(difference - half_width), math.expm1(difference + half_width)
        heights_px = [lens.lens.picture_height_px or 1 for lens in self.lenses]
        scales = [height / max(heights_px) for height in heights_px]
        in_pictures = math.log(figures_cypx[1] / figures_cypx[0] * (scales[1] / scales[0]))
        sight = self._sight(keys, figures_cypx, scales) if keys else None
        middle_jnd, low_jnd, high_jnd = (
            sight.between(log_ratio) if sight else math.nan
            for log_ratio in (in_pictures, in_pictures - half_width, in_pictures + half_width)
        )
        return CompareRow(
            focal_length_mm=setting.focal_length_mm if setting else None,
            f_number=setting.f_number if setting else math.nan,
            zone=zone,
            first=first,
            second=second,
            first_shots=shots[0],
            second_shots=shots[1],
            difference_percent=100.0 * math.expm1(difference),
            ci95_percent=(100.0 * low, 100.0 * high),
            verdict=_verdict(low, high),
            difference_jnd=middle_jnd,
            ci95_jnd=(low_jnd, high_jnd),
            visible_from_percent=100.0 * sight.just_seen() if sight else math.nan,
            seen=_seen(low_jnd, high_jnd) if sight else Seen.UNKNOWN,
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


def _verdict(low: float, high: float) -> Verdict:
    """Judge an interval of the second over the first, less one."""
    if low >= -INDIFFERENCE and high <= INDIFFERENCE:
        return Verdict.EQUAL
    if low > 0.0:
        return Verdict.SECOND
    return Verdict.FIRST if high < 0.0 else Verdict.CANNOT_TELL


def _seen(low_jnd: float, high_jnd: float) -> Seen:
    """Judge an interval of the second less the first on the ruler."""
    if low_jnd >= JUST_SEEN_JND:
        return Seen.SECOND
    if high_jnd <= -JUST_SEEN_JND:
        return Seen.FIRST
    return Seen.NONE if low_jnd > -JUST_SEEN_JND and high_jnd < JUST_SEEN_JND else Seen.CANNOT_TELL


def rows_of(pair: LensPair) -> tuple[CompareRow, ...]:
    """A row for every zone and setting that both lenses were photographed at."""
    rows = []
    for keys, (first, second) in pair.common.items():
        rivals = [lens for lens in pair.rivals if lens.matching(*keys[0])]
        half = pair.half_width((first.uncertainty, second.uncertainty), rivals)
        figures = (math.exp(first.log_mtf50), math.exp(second.log_mtf50))
        rows.append(pair.row(*keys[0], figures, (first.shots, second.shots), half, keys))
    return tuple(rows)


def overall_row(pair: LensPair) -> CompareRow | None:
    """The mean over all equal settings of the whole frame, each setting counting alike; None below two."""
    frames = [means for keys, means in pair.common.items() if keys[0][0] == "frame"]
    if len(frames) < 2:
        return None
    firsts, seconds = zip(*frames, strict=True)
    first, second = (math.exp(np.mean([mean.log_mtf50 for mean in means])) for means in (firsts, seconds))
    half = pair.half_width((_of_mean(firsts), _of_mean(seconds)), pair.rivals)
    shots = (sum(mean.shots for mean in firsts), sum(mean.shots for mean in seconds))
    return pair.row("frame", None, (first, second), shots, half)


def _of_mean(means: Sequence[MeanOfShots]) -> Uncertainty | None:
    """The uncertainty of the mean of independent settings whose spread was pooled."""
    known = [mean.uncertainty for mean in means if mean.uncertainty is not None]
    if len(known) < len(means):
        return None
    total = sum(each.variance for each in known) / len(known) ** 2
    return Uncertainty(variance=total, dof=min(each.dof for each in known))


def best_row(pair: LensPair) -> CompareRow | None:
    """The two lenses side by side, each at its own best setting, by the smoothed curves' values."""
    first, second = (lens.lens for lens in pair.lenses)
    if first.best is None or second.best is None:
        return None
    keys = (("frame", first.best.setting), ("frame", second.best.setting))
    half = math.hypot(_log_half(first.best), _log_half(second.best)) if pair.judged else math.nan
    figures = (first.best.mtf50_cypx, second.best.mtf50_cypx)
    return pair.row(*keys[0], figures, (first.photographs, second.photographs), half, keys)


def _log_half(best: BestOfSweep) -> float:
    return 0.5 * math.log(best.ci95_cypx[1] / best.ci95_cypx[0]) if best.ci95_cypx else math.nan
