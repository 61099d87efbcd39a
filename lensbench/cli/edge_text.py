"""What `lensbench edge` says of the edges it measured."""

from collections.abc import Sequence
from math import isfinite
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from lensbench.edge import Viewing
    from lensbench.records import Edge

__all__ = ["edge_lines", "look_in_words"]


def edge_lines(
    name: str,
    edges: "Sequence[Edge]",
    *,
    dpi: float | None,
    viewing: "Viewing | None",
    at_lpmm: Sequence[float],
    pitch_um: float | None,
) -> list[str]:
    """Give the lines of the answer: every edge with its figures and its flags."""
    lines = [f"{name}: {len(edges)} edge{'s' if len(edges) != 1 else ''}, sharpness in cycles per pixel"]
    for one in edges:
        where = f"  region {one.roi}, {one.channel}"
        if one.measured:
            lines.append(f"{where}: {_figures(one, dpi)}")
            further = [_curve(one), _at(one, at_lpmm, pitch_um), _look(one, viewing), _blur(one)]
            lines += [f"    {sentence}" for sentence in further if sentence]
        else:
            lines.append(f"{where}: not measured")
        lines += [f"    {flag.message}. {flag.advice[:1].upper()}{flag.advice[1:]}." for flag in one.flags]
    return lines


def look_in_words(viewing: "Viewing") -> str:
    """Name a way of looking at a picture."""
    return f"A print {viewing.print_height_mm:g} mm high, seen from {viewing.distance_mm:g} mm"


def _figures(one: "Edge", dpi: float | None) -> str:
    on_paper = "" if dpi is None else f" ({one.rise_10_90_px * 25.4 / dpi:.3f} mm)"
    return (
        f"MTF50 {one.mtf50_cypx:.4f} +- {1.96 * one.mtf50_sd_cypx:.4f} (95 %, noise alone), "
        f"angle {one.angle_deg:.1f} degrees, "
        f"10-90 % rise {one.rise_10_90_px:.2f} px{on_paper}, SNR {one.snr:.0f}"
    )


def _curve(one: "Edge") -> str:
    from lensbench.edge import curve_figures

    figures = curve_figures(one)
    area, nyquist = figures.area_cypx, figures.response_at_nyquist
    if not isfinite(area.value):
        return ""
    return (
        f"Response at 0.5 cy/px (Nyquist) {_with_doubt(nyquist.value, nyquist.sd, 3)}, "
        f"area under the curve up to there {_with_doubt(area.value, area.sd, 4)} cy/px."
    )


def _at(one: "Edge", at_lpmm: Sequence[float], pitch_um: float | None) -> str:
    from lensbench.edge import response_at_lpmm

    if pitch_um is None:
        return ""
    parts = []
    for lpmm in at_lpmm:
        figure = response_at_lpmm(one, lpmm=lpmm, pixel_pitch_um=pitch_um)
        known = isfinite(figure.value)
        says = _with_doubt(figure.value, figure.sd, 3) if known else "beyond what was measured"
        parts.append(f"{lpmm:g} lp/mm {says}")
    return f"Contrast left at {', '.join(parts)}." if parts else ""


def _look(one: "Edge", viewing: "Viewing | None") -> str:
    if viewing is None:
        return ""
    if one.acutance is None or one.sqf is None or one.sharpness_jnd is None:
        return f"{look_in_words(viewing)}: the curve ends too early to tell how sharp it looks."
    return (
        f"{look_in_words(viewing)}: acutance {_with_doubt(one.acutance, one.acutance_sd, 3)}, "
        f"SQF {_with_doubt(one.sqf, one.sqf_sd, 1)} %, "
        f"sharpness {_with_doubt(one.sharpness_jnd, one.sharpness_jnd_sd, 1)} just noticeable differences."
    )


def _blur(one: "Edge") -> str:
    from lensbench.report.blur_words import blur_sentence

    return "" if one.physical is None else blur_sentence(one.physical)


def _with_doubt(value: float, sd: float | None, decimals: int) -> str:
    return f"{value:.{decimals}f} +- {1.96 * (sd or 0.0):.{decimals}f}"
