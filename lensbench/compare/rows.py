"""The rows of a comparison: two lenses at equal focal length, f-number and zone, in figures and as an eye would see it.

Means of refocused shots are compared, never the best of several: the best of many beats the best of few by luck alone.
"""

import math
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from lensbench.compare.difference import FOCAL_MATCH, apart, compared
from lensbench.edge import RESPONSE_CYPX, RulerReading, Viewing, gaussian_response, ruler_reading
from lensbench.model.compare import CompareRow
from lensbench.model.shot import ZONES
from lensbench.model.sweep import Setting
from lensbench.model.units import FloatArray, lpmm_from_cypx, lwph_from_cypx
from lensbench.stats import MeanUncertainty, ZoneSeries, half_width, shot_spread
from lensbench.sweep import BestRead, SweepLens, read_responses

__all__ = ["Contender", "Pairing", "best_row", "contender", "matching", "overall_row", "rows_of"]


_NAN: Final = float("nan")
_ANYWHERE: Final = Setting(focal_length_mm=_NAN, f_number=_NAN)

Key = tuple[str, Setting]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Contender:
    """One lens that is compared, with what its shots tell of their spread and of their SFR."""

    lens: SweepLens
    doubts: Mapping[Key, MeanUncertainty]
    """Of the mean log MTF50; nothing for zones without any repeat."""
    responses: Mapping[Key, FloatArray]
    """Mean SFR; empty where the sweep left none."""

    def figure(self, key: Key, unit: str) -> float:
        """Give the mean MTF50 of the shots."""
        return self.in_unit(float(np.exp(np.mean(self.lens.shots[key]))), unit)

    def in_unit(self, mtf50_cypx: float, unit: str) -> float:
        """Give a figure in cypx, lpmm or lwph; NaN where the camera's pixels don't tell it."""
        pitch_um, height_px = self.lens.pixel_pitch_um, self.lens.picture_height_px
        if unit == "lpmm":
            return lpmm_from_cypx(mtf50_cypx, pitch_um) if pitch_um else _NAN
        if unit == "lwph":
            return lwph_from_cypx(mtf50_cypx, height_px) if height_px else _NAN
        return mtf50_cypx


def contender(lens: SweepLens) -> Contender:
    """Take a lens as its sweep left it.

    Raises
    ------
    SweepError
        The SFR beside the sweep is damaged.
    """
    return Contender(lens=lens, doubts=_doubts(lens), responses=_responses(lens))


def _doubts(lens: SweepLens) -> dict[Key, MeanUncertainty]:
    """Give the variance of the mean at each zone and setting; nothing for zones without any repeat."""
    doubts: dict[Key, MeanUncertainty] = {}
    for zone in ZONES:
        names = sorted((one for own, one in lens.shots if own == zone), key=lambda one: one.f_number)
        if not names:
            continue
        series = ZoneSeries(
            f_number=np.array([name.f_number for name in names]),
            log_shots=tuple(lens.shots[zone, name] for name in names),
        )
        if spread := shot_spread([series]):
            for name, variance in zip(names, spread.variance_of_means(series), strict=True):
                doubts[zone, name] = MeanUncertainty(variance=float(variance), dof=spread.dof)
    return doubts


def _responses(lens: SweepLens) -> dict[Key, FloatArray]:
    by_file = read_responses(lens.folder / "responses.csv")
    settings = {(one.focal_length_mm, one.f_number): one for _, one in lens.shots}
    curves: dict[Key, list[FloatArray]] = defaultdict(list)
    for row in lens.rows:
        setting = settings.get((_number(row["focal_length_mm"]), _number(row["f_number"])))
        for zone in ZONES if setting else ():
            if setting and (row["file"], zone) in by_file:
                curves[zone, setting].append(by_file[row["file"], zone])
    return {key: np.asarray(np.mean(found, axis=0), np.float64) for key, found in curves.items()}


def _number(cell: str) -> float:
    try:
        return float(cell)
    except ValueError:
        return _NAN


def matching(setting: Setting, zone: str, lens: SweepLens) -> Setting | None:
    """Find the setting of another lens at the same f-number and nearest focal length, within 3 %."""
    near = [
        (apart(setting.focal_length_mm, other.focal_length_mm), other)
        for other_zone, other in lens.shots
        if other_zone == zone and other.f_number == setting.f_number
    ]
    close = [(far, other) for far, other in near if far <= FOCAL_MATCH]
    return min(close, key=lambda pair: pair[0])[1] if close else None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pairing:
    """Two lenses set side by side."""

    first: Contender
    second: Contender
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

    def _viewing(self) -> Viewing | None:
        return self.look.of_height(self._height_px) if self.look else None

    def _scales(self) -> tuple[float, float]:
        """Give what turns each lens's cycles per pixel into those of the larger picture."""
        heights = (self.first.lens.picture_height_px or 1, self.second.lens.picture_height_px or 1)
        return heights[0] / self._height_px, heights[1] / self._height_px

    def sight(self, key: Key, other: Key, middles_cypx: tuple[float, float]) -> RulerReading | None:
        """Read the SFR halfway between both lenses on the ruler: each brought to their mean fineness, then averaged."""
        viewing = self._viewing()
        if viewing is None or not min(middles_cypx) > 0.0:
            return None
        scales = self._scales()
        own = [middle * scale for middle, scale in zip(middles_cypx, scales, strict=True)]
        target = math.sqrt(own[0] * own[1])
        curves = []
        for one, at, figure in ((self.first, key, middles_cypx[0]), (self.second, other, middles_cypx[1])):
            sfr = one.responses.get(at)
            sfr = gaussian_response(figure) if sfr is None else sfr
            curves.append(np.interp(RESPONSE_CYPX, RESPONSE_CYPX * target / figure, sfr, right=_NAN))
        return ruler_reading(np.asarray(np.mean(curves, axis=0), np.float64), viewing=viewing)

    def picture_ratio(self) -> float:
        """Give what turns a ratio in cycles per pixel, second over first, into one per picture height."""
        scales = self._scales()
        return scales[1] / scales[0]


def rows_of(pairing: Pairing, *, unit: str) -> tuple[CompareRow, ...]:
    """Give a row for every zone and setting that both lenses were photographed at."""
    first, second = pairing.first, pairing.second
    rows = []
    for zone, setting in first.lens.shots:
        match = matching(setting, zone, second.lens)
        if match is None:
            continue
        keys = ((zone, setting), (zone, match))
        doubts = (first.doubts.get(keys[0]), second.doubts.get(keys[1])) if pairing.judged else (None, None)
        middles = (first.figure(keys[0], "cypx"), second.figure(keys[1], "cypx"))
        rows.append(
            compared(
                setting,
                zone,
                (first.in_unit(middles[0], unit), second.in_unit(middles[1], unit)),
                (len(first.lens.shots[keys[0]]), len(second.lens.shots[keys[1]])),
                half_width=half_width(*doubts, rivals=pairing.rivals(setting, zone)),
                sight=pairing.sight(*keys, middles),
                log_picture_ratio=math.log(middles[1] / middles[0] * pairing.picture_ratio()),
            )
        )
    return tuple(sorted(rows, key=lambda row: (row.focal_length_mm, row.f_number, ZONES.index(row.zone))))


def overall_row(pairing: Pairing, rows: Sequence[CompareRow], *, unit: str) -> CompareRow | None:
    """Give the mean over all equal settings of the whole frame, each setting counting alike; None below two."""
    frame = [row for row in rows if row.zone == "frame"]
    if len(frame) < 2:
        return None
    first, second = pairing.first, pairing.second
    keys = [_keys(pairing, row) for row in frame]
    halves = half_width(
        _mean_doubt([first.doubts.get(key) for key, _ in keys]) if pairing.judged else None,
        _mean_doubt([second.doubts.get(other) for _, other in keys]) if pairing.judged else None,
        rivals=pairing.all_rivals,
    )
    figures = tuple(
        float(np.exp(np.mean([np.log(getattr(row, role)) for row in frame]))) for role in ("first", "second")
    )
    ratio = math.log(figures[1] / figures[0]) + math.log(_to_picture(pairing, unit))
    return compared(
        _ANYWHERE,
        "frame",
        (figures[0], figures[1]),
        (sum(row.first_shots for row in frame), sum(row.second_shots for row in frame)),
        half_width=halves,
        sight=None,
        log_picture_ratio=ratio,
    )


def _to_picture(pairing: Pairing, unit: str) -> float:
    """Give what turns a ratio in a unit, second over first, into one per picture height."""
    ones = (pairing.first.in_unit(1.0, unit), pairing.second.in_unit(1.0, unit))
    return pairing.picture_ratio() * ones[0] / ones[1]


def _keys(pairing: Pairing, row: CompareRow) -> tuple[Key, Key]:
    setting = next(
        one
        for zone, one in pairing.first.lens.shots
        if zone == row.zone
        and one.f_number == row.f_number
        and apart(one.focal_length_mm, row.focal_length_mm) == 0.0
    )
    match = matching(setting, row.zone, pairing.second.lens) or setting
    return (row.zone, setting), (row.zone, match)


def _mean_doubt(doubts: Sequence[MeanUncertainty | None]) -> MeanUncertainty | None:
    """Give the doubt of the mean of independent settings whose spread was pooled."""
    known = [one for one in doubts if one is not None]
    if len(known) < len(doubts) or not known:
        return None
    total = sum(one.variance for one in known) / len(known) ** 2
    return MeanUncertainty(variance=total, dof=min(one.dof for one in known))


def best_row(pairing: Pairing, *, unit: str) -> CompareRow | None:
    """Set the two lenses side by side, each at its own best setting, by the smoothed curves' values."""
    first, second = pairing.first, pairing.second
    if first.lens.best is None or second.lens.best is None:
        return None
    bests = (first.lens.best, second.lens.best)
    middles = (bests[0].mtf50_cypx, bests[1].mtf50_cypx)
    keys = (("frame", bests[0].setting), ("frame", bests[1].setting))
    half = math.hypot(_log_half(bests[0]), _log_half(bests[1])) if pairing.judged else _NAN
    return compared(
        bests[0].setting,
        "frame",
        (first.in_unit(middles[0], unit), second.in_unit(middles[1], unit)),
        (first.lens.photographs, second.lens.photographs),
        half_width=half,
        sight=pairing.sight(*keys, middles),
        log_picture_ratio=math.log(middles[1] / middles[0] * pairing.picture_ratio()),
    )


def _log_half(best: BestRead) -> float:
    low, high = best.ci95_cypx
    return 0.5 * math.log(high / low) if high > low > 0.0 else _NAN
