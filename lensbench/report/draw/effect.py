"""The plots of an effect: differences by zone, the shots in order, and the share of shaken shots."""

import math
from typing import Final

from lensbench.model.compare import EffectFindings, ShotFigures, ShutterSpeed
from lensbench.model.setting import shutter_speed
from lensbench.report.draw.differences import Difference, difference_panel
from lensbench.report.draw.panels import Axis, Grid, Line, Panel, Point, value_axis
from lensbench.report.text.effect import shutter_sentence
from lensbench.storage.text import clean_text

_ORDERED: Final = ("exposure_s", "iso", "f_number", "focal_length_mm")
"""Levels that a line may join: those that are numbers."""
_TO_ALL: Final = tuple((float(share), f"{share}") for share in range(0, 101, 20))
_LEVEL_ROLES: Final = ("first", "second", "outer", "frame")


def effect_panels(findings: EffectFindings) -> tuple[Panel, ...]:
    """Every plot of an effect, the shutter speeds' only where they were what changed."""
    panels = [_difference_panel(findings), _order_panel(findings)]
    return (*panels, _shutter_panel(findings.shutter)) if findings.shutter else tuple(panels)


def _difference_panel(findings: EffectFindings) -> Panel:
    sharp = [row for row in findings.rows if row.figure == "mtf50"]
    names = list(dict.fromkeys(row.level for row in findings.rows))
    ticks = tuple((float(place), clean_text(name)) for place, name in enumerate(names))
    return difference_panel(
        [
            Difference(
                place=float(names.index(row.level)), zone=row.zone, percent=row.difference, ci95=row.ci95
            )
            for row in sharp
        ],
        key="effect-difference",
        title=f"Sharpness against «{clean_text(findings.reference)}»",
        about="Difference in MTF50 by zone. Bars are 95 % intervals: one that reaches zero tells no difference. "
        f"From {findings.visible.percent:g} % on it could be seen.",
        across=Axis(title="level", low=-0.5, high=len(names) - 0.5, ticks=ticks),
        head="level",
        caption="Difference in MTF50, %, 95 % interval below",
        joined=findings.by in _ORDERED,
    )


def _order_panel(findings: EffectFindings) -> Panel:
    names = [one.level for one in findings.levels]
    parted = names if len(names) <= len(_LEVEL_ROLES) else [""]
    lines = tuple(
        _order_line(name, role, [shot for shot in findings.shots if name in ("", shot.level)])
        for name, role in zip(parted, _LEVEL_ROLES if parted == names else ("frame",), strict=False)
    )
    count = len(findings.shots)
    ticks = tuple((float(place), str(place)) for place in range(1, count + 1, max(1, math.ceil(count / 12))))
    drift = findings.drift
    taken_out = (
        f"Drift: {drift.percent_per_shot:+.2f} % a shot, taken out." if drift else "Drift was not taken out."
    )
    return Panel(
        key="effect-order",
        title="Shot by shot",
        about=f"MTF50 of the whole frame in the order of shooting. {taken_out}",
        across=Axis(title="shot", low=0.5, high=count + 0.5, ticks=ticks),
        up=value_axis([shot.mtf50_cypx for shot in findings.shots]),
        up_right=None,
        lines=lines,
        grid=Grid(
            caption="Every shot that counts",
            header=("shot", "level", "setting", "MTF50, cycles/pixel"),
            rows=tuple(
                (
                    str(place),
                    clean_text(shot.level),
                    clean_text(shot.setting, unknown=""),
                    f"{shot.mtf50_cypx:.4f}",
                )
                for place, shot in enumerate(findings.shots, start=1)
            ),
        ),
    )


def _order_line(name: str, role: str, shots: list[ShotFigures]) -> Line:
    marks = [
        Point(place=float(shot.order or place), value=shot.mtf50_cypx) for place, shot in enumerate(shots, 1)
    ]
    return Line.through(marks, name=clean_text(name, unknown="all shots"), role=role)


def _shutter_panel(shutter: ShutterSpeed) -> Panel:
    shares = [(math.log2(time), 100.0 * shaken / shots) for time, shots, shaken in shutter.shares]
    marks = [Point(place=place, value=share) for place, share in shares]
    known = math.isfinite(shutter.exposure_s)
    return Panel(
        key="effect-shutter",
        title="Shots that show shake",
        about=shutter_sentence(shutter),
        across=Axis(
            title="shutter speed",
            low=shares[0][0] - 0.5,
            high=shares[-1][0] + 0.5,
            ticks=tuple((math.log2(time), shutter_speed(time)) for time, _, _ in shutter.shares),
        ),
        up=Axis(title="shots that show shake, %", low=0.0, high=100.0, ticks=_TO_ALL),
        up_right=None,
        lines=(Line.through(marks, name="shaken", role="frame"),),
        level=10.0 if known else None,
        grid=Grid(
            caption="Shots and those that show shake",
            header=("speed", "shots", "shaken"),
            rows=tuple(
                (shutter_speed(time), str(shots), str(shaken)) for time, shots, shaken in shutter.shares
            ),
        ),
    )
