"""The panel of SFR curves: one typical edge for each zone, at the best setting."""

import math
from collections.abc import Sequence

import numpy as np

from lensbench.records import ZONES, ChartEdge, ShotResult
from lensbench.report.clean import clean_text
from lensbench.report.field import shots_at
from lensbench.report.panels import Axis, Grid, Line, Panel
from lensbench.report.readings import NOT_MEASURED, f_stop, focal_length
from lensbench.shot.geometry import zone_of
from lensbench.study.findings import LensFindings, Setting, SweepShot

__all__ = ["response_panel"]

_NYQUIST_CYPX = 0.5
_QUARTERS = tuple((step / 4, f"{step / 4:g}") for step in range(5))


def response_panel(lens: LensFindings, shots: Sequence[SweepShot], *, key: str) -> Panel | None:
    """Give the SFR of the edge of middling sharpness in each zone, or None without one."""
    if lens.best is None:
        return None
    setting = Setting(focal_length_mm=lens.best.focal_length_mm, f_number=lens.best.f_number)
    results = shots_at(lens, setting, shots)
    chosen = _typical_edges(results[0]) if results else {}
    return _panel(setting, chosen, key=key) if chosen else None


def _typical_edges(result: ShotResult) -> dict[str, ChartEdge]:
    zones: dict[str, list[ChartEdge]] = {zone: [] for zone in ZONES}
    for edge in result.edges:
        if edge.edge.measured and edge.edge.frequency_cypx.size > 1:
            zones[zone_of(edge.image_height)].append(edge)
    ordered = {
        zone: sorted(edges, key=lambda edge: edge.edge.mtf50_cypx) for zone, edges in zones.items() if edges
    }
    return {zone: edges[len(edges) // 2] for zone, edges in ordered.items()}


def _panel(setting: Setting, chosen: dict[str, ChartEdge], *, key: str) -> Panel:
    name = f"{focal_length(setting.focal_length_mm)}, {f_stop(setting.f_number)}"
    places = ", ".join(
        f"{zone}: target {clean_text(edge.target)}, {edge.direction.value}" for zone, edge in chosen.items()
    )
    tenths = [step / 10 for step in range(12)]
    return Panel(
        key=f"{key}-response",
        title=f"{name}: how contrast falls with finer detail",
        about=f"SFR of the edge of middling sharpness in each zone of one shot ({places}). "
        "MTF50 is where a curve crosses one half.",
        across=Axis(
            title="spatial frequency, cycles/pixel",
            low=0.0,
            high=_NYQUIST_CYPX,
            ticks=tuple((tenth, f"{tenth:g}") for tenth in tenths[:6]),
        ),
        up=Axis(title="contrast (SFR)", low=0.0, high=1.1, ticks=_QUARTERS),
        up_right=None,
        level=0.5,
        lines=tuple(Line(name=zone, role=zone, path=_path(edge)) for zone, edge in chosen.items()),
        grid=_grid(chosen),
    )


def _path(chart_edge: ChartEdge) -> tuple[tuple[float, float], ...]:
    edge = chart_edge.edge
    shown = (edge.frequency_cypx <= _NYQUIST_CYPX) & np.isfinite(edge.sfr)
    pairs = zip(edge.frequency_cypx[shown].tolist(), edge.sfr[shown].tolist(), strict=True)
    return tuple((frequency, min(max(value, 0.0), 1.1)) for frequency, value in pairs)


def _grid(chosen: dict[str, ChartEdge]) -> Grid:
    steps = [step / 20 for step in range(11)]
    columns = {
        zone: np.interp(steps, edge.edge.frequency_cypx, edge.edge.sfr, right=np.nan)
        for zone, edge in chosen.items()
    }
    rows = tuple(
        (f"{step:.2f}", *(_text(float(column[row])) for column in columns.values()))
        for row, step in enumerate(steps)
    )
    return Grid(caption="SFR at round frequencies", header=("cycles/pixel", *columns), rows=rows)


def _text(value: float) -> str:
    return f"{value:.3f}" if math.isfinite(value) else NOT_MEASURED
