"""The tables of a decision: what to set for which picture, and which zoom position at which stop."""

from collections.abc import Sequence

from lensbench.report.panels import Grid
from lensbench.report.readings import NOT_MEASURED, f_stop, focal_length, with_interval
from lensbench.study.findings import BestSetting, LensFindings

__all__ = ["purposes_grid", "zoom_stops_grid"]

_ENOUGH = "Stops that surely keep 95, 90 or 80 % of the MTF50 at the best one; below, where more of them probably do."


def purposes_grid(lens: LensFindings) -> Grid | None:
    """Give a row for every purpose and focal length; None where only one stop was tested, or no best one named."""
    focals = [focal for focal in lens.by_focal_length if len({point.f_number for point in focal.curve}) > 1]
    bests = [(focal.focal_length_mm, best) for focal in focals for best in focal.best_by_purpose.values()]
    if not bests:
        return None
    levels = [f"{one.level_percent:.0f} % of the best" for one in bests[0][1].sharp_enough]
    ruled = any(best.take_rule != "best" for _, best in bests)
    return Grid(
        caption=f"{_ENOUGH} {_weights(lens)}".strip(),
        header=("picture", "focal length", "best stop", "as good", *(["take"] if ruled else []), *levels),
        rows=tuple(_purpose_row(focal_mm, best, ruled=ruled) for focal_mm, best in bests),
    )


def _weights(lens: LensFindings) -> str:
    told = [f"{purpose}: {weights}" for purpose, weights in lens.purposes.items()]
    return f"What counts: {'; '.join(told)}." if told else ""


def _purpose_row(focal_mm: float, best: BestSetting, *, ruled: bool) -> tuple[str, ...]:
    others = [f_stop(one.f_number) for one in best.tied if one.f_number != best.f_number]
    take = f_stop(best.take.f_number) if best.take else NOT_MEASURED
    enough = [_runs(one.surely, one.probably) for one in best.sharp_enough]
    stop = f_stop(best.f_number) + ("\nbest tested" if best.at_border else "")
    return (
        best.zone,
        focal_length(focal_mm),
        stop,
        ", ".join(others) or NOT_MEASURED,
        *([take] if ruled else []),
        *enough,
    )


def _runs(surely: Sequence[float], probably: Sequence[float]) -> str:
    """Give the sure run, and below it the probable one where that is wider."""
    if not surely:
        return f"{NOT_MEASURED}\nprobably {_run(probably)}" if probably else NOT_MEASURED
    wider = f"\nprobably {_run(probably)}" if len(probably) > len(surely) else ""
    return f"{_run(surely)}{wider}"


def _run(stops: Sequence[float]) -> str:
    return f_stop(stops[0]) if len(stops) == 1 else f"{f_stop(stops[0])} to {f_stop(stops[-1])}"


def zoom_stops_grid(lens: LensFindings) -> Grid | None:
    """Give a row for each position at its own best stop, and for every stop shared by two or more positions."""
    rows = [("each at its own best", lens.zoom_at_own_best)] if lens.zoom_at_own_best else []
    rows += [(f_stop(one.f_number), one) for one in lens.zoom_at_equal_stop]
    if not rows:
        return None
    provisional = any(best.provisional for _, best in rows if best)
    caption = "The whole frame, MTF50 in cycles/pixel, 95 % interval below"
    return Grid(
        caption=f"{caption}{'; provisional' if provisional else ''}",
        header=("stop", "sharpest position", "as good", "MTF50"),
        rows=tuple(_zoom_row(name, best) for name, best in rows if best),
    )


def _zoom_row(name: str, best: BestSetting) -> tuple[str, ...]:
    others = sorted({one.focal_length_mm for one in best.tied} - {best.focal_length_mm})
    return (
        name,
        focal_length(best.focal_length_mm),
        ", ".join(focal_length(one) for one in others) or NOT_MEASURED,
        with_interval(best.mtf50_cypx, best.ci95_cypx),
    )
