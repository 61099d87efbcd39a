"""The rows of a comparison: two lenses at equal focal length, f-number and zone, in figures and as an eye would see it.

Means of refocused shots are compared, never the best of several: the best of many beats the best of few by luck alone.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from lensbench.compare.difference import compare_row
from lensbench.edge import RESPONSE_CYPX, RulerReading, Viewing, gaussian_response, ruler_reading
from lensbench.model.compare import CompareRow
from lensbench.model.measured import BestOfSweep, CountedShot, SweepLens
from lensbench.model.setting import Setting, log_distance
from lensbench.model.shot import ZONES
from lensbench.model.units import FloatArray, lpmm_from_cypx, lwph_from_cypx
from lensbench.stats import MeanUncertainty, half_width, spread_of
from lensbench.sweep import zone_series

_NAN: Final = float("nan")

Key = tuple[str, Setting]
"""A zone and a setting."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MeanOfShots:
    """One zone at one setting."""

    log_mtf50: float
    """Middle of the refocused shots, as the sweep has it."""
    shots: int
    uncertainty: MeanUncertainty | None
    """None where nothing was repeated."""
    sfr: FloatArray | None
    """Mean at `RESPONSE_CYPX`; None where a shot has none."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LensInComparison:
    """One lens that is compared."""

    lens: SweepLens
    means: Mapping[Key, MeanOfShots]

    @property
    def has_sfr(self) -> bool:
        """Whether any measured SFR is at hand."""
        return any(mean.sfr is not None for mean in self.means.values())

    def figure(self, key: Key) -> float:
        """Mean MTF50 of the shots in cycles per pixel."""
        return math.exp(self.means[key].log_mtf50)

    def in_unit(self, mtf50_cypx: float, unit: str) -> float:
        """A figure in cypx, lpmm or lwph; NaN where the camera's pixels don't tell it."""
        pitch_um, height_px = self.lens.pixel_pitch_um, self.lens.picture_height_px
        if unit == "lpmm":
            return lpmm_from_cypx(mtf50_cypx, pitch_um) if pitch_um else _NAN
        if unit == "lwph":
            return lwph_from_cypx(mtf50_cypx, height_px) if height_px else _NAN
        return mtf50_cypx


def lens_in_comparison(lens: SweepLens) -> LensInComparison:
    """Mean, uncertainty and SFR of a lens at every zone and setting, from the spread that its sweep had."""
    means: dict[Key, MeanOfShots] = {}
    for zone in ZONES:
        by_focal = zone_series(lens.shots, zone)
        spread = spread_of([series for _, series in by_focal.values()], lens.pixel_pitch_um)
        for settings, series in by_focal.values():
            middles, variances = spread.central_values(series), spread.variance_of_means(series)
            for place, setting in enumerate(settings):
                uncertainty = MeanUncertainty(variance=float(variances[place]), dof=spread.dof)
                means[zone, setting] = MeanOfShots(
                    log_mtf50=float(middles[place]),
                    shots=len(series.log_shots[place]),
                    uncertainty=uncertainty if spread.repeated else None,
                    sfr=_mean_sfr([shot for shot in lens.counted if shot.setting == setting], zone),
                )
    return LensInComparison(lens=lens, means=means)


def _mean_sfr(shots: Sequence[CountedShot], zone: str) -> FloatArray | None:
    curves = [shot.zones[zone].sfr for shot in shots if zone in shot.zones]
    if not all(curves):
        return None
    reach = min(RESPONSE_CYPX.size, *(len(sfr) for sfr in curves))
    mean = np.full(RESPONSE_CYPX.size, _NAN)
    mean[:reach] = np.mean([sfr[:reach] for sfr in curves], axis=0)
    return mean


def matching(setting: Setting, zone: str, lens: LensInComparison) -> Setting | None:
    """The setting of another lens at the same f-number and nearest focal length, within 3 %."""
    near = [other for other_zone, other in lens.means if other_zone == zone and other.matches(setting)]
    return min(
        near, key=lambda other: log_distance(other.focal_length_mm, setting.focal_length_mm), default=None
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LensPair:
    """Two lenses set side by side."""

    first: LensInComparison
    second: LensInComparison
    look: Viewing | None
    """None where a picture's size is not known."""
    rivals: Callable[[Setting, str], int]
    """How many lenses compete at a setting and zone: all their pairs share the 5 % risk."""
    all_rivals: int
    judged: bool = True
    """False where the two don't compare: then no interval is given."""

    @property
    def _height_px(self) -> int:
        return max(self.first.lens.picture_height_px or 1, self.second.lens.picture_height_px or 1)

    def _scales(self) -> tuple[float, float]:
        """What turns each lens's cycles per pixel into those of the larger picture."""
        heights = (self.first.lens.picture_height_px or 1, self.second.lens.picture_height_px or 1)
        return heights[0] / self._height_px, heights[1] / self._height_px

    def sight(self, keys: tuple[Key, Key], middles_cypx: tuple[float, float]) -> RulerReading | None:
        """The ruler at the SFR halfway between both lenses: each brought to their mean fineness, then averaged."""
        if self.look is None or not min(middles_cypx) > 0.0:
            return None
        own = [middle * scale for middle, scale in zip(middles_cypx, self._scales(), strict=True)]
        target = math.sqrt(own[0] * own[1])
        curves = []
        for lens, key, figure in zip((self.first, self.second), keys, middles_cypx, strict=True):
            sfr = lens.means[key].sfr if key in lens.means else None
            sfr = gaussian_response(figure) if sfr is None else sfr
            curves.append(np.interp(RESPONSE_CYPX, RESPONSE_CYPX * target / figure, sfr, right=_NAN))
        viewing = self.look.of_height(self._height_px)
        return ruler_reading(np.asarray(np.mean(curves, axis=0), np.float64), viewing=viewing)

    def picture_ratio(self) -> float:
        """What turns a ratio in cycles per pixel, second over first, into one per picture height."""
        scales = self._scales()
        return scales[1] / scales[0]

    def uncertainties(self, keys: tuple[Key, Key]) -> tuple[MeanUncertainty | None, MeanUncertainty | None]:
        """Of both means; None where the pair is not judged."""
        if not self.judged:
            return None, None
        return self.first.means[keys[0]].uncertainty, self.second.means[keys[1]].uncertainty


def _common_keys(pair: LensPair) -> list[tuple[Key, Key]]:
    """Every zone and setting that both lenses were photographed at, by setting and zone."""
    keys: list[tuple[Key, Key]] = []
    for zone, setting in pair.first.means:
        if match := matching(setting, zone, pair.second):
            keys.append(((zone, setting), (zone, match)))
    return sorted(keys, key=lambda both: (both[0][1].order, ZONES.index(both[0][0])))


def rows_of(pair: LensPair, *, unit: str) -> tuple[CompareRow, ...]:
    """A row for every zone and setting that both lenses were photographed at."""
    first, second = pair.first, pair.second
    rows = []
    for keys in _common_keys(pair):
        zone, setting = keys[0]
        middles = (first.figure(keys[0]), second.figure(keys[1]))
        rows.append(
            compare_row(
                setting,
                zone,
                (first.in_unit(middles[0], unit), second.in_unit(middles[1], unit)),
                (first.means[keys[0]].shots, second.means[keys[1]].shots),
                half_width=half_width(*pair.uncertainties(keys), rivals=pair.rivals(setting, zone)),
                sight=pair.sight(keys, middles),
                log_picture_ratio=math.log(middles[1] / middles[0] * pair.picture_ratio()),
            )
        )
    return tuple(rows)


def overall_row(pair: LensPair, *, unit: str) -> CompareRow | None:
    """The mean over all equal settings of the whole frame, each setting counting alike; None below two."""
    keys = [both for both in _common_keys(pair) if both[0][0] == "frame"]
    if len(keys) < 2:
        return None
    first, second = pair.first, pair.second
    uncertainties = [pair.uncertainties(both) for both in keys]
    middles = (
        math.exp(np.mean([first.means[own].log_mtf50 for own, _ in keys])),
        math.exp(np.mean([second.means[other].log_mtf50 for _, other in keys])),
    )
    return compare_row(
        None,
        "frame",
        (first.in_unit(middles[0], unit), second.in_unit(middles[1], unit)),
        (sum(first.means[own].shots for own, _ in keys), sum(second.means[other].shots for _, other in keys)),
        half_width=half_width(
            _of_mean([own for own, _ in uncertainties]),
            _of_mean([other for _, other in uncertainties]),
            rivals=pair.all_rivals,
        ),
        log_picture_ratio=math.log(middles[1] / middles[0] * pair.picture_ratio()),
    )


def _of_mean(uncertainties: Sequence[MeanUncertainty | None]) -> MeanUncertainty | None:
    """The uncertainty of the mean of independent settings whose spread was pooled."""
    known = [each for each in uncertainties if each is not None]
    if len(known) < len(uncertainties):
        return None
    total = sum(each.variance for each in known) / len(known) ** 2
    return MeanUncertainty(variance=total, dof=min(each.dof for each in known))


def best_row(pair: LensPair, *, unit: str) -> CompareRow | None:
    """The two lenses side by side, each at its own best setting, by the smoothed curves' values."""
    first, second = pair.first, pair.second
    if first.lens.best is None or second.lens.best is None:
        return None
    bests = (first.lens.best, second.lens.best)
    middles = (bests[0].mtf50_cypx, bests[1].mtf50_cypx)
    return compare_row(
        bests[0].setting,
        "frame",
        (first.in_unit(middles[0], unit), second.in_unit(middles[1], unit)),
        (first.lens.photographs, second.lens.photographs),
        half_width=math.hypot(_log_half(bests[0]), _log_half(bests[1])) if pair.judged else _NAN,
        sight=pair.sight((("frame", bests[0].setting), ("frame", bests[1].setting)), middles),
        log_picture_ratio=math.log(middles[1] / middles[0] * pair.picture_ratio()),
    )


def _log_half(best: BestOfSweep) -> float:
    return 0.5 * math.log(best.ci95_cypx[1] / best.ci95_cypx[0]) if best.ci95_cypx else _NAN
