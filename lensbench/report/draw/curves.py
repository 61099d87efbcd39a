"""Plot of a sweep as data: SFR of typical edges."""

from collections.abc import Sequence
from typing import Final

import numpy as np

from lensbench.model.setting import f_stop, focal_length
from lensbench.model.shot import ZONES, ChartEdge, Edge, ShotResult
from lensbench.model.sweep import LensFindings, SweepShot
from lensbench.report.draw.panels import Axis, Line, Panel
from lensbench.report.text.words import Grid, borne, shots_at, worded
from lensbench.shot import zone_of
from lensbench.storage.text import clean_text

_NYQUIST_CYPX: Final = 0.5
_HIGHEST_SFR: Final = 1.1


def response_panel(lens: LensFindings, shots: Sequence[SweepShot], *, key: str) -> Panel | None:
    """SFR of the edge of middling sharpness in each zone, or None without one."""
    if lens.best is None:
        return None
    results = shots_at(lens, lens.best, shots)
    chosen = _typical_edges(results[0]) if results else {}
    if not chosen:
        return None
    name = f"{focal_length(lens.best.focal_length_mm)}, {f_stop(lens.best.f_number)}"
    places = ", ".join(
        f"{zone}: target {clean_text(edge.target)}, {edge.direction.value}" for zone, edge in chosen.items()
    )
    frequencies_cypx = [step / 20 for step in range(11)]
    columns = [_sfr_cells(edge.edge, frequencies_cypx) for edge in chosen.values()]
    return Panel(
        key=f"{key}-response",
        title=f"{name}: how contrast falls with finer detail",
        about=worded("plots.response", places=places),
        across=Axis.around(
            "spatial frequency, cycles/pixel",
            ((step / 10, f"{step / 10:g}") for step in range(6)),
            margin=0.0,
        ),
        up=Axis(
            title="contrast (SFR)",
            low=0.0,
            high=_HIGHEST_SFR,
            ticks=tuple((step / 4, f"{step / 4:g}") for step in range(5)),
        ),
        level=0.5,
        lines=tuple(Line(name=zone, role=zone, path=_path(edge)) for zone, edge in chosen.items()),
        grid=Grid(
            caption="SFR at round frequencies",
            header=("cycles/pixel", *chosen),
            rows=tuple(
                (f"{frequency_cypx:.2f}", *row)
                for frequency_cypx, row in zip(frequencies_cypx, zip(*columns, strict=True), strict=True)
            ),
        ),
    )


def _sfr_cells(edge: Edge, at_cypx: Sequence[float]) -> list[str]:
    """SFR at these frequencies, each in the digits that its sd bears."""
    known_sd = edge.sfr_sd if edge.sfr_sd.size else np.full(edge.sfr.size, np.nan)
    sfr, sd = (np.interp(at_cypx, edge.frequency_cypx, of, right=np.nan) for of in (edge.sfr, known_sd))
    return [borne(value, spread, 3) for value, spread in zip(sfr.tolist(), sd.tolist(), strict=True)]


def _typical_edges(result: ShotResult) -> dict[str, ChartEdge]:
    zones: dict[str, list[ChartEdge]] = {zone: [] for zone in ZONES}
    for edge in result.edges:
        if edge.edge.measured and edge.edge.frequency_cypx.size > 1:
            zones[zone_of(edge.image_height, result.size_px)].append(edge)
    return {
        zone: sorted(edges, key=lambda edge: edge.edge.mtf50_cypx)[len(edges) // 2]
        for zone, edges in zones.items()
        if edges
    }


def _path(chart_edge: ChartEdge) -> tuple[tuple[float, float], ...]:
    edge = chart_edge.edge
    shown = (edge.frequency_cypx <= _NYQUIST_CYPX) & np.isfinite(edge.sfr)
    sfr = edge.sfr[shown].clip(0.0, _HIGHEST_SFR)
    return tuple(zip(edge.frequency_cypx[shown].tolist(), sfr.tolist(), strict=True))
