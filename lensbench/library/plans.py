"""Records of a picture's plan: what each lens does at each stop, where to focus, and whether one frame serves."""

from dataclasses import dataclass

from lensbench.library.answers import LeftOut
from lensbench.library.bracket import Bracket
from lensbench.library.scene import Wanted

__all__ = ["Figure", "LensPlan", "PicturePlan", "StopPlan"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """A predicted MTF50, with what the measurement and, by hand, the shake leave open."""

    mtf50_cypx: float
    range_cypx: tuple[float, float]
    """95 % interval of the measured curve, joined with the model's own error out of focus and, by hand, with twice
    and half the usual shake; NaN where the spread between shots is not known."""
    own_sd: float
    """Of the figure's logarithm, without the shake, which all lenses share."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StopPlan:
    """One stop before the scene."""

    f_number: float
    at_focus: Figure
    at_near: Figure
    at_far: Figure
    disc_px: float
    """Defocus disc at the near and far limit."""
    shake_px: float
    """Usual blur of hands."""
    exposure_s: float | None
    iso: float | None
    snr: float
    """Of an edge like the chart's, at this ISO; NaN where it is not known."""
    dark_by_stops: float
    """Light that is missing; such a stop is not chosen."""

    @property
    def worst(self) -> Figure:
        """The softer of both limits."""
        return min((self.at_near, self.at_far), key=lambda one: one.mtf50_cypx)


@dataclass(frozen=True, slots=True, kw_only=True)
class LensPlan:
    """One lens before the scene."""

    lens: str
    camera: str
    session: str
    measured_at_mm: tuple[float, ...]
    best: StopPlan
    """The compromise: the stop that is sharpest where it is softest, between near and far."""
    as_good_f_numbers: tuple[float, ...]
    """Stops within 3 % of it."""
    best_tested: bool
    """The compromise lies at the first or last stop tested."""
    sweet_spot_f_number: float
    """Where the lens is sharpest in focus, whatever depth and light ask for."""
    sweet_spot_cypx: float
    focus_cost_percent: float
    """What the compromise costs at the plane of focus, against the sweet spot in focus."""
    limit_cost_percent: float
    """The same at the softer limit."""
    one_frame_serves: bool
    """The softer limit keeps at least 80 % of the sweet spot."""
    bracket: Bracket | None
    """At the sweet spot, where one frame does not serve."""
    worst_lwph: float
    worst_lpmm: float
    stops: tuple[StopPlan, ...]
    tied: bool
    behind_percent: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PicturePlan:
    """The answer to a picture that is wanted."""

    answer: str
    wanted: Wanted
    focus_m: float
    """From the sensor; the same at every stop."""
    third_m: float
    """Where the one-third habit would focus, NaN for an infinite far limit."""
    unit: str
    lenses: tuple[LensPlan, ...]
    """Sharpest at its softest place first."""
    left_out: tuple[LeftOut, ...]
    cautions: tuple[str, ...]
