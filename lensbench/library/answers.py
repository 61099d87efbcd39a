"""Records of an advice: which lens, which stop, who can't answer and why."""

from dataclasses import dataclass

from lensbench.library.kept import KeptSession

__all__ = ["Advice", "LeftOut", "LensAdvice", "left_out"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LensAdvice:
    """One lens at the stop asked for, or at its own best."""

    lens: str
    camera: str
    session: str
    measured_at_mm: tuple[float, ...]
    """One focal length, or the two between which the figure is mixed."""
    f_number: float
    as_good_f_numbers: tuple[float, ...]
    """Stops of this lens within the indifference of its best; only the one asked for where one was."""
    best_tested: bool
    """Its best lies at the first or last stop tested."""
    mtf50_cypx: float
    ci95_cypx: tuple[float, float]
    mtf50_lpmm: float
    mtf50_lwph: float
    shots: int
    """Refocused shots at this stop; 0 where neighbouring stops stand in."""
    tied: bool
    """The best, or can't be told from it at 95 %, or within 3 % of it."""
    behind_percent: float
    behind_ci95_percent: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    """A lens that can't answer, and why."""

    lens: str
    camera: str
    session: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """The answer to «which lens, which stop»."""

    answer: str
    focal_length_mm: float
    f_number: float | None
    """Asked for; None where each lens stands at its own best."""
    zone: str
    unit: str
    """In which the lenses are ordered: cypx on like sensors, else lwph, or lpmm where sizes are unknown."""
    lenses: tuple[LensAdvice, ...]
    """Best first."""
    left_out: tuple[LeftOut, ...]
    cautions: tuple[str, ...]


def left_out(session: KeptSession, reason: str) -> LeftOut:
    """Name a lens that can't answer."""
    return LeftOut(lens=session.lens, camera=session.camera, session=session.session, reason=reason)
