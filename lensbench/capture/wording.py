"""The plan in words and rows, the same on the screen and on the checklist."""

from lensbench.capture.exposure import shutter_name
from lensbench.capture.planning import ShootPlan
from lensbench.capture.standing import WALL_PAGES

__all__ = ["chart_sentence", "distance_rows", "headline", "print_sentence", "tolerance_rows"]

Rows = tuple[tuple[str, ...], list[tuple[str, ...]]]


def headline(plan: ShootPlan) -> str:
    """Name what is planned: how many shots, of which lens, in how many minutes."""
    lens = plan.lens.name or _lens_described(plan)
    kind = "Ten-minute test" if plan.quick else "Shooting plan"
    return f"{kind}: {lens}, {len(plan.shots)} shots, about {_duration(plan.minutes)}"


def _lens_described(plan: ShootPlan) -> str:
    short_mm, long_mm = plan.lens.focal_range_mm
    focal = f"{short_mm:g}-{long_mm:g} mm" if plan.lens.zooms else f"{short_mm:g} mm"
    return f"{focal} f/{plan.lens.widest_f_number:g}"


def _duration(minutes: float) -> str:
    if minutes < 90.0:
        return f"{5 * max(1, round(minutes / 5.0)):d} minutes"
    return f"{round(minutes / 30.0) / 2.0:g} hours"


def chart_sentence(plan: ShootPlan) -> str:
    """Say which chart it takes, how large, and how to make it."""
    chart = plan.chart
    if chart.kind == "wall":
        height_mm, width_mm = plan.standings[0].field_mm
        return (
            f"Chart: a wall set of {WALL_PAGES} pages {chart.paper}, hung over {width_mm / 1000.0:.2f} x "
            f"{height_mm / 1000.0:.2f} m of wall (made by: {chart.command(plan.camera.sensor_mm)})."
        )
    height_mm, width_mm = chart.frame_mm or (0.0, 0.0)
    tiled = f", in parts on {chart.tile}, or printed at a shop" if chart.tile else ""
    return (
        f"Chart: one sheet {chart.paper}{tiled}; the picture is filled by {width_mm:.0f} x {height_mm:.0f} mm of it, "
        f"up to the marks of your camera's ratio (made by: {chart.command(plan.camera.sensor_mm)})."
    )


def distance_rows(plan: ShootPlan) -> Rows:
    """Give where to stand for each focal length."""
    header = ("focal length", "chart to sensor", "focal lengths", "scale", "picture shows", "print blur")
    rows: list[tuple[str, ...]] = [
        (
            f"{here.focal_length_mm:g} mm",
            f"{here.distance_mm / 1000.0:.2f} m",
            f"{here.focal_lengths:.1f}",
            f"1:{1.0 / here.magnification:.1f}",
            f"{here.field_mm[1] / 1000.0:.2f} x {here.field_mm[0] / 1000.0:.2f} m",
            f"{here.print_sigma_px:.2f} px, leaves {100.0 * here.print_mtf:.0f} %",
        )
        for here in plan.standings
    ]
    return header, rows


def print_sentence(plan: ShootPlan) -> str:
    """Say what the print's figure assumes."""
    return (
        "Distances run from the chart to the sensor's mark, by thin-lens optics: good to a few centimetres. Print "
        f"blur: sigma on the sensor of a print with {plan.printed.dots_per_inch:g} dpi and edges of "
        f"{plan.printed.edge_mm:g} mm (10-90 %), and what it leaves of the contrast at 0.25 cycles/pixel."
    )


def tolerance_rows(plan: ShootPlan) -> Rows:
    """Give how flat and square things must be at each stop, where it is hardest, and the time of each stop."""
    bracketed = {shot.f_number for shot in plan.shots if shot.focus_step is not None}
    header = ("stop", "time", "chart flat within", "camera square within")
    rows: list[tuple[str, ...]] = [
        (
            f"f/{stop:g}",
            shutter_name(plan.exposure_s(stop)),
            f"{_length(min(here.flat_mm[stop] for here in plan.standings))} for 1 %",
            f"{min(here.square_deg[stop] for here in plan.standings):.2f} degrees for 1 % in the corner",
        )
        for stop in plan.f_numbers
    ]
    if not bracketed:
        return header, rows
    steps = (_bracket_step(plan, stop) if stop in bracketed else "" for stop in plan.f_numbers)
    with_steps = [(*row, step) for row, step in zip(rows, steps, strict=True)]
    return (*header, "step of the focus bracket, at the chart"), with_steps


def _bracket_step(plan: ShootPlan, stop: float) -> str:
    return f"{_length(min(here.bracket_mm[stop] for here in plan.standings))} (5 %)"


def _length(length_mm: float) -> str:
    return f"{length_mm:.1f} mm" if length_mm < 10.0 else f"{length_mm / 10.0:.1f} cm"
