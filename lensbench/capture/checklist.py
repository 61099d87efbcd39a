"""The plan in words and rows, the same on the screen and on the checklist that is printed and ticked off.

What it advises stands in `words.toml`, section by section.
"""

from collections.abc import Sequence
from itertools import groupby
from typing import Final

from reportlab.lib.units import mm
from reportlab.platypus import Flowable, KeepTogether, Paragraph, Spacer, Table

from lensbench.capture.plan import ShootPlan, ShotToTake
from lensbench.model.setting import f_stop, shutter_speed
from lensbench.storage.pdf import grid, pdf_pages, text
from lensbench.storage.text import words_of

Rows = tuple[tuple[str, ...], list[tuple[str, ...]]]


def headline(plan: ShootPlan) -> str:
    """What is planned: how many shots, of which lens, in how many minutes."""
    short_mm, long_mm = plan.lens.focal_range_mm
    focal = f"{short_mm:g}-{long_mm:g} mm" if plan.lens.zooms else f"{short_mm:g} mm"
    floats = f"-{plan.lens.widest_at_long:g}" if plan.lens.widest_at_long else ""
    lens = plan.lens.name or f"{focal} {f_stop(plan.lens.widest_f_number)}{floats}"
    kind = "Ten-minute test" if plan.quick else "Shooting plan"
    time = f"{round(plan.minutes / 30.0) / 2.0:g} hours"
    if plan.minutes < 90.0:
        time = f"{5 * max(1, round(plan.minutes / 5.0)):d} minutes"
    return f"{kind}: {lens}, {len(plan.shots)} shots, about {time}"


def chart_sentence(plan: ShootPlan) -> str:
    """Which chart it takes, how large, how to make it, and for which sensor."""
    chart, words = plan.chart, words_of("capture")["chart"]
    height_mm, width_mm = chart.frame_mm or plan.standings[0].field_mm
    figures = {"height_mm": height_mm, "width_mm": width_mm}
    figures |= {"height_m": height_mm / 1000.0, "width_m": width_mm / 1000.0}
    larger, command = words["larger"] * chart.from_shop, chart.command(plan.camera.sensor_mm)
    sensor_height_mm, sensor_width_mm = plan.camera.sensor_mm
    text: str = words[chart.kind] + words["sensor"]
    figures |= {"sensor_height_mm": sensor_height_mm, "sensor_width_mm": sensor_width_mm}
    return text.format(pages=chart.pages, paper=chart.paper, larger=larger, command=command, **figures)


def distance_rows(plan: ShootPlan) -> Rows:
    """Where to stand for each focal length, and how wide a focus bracket's steps are."""
    header = ("lens", "distance", "in f", "scale", "picture shows", "print leaves")
    rows: list[tuple[str, ...]] = [
        (
            f"{here.focal_length_mm:g} mm",
            f"{here.distance_mm / 1000.0:.2f} m",
            f"{here.focal_lengths:.1f}",
            f"1:{1.0 / here.magnification:.1f}",
            f"{here.field_mm[1] / 1000.0:.2f} x {here.field_mm[0] / 1000.0:.2f} m",
            f"{100.0 * here.print_mtf:.0f} %",
        )
        for here in plan.standings
    ]
    if not plan.bracketed:
        return header, rows
    steps = [_length(plan.bracket_step_mm(here)) for here in plan.standings]
    return (*header, "bracket step"), [(*row, step) for row, step in zip(rows, steps, strict=True)]


def figures_sentence(plan: ShootPlan) -> str:
    """What the figures of both tables assume."""
    words = words_of("capture")["chart"]
    bracket = words["bracket_step"] if plan.bracketed else ""
    text: str = words["figures"]
    return text.format(dpi=plan.printed.dots_per_inch, edge_mm=plan.printed.edge_mm) + bracket


def tolerance_rows(plan: ShootPlan) -> Rows:
    """How flat and square things must be at each stop, where it is hardest, and the time of each stop."""
    header = ("stop", "time", "chart flat within, camera square within: for 1 % in the corner")
    return header, [
        (f_stop(stop), shutter_speed(plan.exposure_s(stop)), _tolerance(plan, stop))
        for stop in plan.f_numbers
    ]


def _tolerance(plan: ShootPlan, stop: float) -> str:
    words = words_of("capture")["chart"]
    if not all(here.held_by_hand(stop) for here in plan.standings):
        return str(words["not_by_hand"] + words["take_bracket"] * (stop in plan.bracketed))
    flat_mm = min(here.flat_mm[stop] for here in plan.standings)
    return f"{_length(flat_mm)}, {min(here.square_deg[stop] for here in plan.standings):.1f}\N{DEGREE SIGN}"


def _length(length_mm: float) -> str:
    return f"{length_mm:.1f} mm" if length_mm < 10.0 else f"{length_mm / 10.0:.1f} cm"


_STYLES_PT: Final = {
    "title": (16.0, 0.0, 3.0),
    "section": (11.0, 6.0, 3.0),
    "body": (8.6, 0.0, 1.4),
    "small": (7.4, 0.0, 1.4),
}
"""Kind of a paragraph -> its size, and the room before and after it."""
_CELL_PT: Final = 7.8
_BOX, _DASH = "\N{BALLOT BOX}", "\N{EN DASH}"
_GAP = "\N{NO-BREAK SPACE}" * 2 + " "  # between boxes: plain spaces would be drawn as one
_FOOTER: Final = "Made by lensbench plan. Figures from thin-lens optics; see how-to: plan."


def checklist_pdf(plan: ShootPlan) -> bytes:
    """PDF of the checklist: one page for the quick test, a few for a whole shoot."""
    head = [_text(headline(plan), "title")]
    head += [_text(words, "body") for words in (chart_sentence(plan), *plan.remarks)]
    story: list[Flowable] = [*head, Spacer(0, 1.5 * mm), _grid(*distance_rows(plan))]
    story += [_text(figures_sentence(plan), "small"), *(_quick_story(plan) if plan.quick else _story(plan))]
    return pdf_pages(story, title=headline(plan), footer=_FOOTER)


def _story(plan: ShootPlan) -> list[Flowable]:
    advice = words_of("capture")["checklist"]
    return [
        _section("Hang the chart", [*advice["hanging"], *advice["light"]]),
        _grid(*tolerance_rows(plan)),
        _section("Set the camera", [*advice["tripod"], *advice["camera"]]),
        _section("Focus", [*advice["focus"], *(advice["bracket"] if plan.bracketed else [])]),
        _section("Take care", advice["care"], mark=_DASH),
        *_shots(plan),
        _section("Then", advice["afterwards"]),
    ]


def _quick_story(plan: ShootPlan) -> list[Flowable]:
    advice, kind = words_of("capture")["checklist"], plan.chart.kind
    turned = advice["upside down"] if kind == "wall" else []
    return [
        _section("Before", [*advice["hanging"][:2], advice["light"][0], *advice["tripod"]]),
        _grid(*tolerance_rows(plan)),
        _section("Set", [*advice["camera"], *advice["focus"]]),
        _quick_shots(plan),
        _section("Read it so", [*advice[f"quick {kind}"], *advice["quick"]], mark=_DASH),
        _section("Take care", [*advice["care"][:2], *turned, advice["care"][3]], mark=_DASH),
        _section("Then", advice["afterwards"][::2]),
    ]


def _section(title: str, lines: Sequence[str], *, mark: str = _BOX) -> Flowable:
    points = (_text(f"{mark}  {line}", "body", hang_pt=4.2 * mm) for line in lines)
    return KeepTogether([_text(title, "section"), *points])


def _shots(plan: ShootPlan) -> list[Flowable]:
    """Shots in their order, one line a setting, a box for each shot."""
    story: list[Flowable] = []
    places = groupby(plan.shots, key=lambda shot: (shot.focal_length_mm, shot.condition))
    for (focal_length_mm, condition), members in places:
        title = f"Shots at {focal_length_mm:g} mm" + (f", {condition}" if condition else "")
        shots = list(members)
        plain = groupby((shot for shot in shots if shot.focus_step is None), key=lambda shot: shot.f_number)
        rows = [_setting_row(list(repeats)) for _, repeats in plain]
        if bracket := [shot for shot in shots if shot.focus_step is not None]:
            rows.append(_bracket_row(bracket))
        story.append(KeepTogether([_text(title, "section"), _grid(("stop", "time", "shots", ""), rows)]))
    return story


def _quick_shots(plan: ShootPlan) -> Flowable:
    """All shots in one table, a line for each way the sheet hangs and focal length, so that one page holds it."""
    rows = []
    lines = groupby(plan.shots, key=lambda shot: (shot.condition, shot.focal_length_mm))
    for (condition, focal_length_mm), members in lines:
        by_stop = groupby(members, key=lambda shot: shot.f_number)
        cells = [_GAP.join(_setting_row(list(shots))[:3]) for _, shots in by_stop]
        rows.append((condition, f"{focal_length_mm:g} mm", *cells, *[""] * (2 - len(cells))))
    turned = "sheet" if plan.chart.kind == "sheet" else "camera"
    title = f"Shots: focus anew before each; then turn the {turned} upside down and repeat"
    header = ("chart", "focal length", "", "")
    return KeepTogether([_text(title, "section"), _grid(header, rows)])


def _setting_row(shots: Sequence[ShotToTake]) -> tuple[str, ...]:
    boxes = _GAP.join(_BOX for _ in shots)
    first = shots[0]
    return f_stop(first.f_number), shutter_speed(first.exposure_s), boxes, "focus anew before each"


def _bracket_row(shots: Sequence[ShotToTake]) -> tuple[str, ...]:
    """The bracket of a focal length: the boxes of each step together, one for each of its stops."""
    by_step = {
        step: list(members) for step, members in groupby(shots, key=lambda shot: shot.focus_step or 0.0)
    }
    stops = next(iter(by_step.values()))
    boxes = _GAP.join(
        f"{step:+.0f}".replace("+0", "0").replace("-", "\N{MINUS SIGN}")
        + "\N{NO-BREAK SPACE}"
        + _BOX * len(members)
        for step, members in by_step.items()
    )
    return (
        ", ".join(f_stop(shot.f_number) for shot in stops),
        ", ".join(shutter_speed(shot.exposure_s) for shot in stops),
        boxes,
        "focus bracket: all these stops at each step",
    )


def _text(words: str, kind: str, *, hang_pt: float = 0.0) -> Paragraph:
    size_pt, before_pt, after_pt = _STYLES_PT[kind]
    faint = kind == "small"
    return text(words, size_pt, faint=faint, before_pt=before_pt, after_pt=after_pt, hang_pt=hang_pt)


def _grid(header: Sequence[str], rows: Sequence[Sequence[str]]) -> Table:
    return grid(header, rows, size_pt=_CELL_PT)
