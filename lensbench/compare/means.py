"""What a lens is known to do at every zone and setting, in which unit lenses meet, and how well a set-up repeats.

Means of refocused shots are compared, never the best of several: the best of many beats the best of few by luck alone.
The whole frame competes only where all of its thirds were measured.

Refocused shots of one set-up never show what mounting, aiming, framing and light do, though it stands between any two
lenses. Where a lens was set up twice, the difference of its two sweeps beyond their shots' scatter tells it; that
variance is drawn towards the assumed one, as though the assumed had been seen twice. A fixed part does not stray, so
the sum is known better than its few terms (Smyth's moderated variance with a prior that is fixed; see `stats.spread`).
Where none was set up twice, intervals hold for the assumed error as it is stated; «sharper» has to hold even where
set-ups repeat half as well. It is told of lenses, by the means over all set-ups of each.

Frames that nothing shows to have been focused anew may share an error of focus: it is part of their mean's variance.
"""

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from lensbench.edge import RESPONSE_CYPX
from lensbench.model.compare import Caution
from lensbench.model.errors import Note
from lensbench.model.measured import CountedShot, MeasuredLens
from lensbench.model.setting import Setting, log_distance
from lensbench.model.shot import ZONES
from lensbench.model.units import FloatArray, lpmm_from_cypx, lwph_from_cypx
from lensbench.stats import FRAME_FIELD_UM, THIRD_FIELD_UM, Uncertainty, pooled_dof, spread_of, unseen_focus
from lensbench.sweep import zone_series

Key = tuple[str, Setting]  # a zone and a setting
SET_UP_SD: Final = 0.015
"""How well MTF50 repeats, as a share, when a lens is mounted, aimed, framed and lit anew. Common practice, no
source."""
_ALIKE: Final = 0.01  # share by which pixel pitches and picture heights of like sensors may differ
_WORTH: Final = 2.0  # set-ups seen twice that the assumed error is worth, beside those that were
_MOST_TIMES: Final = 2.0  # as badly as assumed set-ups may repeat before a lens is falsely called sharper


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MeanOfShots:
    """One zone at one setting."""

    log_mtf50: float  # middle of the refocused shots, as the sweep has it
    log_shots: tuple[float, ...]
    uncertainty: Uncertainty | None  # within one set-up; None where nothing was repeated
    sfr: FloatArray | None  # mean at `RESPONSE_CYPX`; None where a shot has none
    unseen_focus: float = 0.0  # variance that one focus for all of its shots would add

    @property
    def doubt(self) -> Uncertainty | None:
        """The uncertainty, and the focus that its shots may have shared, where nothing shows that they did not."""
        within = self.uncertainty
        if within is None:
            return None
        variances = within.variance, self.unseen_focus
        return Uncertainty(variance=sum(variances), dof=pooled_dof(variances, (within.dof, math.inf)))

    @property
    def shots(self) -> int:
        """How many count."""
        return len(self.log_shots)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LensInComparison:
    """One lens that is compared, in one set-up."""

    lens: MeasuredLens
    means: Mapping[Key, MeanOfShots]

    @property
    def name(self) -> tuple[str, str, bool]:
        """Lens, camera and kind of file: set-ups of one lens have it in common."""
        return self.lens.lens, self.lens.camera, self.lens.sensor_data

    def matching(self, zone: str, setting: Setting) -> Setting | None:
        """Its own setting at the same f-number and the nearest focal length within 3 %; None without."""
        near = [own for own_zone, own in self.means if own_zone == zone and own.matches(setting)]
        focal = setting.focal_length_mm
        return min(near, key=lambda own: log_distance(own.focal_length_mm, focal), default=None)


def lens_in_comparison(lens: MeasuredLens) -> LensInComparison:
    """Mean, uncertainty and SFR of a lens at every zone and setting, from the spread that its sweep had."""
    means: dict[Key, MeanOfShots] = {}
    for zone in ZONES:
        by_focal = zone_series(lens.shots, zone)
        spread = spread_of([series for _, series in by_focal.values()], lens.pixel_pitch_um)
        for settings, series in by_focal.values():
            middles, variances = series.means, spread.variance_of_means(series)
            field_um = FRAME_FIELD_UM if zone == "frame" else THIRD_FIELD_UM
            unseen = unseen_focus(series, spread, lens.pixel_pitch_um, field_um=field_um)
            for index, setting in enumerate(settings):
                uncertainty = Uncertainty(variance=float(variances[index]), dof=spread.dof)
                means[zone, setting] = MeanOfShots(
                    log_mtf50=float(middles[index]),
                    log_shots=tuple(series.log_shots[index].tolist()),
                    uncertainty=uncertainty if spread.repeated else None,
                    unseen_focus=float(unseen[index]),
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


def like_sensors(lenses: Sequence[MeasuredLens]) -> bool:
    """Whether a cycle a pixel means the same on all: one pitch and size, or one camera."""
    heights = [lens.picture_height_px for lens in lenses]
    if len({lens.camera for lens in lenses}) <= 1 and len(set(heights)) <= 1:
        return True
    return _alike(heights) and _alike([lens.pixel_pitch_um for lens in lenses])


def _alike(values: Sequence[float | None]) -> bool:
    known = [value for value in values if value]
    return len(known) == len(values) and max(known) <= (1.0 + _ALIKE) * min(known)


def common_unit(lenses: Sequence[MeasuredLens]) -> str:
    """Unit in which lenses are set side by side: cypx, lwph or lpmm.

    On unlike sensors it is line widths per picture height, for a picture is what is wanted.
    """
    if like_sensors(lenses):
        return "cypx"
    return "lwph" if all(lens.picture_height_px for lens in lenses) else "lpmm"


def in_unit(mtf50_cypx: float, lens: MeasuredLens, unit: str) -> float:
    """Figure in a unit, NaN where the camera's pixels don't tell it."""
    if unit == "cypx":
        return mtf50_cypx
    height_px, pitch_um = lens.picture_height_px, lens.pixel_pitch_um
    if unit == "lwph":
        return lwph_from_cypx(mtf50_cypx, height_px) if height_px else math.nan
    return lpmm_from_cypx(mtf50_cypx, pitch_um) if pitch_um else math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class SetUp:
    """How well a set-up repeats; every lens's figure strays by it."""

    sd: float = SET_UP_SD  # as a share of MTF50
    repeats: int = 0  # set-ups beyond a lens's first that told it; 0 where it is assumed
    most_sd: float = _MOST_TIMES * SET_UP_SD  # the same, had they been assumed to repeat that badly

    @property
    def note(self) -> Note:
        """What the intervals allow for, and whether it is assumed."""
        return Note(Caution.SET_UP_FOUND if self.repeats else Caution.SET_UP_ASSUMED, (100.0 * self.sd,))

    @property
    def _dof(self) -> float:
        """Degrees of freedom of the difference of two lenses' set-ups, that rest on one estimate."""
        return (_WORTH + self.repeats) ** 2 / self.repeats if self.repeats else math.inf

    def beside(self, within: Uncertainty, *, at_worst: bool = False) -> Uncertainty:
        """The uncertainty of a lens's figure, its set-up's error included: the stated one, or for calling it softer."""
        variance, dof = (self.most_sd if at_worst else self.sd) ** 2, 0.5 * self._dof  # each lens bears half
        return Uncertainty(
            variance=within.variance + variance,
            dof=pooled_dof((within.variance, variance), (within.dof, dof)),
        )

    def between(self, *set_ups: int) -> Uncertainty:
        """Of two lenses' log ratio, by so many set-ups of each, for calling one of them sharper."""
        return Uncertainty(variance=sum(self.most_sd**2 / count for count in set_ups), dof=self._dof)


def set_up_of(sweeps: Iterable[LensInComparison]) -> SetUp:
    """How well a set-up repeats, from lenses that stand among these more than once on one camera."""
    set_ups: dict[tuple[str, str, bool], list[Mapping[Key, MeanOfShots]]] = defaultdict(list)
    for sweep in sweeps:
        set_ups[sweep.name].append(sweep.means)
    square, repeats = 0.0, 0
    for own in set_ups.values():
        shared = [key for key in own[0] if all(_is_known(means, key) for means in own)]
        if len(own) > 1 and shared:
            excess = np.mean([_beyond_scatter([means[key] for means in own]) for key in shared])
            square += (len(own) - 1) * max(float(excess), 0.0)
            repeats += len(own) - 1
    sds = [
        math.sqrt((_WORTH * (times * SET_UP_SD) ** 2 + square) / (_WORTH + repeats))
        for times in (1.0, _MOST_TIMES)
    ]
    return SetUp(sd=sds[0], repeats=repeats, most_sd=sds[1])


def over_set_ups(set_ups: Sequence[LensInComparison], keys: Sequence[Key]) -> tuple[list[MeanOfShots], int]:
    """Means of a lens over those of its set-ups that tell of all these, as its first does, and how many they are."""
    found = [
        [own.means[zone, match] if (match := own.matching(zone, setting)) else None for zone, setting in keys]
        for own in set_ups
    ]
    whole = [means for means in found if all(mean and mean.uncertainty for mean in means)]
    return [_together([mean for mean in at if mean]) for at in zip(*whole, strict=True)], len(whole)


def _together(means: Sequence[MeanOfShots]) -> MeanOfShots:
    """One lens at one zone and setting, over several set-ups."""
    uncertainties = [mean.uncertainty for mean in means if mean.uncertainty]
    variances, dofs = [own.variance for own in uncertainties], [own.dof for own in uncertainties]
    count = len(means)
    return MeanOfShots(
        log_mtf50=float(np.mean([mean.log_mtf50 for mean in means])),
        log_shots=(),
        uncertainty=Uncertainty(variance=sum(variances) / count**2, dof=pooled_dof(variances, dofs)),
        sfr=None,
        unseen_focus=sum(mean.unseen_focus for mean in means) / count**2,
    )


def _is_known(means: Mapping[Key, MeanOfShots], key: Key) -> bool:
    return key in means and means[key].uncertainty is not None


def _beyond_scatter(means: Sequence[MeanOfShots]) -> float:
    """Variance between set-ups of one setting and zone, less what the shots' scatter accounts for."""
    scatter = np.mean([mean.uncertainty.variance for mean in means if mean.uncertainty])
    return float(np.var([mean.log_mtf50 for mean in means], ddof=1) - scatter)
