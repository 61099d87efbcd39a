"""An invented shoot: a zoom with three focal lengths and six stops, and a prime to compare it with.

No real lens, camera or person; the figures only look plausible and are no reference for anything.
"""

import itertools
import math
from pathlib import Path

import numpy as np
from invented_shots import edge_figures

from lensbench.model import compare as compared
from lensbench.model.compare import Caution, ComparedLens, ComparedPair, CompareFindings, CompareRow
from lensbench.model.condition import (
    ConditionFinding,
    Decentring,
    FieldCurvature,
    Side,
    SideAsymmetry,
    Source,
    Subject,
    TurnedOutcome,
    TurnedTest,
    Verdict,
)
from lensbench.model.errors import Note, remark
from lensbench.model.setting import Setting
from lensbench.model.shot import (
    ZONES,
    Box,
    ChartEdge,
    ChartSeen,
    Direction,
    Edge,
    Metadata,
    Place,
    RejectedShot,
    ShotResult,
    Thumbnail,
    Tilt,
    ZoneFigure,
)
from lensbench.model.sweep import (
    Basis,
    BestSetting,
    CurvePoint,
    FocalLengthFindings,
    LensFindings,
    PlannedShot,
    Refocusing,
    SeriesRemark,
    SmoothCurve,
    SweepFindings,
    SweepShot,
)

STOPS = (2.8, 4.0, 5.6, 8.0, 11.0, 16.0)
FOCALS_MM = (24.0, 35.0, 70.0)
LENS, CAMERA = "Larkmoor Zoom 24-70 mm f/2.8", "Quarry One"
SIZE_PX = (4000, 6000)
PITCH_UM = 4.0
REPEATS = 3
BEST_STOP = {24.0: 8.0, 35.0: 5.6, 70.0: 8.0}
TIED_STOPS = {24.0: (5.6, 8.0), 35.0: (4.0, 5.6, 8.0), 70.0: (8.0, 11.0)}
HEIGHTS = {"inner": 0.1, "middle": 0.55, "outer": 0.85}


def sharpness(focal_mm: float, stop: float, height: float) -> float:
    """A made-up lens: blur grows with the image height and at the long end, diffraction with the stop."""
    weak = {24.0: 0.9, 35.0: 0.7, 70.0: 1.5}[focal_mm]
    aberration = weak * (0.5 + 1.9 * height**2) * (2.8 / stop)
    diffraction = 0.075 * stop
    return 0.36 / math.sqrt(1.0 + aberration**2 + diffraction**2)


def zone_sharpness(focal_mm: float, stop: float, zone: str) -> float:
    if zone == "frame":
        return sum(sharpness(focal_mm, stop, height) for height in HEIGHTS.values()) / 3
    return sharpness(focal_mm, stop, HEIGHTS[zone])


def zone_figure(focal_mm: float, stop: float, zone: str, *, edges: int = 24) -> ZoneFigure:
    value = zone_sharpness(focal_mm, stop, zone)
    return ZoneFigure(
        mtf50_cypx=value,
        ci95_cypx=(value * 0.985, value * 1.015),
        edges=edges,
        sagittal_cypx=value * 1.04,
        tangential_cypx=value * 0.96,
    )


def an_edge(mtf50_cypx: float, *, roi: Box, angle_deg: float) -> Edge:
    frequency_cypx = np.linspace(0.0, 1.0, 65)
    return Edge(
        roi=roi,
        angle_deg=angle_deg,
        **edge_figures(mtf50_cypx),
        frequency_cypx=frequency_cypx,
        sfr=np.exp(-math.log(2.0) * (frequency_cypx / mtf50_cypx) ** 1.6),
        sfr_sd=np.full(65, 0.004),
    )


TARGETS = [
    (height, azimuth)
    for height, count in ((0.0, 1), (0.3, 6), (0.62, 8), (0.9, 4))
    for azimuth in (
        [33.7, 146.3, 213.7, 326.3] if count == 4 else [360.0 * step / count for step in range(count)]
    )
]


def chart_edges(focal_mm: float, stop: float) -> tuple[ChartEdge, ...]:
    half_diagonal = math.hypot(*SIZE_PX) / 2.0
    edges = []
    for number, (height, azimuth) in enumerate(TARGETS, start=1):
        row = SIZE_PX[0] / 2 - height * half_diagonal * math.sin(math.radians(azimuth))
        col = SIZE_PX[1] / 2 + height * half_diagonal * math.cos(math.radians(azimuth))
        if not (100 < row < SIZE_PX[0] - 100 and 100 < col < SIZE_PX[1] - 100):
            continue
        for arm, direction in zip((1, 2, 3, 4), itertools.cycle(("sagittal", "tangential"))):
            factor = 1.0 + 0.12 * height**2 * (1 if direction == "sagittal" else -1)
            edges.append(
                ChartEdge(
                    edge=an_edge(
                        sharpness(focal_mm, stop, height) * factor,
                        roi=Box(top=int(row), left=int(col), height=100, width=60),
                        angle_deg=6.0 if direction == "sagittal" else -84.0,
                    ),
                    target=f"T{number:02d}",
                    arm=arm,
                    center_px=(row + 50.0, col + 30.0),
                    image_height=height,
                    azimuth_deg=azimuth,
                    direction=Direction(direction),
                )
            )
    return tuple(edges)


def planned(name: str, focal_mm: float, stop: float, *, lens: str = LENS) -> PlannedShot:
    return PlannedShot(
        path=Path("shoot") / name,
        metadata=Metadata(
            camera=CAMERA, lens=lens, f_number=stop, focal_length_mm=focal_mm, iso=100, exposure_s=0.01
        ),
        overrides=None,
        lens=lens,
        camera=CAMERA,
        setting=Setting(focal_length_mm=focal_mm, f_number=stop),
    )


def thumbnails() -> tuple[Thumbnail, ...]:
    """A chequer of four quarters at every place, from black to white across one pixel."""
    down, right = np.mgrid[-31.5:32, -31.5:32]
    light = 0.5 - 0.5 * np.sign(down + 0.1 * right) * np.sign(right - 0.1 * down)
    codes = Thumbnail.coded(light, dark_level=0.0, bright_level=1.0)
    box = Box(top=100, left=100, height=64, width=64)
    return tuple(
        Thumbnail(place=place, target="T01", box=box, codes=codes, dark_level=0.1, bright_level=0.6)
        for place in Place
    )


THUMBNAILS = thumbnails()


def a_result(plan: PlannedShot) -> ShotResult:
    focal_mm, stop = plan.setting.focal_length_mm, plan.setting.f_number
    return ShotResult(
        path=plan.path,
        metadata=plan.metadata,
        size_px=SIZE_PX,
        sensor_data=True,
        pixel_pitch_um=PITCH_UM,
        chart=ChartSeen(
            name="sheet A3",
            targets_found=19,
            targets_on_chart=23,
            contrast=4.1,
            residual_px=0.04,
            radial_distortion_percent=-1.2,
        ),
        magnification=0.04,
        distance_mm=27.0 * focal_mm,
        tilt=Tilt(pitch_deg=0.1, yaw_deg=-0.2, roll_deg=0.3),
        edges=chart_edges(focal_mm, stop),
        summary={zone: zone_figure(focal_mm, stop, zone) for zone in ZONES},
        quality=(remark("uneven_light", "18 % across, limit 10 %"),) if stop == 16.0 else (),
        thumbnails=THUMBNAILS,
    )


REJECTED = RejectedShot(path=Path("shoot/q-0099.dng"), reason="no chart was found in the picture")


def invented_shots(*, lens: str = LENS) -> list[SweepShot]:
    plans = [
        planned(f"q-{number:04d}.dng", focal_mm, stop, lens=lens)
        for number, (focal_mm, stop, _) in enumerate(
            itertools.product(FOCALS_MM, STOPS, range(REPEATS)), start=1
        )
    ]
    shots = [SweepShot(planned=plan, result=a_result(plan)) for plan in plans]
    misfocused = planned("q-0098.dng", 35.0, 4.0, lens=lens)
    return [
        *shots,
        SweepShot(
            planned=misfocused, result=a_result(misfocused), reason="out of focus: 41 % below its repeats"
        ),
        SweepShot(planned=planned("q-0099.dng", 35.0, 4.0, lens=lens), result=REJECTED),
    ]


def best_setting(focal_mm: float, stop: float, zone: str, tied: tuple[Setting, ...]) -> BestSetting:
    value = zone_sharpness(focal_mm, stop, zone)
    return BestSetting(
        focal_length_mm=focal_mm,
        f_number=stop,
        zone=zone,
        mtf50_cypx=value,
        ci95_cypx=(value * 0.985, value * 1.015),
        tied=tied,
        at_border=False,
    )


def curve_points(focal_mm: float) -> tuple[CurvePoint, ...]:
    wobble = itertools.cycle((0.004, -0.003, 0.002, -0.005))
    points = []
    for stop, zone in itertools.product(STOPS, ZONES):
        value = zone_sharpness(focal_mm, stop, zone)
        points.append(
            CurvePoint(
                f_number=stop,
                zone=zone,
                mtf50_cypx=value,
                ci95_cypx=(value * 0.98, value * 1.02),
                shots=REPEATS,
                exact_f_number=stop,
                measured_cypx=value + next(wobble),
                shot_mtf50_cypx=(value, value * 1.01, value * 0.99),
            )
        )
    return tuple(points)


def smooth_curve(focal_mm: float, zone: str) -> SmoothCurve:
    stops = np.geomspace(2.8, 16.0, 41)
    return SmoothCurve(
        f_number=stops,
        mtf50_cypx=np.array([zone_sharpness(focal_mm, float(stop), zone) for stop in stops]),
        fits=True,
        model_error=0.005,
    )


def focal_findings(focal_mm: float) -> FocalLengthFindings:
    best = BEST_STOP[focal_mm]
    return FocalLengthFindings(
        focal_length_mm=focal_mm,
        best_f_number=best,
        tied_f_numbers=TIED_STOPS[focal_mm],
        zones={zone: zone_figure(focal_mm, best, zone) for zone in ZONES},
        curve=curve_points(focal_mm),
        smooth={zone: smooth_curve(focal_mm, zone) for zone in ZONES},
        best_by_zone={
            zone: best_setting(focal_mm, best, zone, (Setting(focal_length_mm=focal_mm, f_number=best),))
            for zone in ZONES
        },
        magnification=0.04,
        shots=18,
    )


def asymmetry(f_number, *, matters=False, percent=1.1, ci95_percent=(0.0, 3.1), **figures) -> SideAsymmetry:
    return SideAsymmetry(
        focal_length_mm=35.0,
        f_number=f_number,
        percent=percent,
        ci95_percent=ci95_percent,
        softer_azimuth_deg=2.0,
        softer_side=Side.RIGHT,
        shots=6,
        turned_shots=3,
        tilt_percent=1.2,
        source=Source.SHOTS,
        matters=matters,
        **figures,
    )


def decentring(*rows, verdict=Verdict.WITHIN_LIMITS, **details) -> ConditionFinding:
    """A finding whose first row is the main one."""
    rows = rows or (asymmetry(2.8),)
    known = {
        "rows": rows,
        "main": rows[0],
        "detection_limit_percent": 3.1,
        "lean_limit_percent": 4.2,
        "focus_tilt": None,
        "turned": TurnedTest(outcome=TurnedOutcome.NOT_DONE),
        "repeats": (6, 6),
        "brackets": 0,
        "bracket_shots": 0,
    }
    return ConditionFinding(
        subject=Subject.DECENTRING,
        verdict=verdict,
        limit=5.0,
        unit="%",
        value=rows[0].percent,
        ci95=rows[0].ci95_percent,
        side=rows[0].softer_side,
        details=Decentring(**(known | details)),
    )


def invented_lens(**changes) -> LensFindings:
    tied = tuple(Setting(focal_length_mm=35.0, f_number=stop) for stop in TIED_STOPS[35.0])
    parts = {
        "lens": LENS,
        "camera": CAMERA,
        "shots": 56,
        "rejected": (
            RejectedShot(path=Path("shoot/q-0098.dng"), reason="out of focus: 41 % below its repeats"),
            REJECTED,
        ),
        "best": best_setting(35.0, 5.6, "frame", tied),
        "by_focal_length": tuple(focal_findings(focal_mm) for focal_mm in FOCALS_MM),
        "condition": (
            decentring(),
            ConditionFinding(
                subject=Subject.FIELD_CURVATURE,
                verdict=Verdict.CANNOT_TELL,
                limit=5.0,
                unit="%",
                details=FieldCurvature(distance=None, falloff=None),
            ),
        ),
        "basis": Basis(
            sensor_data=True,
            channels=("green",),
            shots_a_setting=(3, 3),
            bracketed=False,
            refocusing=Refocusing.SAID_ANEW,
            distance_mm=(945.0, 945.0),
            distance_focal_lengths=(27.0, 27.0),
        ),
        "pixel_pitch_um": PITCH_UM,
        "size_px": SIZE_PX,
        "picture_height_px": SIZE_PX[0],
        "spread_from": "repeats",
        "shot_sd_percent": 1.6,
        "remarks": (SeriesRemark(flag="few_shots"),),
    }
    return LensFindings(**(parts | changes))


def invented_findings(**changes) -> SweepFindings:
    return SweepFindings(lenses=(invented_lens(**changes),), version="0.1.0", method="refined")


def compare_row(stop: float, zone: str) -> CompareRow:
    first, second = zone_sharpness(35.0, stop, zone), zone_sharpness(24.0, stop, zone) * 1.09
    difference = 100.0 * (second / first - 1.0)
    equal = abs(difference) < 3.0
    lead = 100.0 * (max(first, second) / min(first, second) - 1.0)
    return CompareRow(
        focal_length_mm=35.0,
        f_number=stop,
        zone=zone,
        first=first,
        second=second,
        first_shots=3,
        second_shots=3,
        difference_percent=difference,
        ci95_percent=(difference - 2.4, difference + 2.4),
        lead_percent=lead,
        lead_ci95_percent=(lead - 2.4, lead + 2.4),
        sharper=compared.Sharper.NEITHER
        if equal
        else (compared.Sharper.SECOND if difference > 0 else compared.Sharper.FIRST),
        verdict=compared.Verdict.EQUAL if equal else compared.Verdict.CANNOT_TELL,
        equal_within_percent=3.0,
    )


def invented_comparison(**changes) -> CompareFindings:
    labels = (LENS, "Fennick Prime 35 mm f/1.8")
    pair = {
        "first": labels[0],
        "second": labels[1],
        "unit": "cypx",
        "rows": tuple(compare_row(stop, zone) for stop, zone in itertools.product(STOPS, ZONES)),
        "rows_lpmm": (),
        "best_row": compare_row(5.6, "frame"),
        "cautions": (Note(Caution.UNEQUAL_SHOTS),),
    }
    lenses = tuple(
        ComparedLens(
            label=label,
            lens=label,
            camera=CAMERA,
            folder="sweep",
            shots=18,
            pixel_pitch_um=PITCH_UM,
            picture_height_px=SIZE_PX[0],
        )
        for label in labels
    )
    return CompareFindings(lenses=lenses, pairs=(ComparedPair(**(pair | changes)),), version="0.1.0")
