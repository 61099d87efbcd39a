"""Print the table of advice: predicted MTF50 in focus and at both limits against what the simulator would render.

Lenses are swept before a chart (figures of the simulator's exact truth, strayed as shots stray), kept, and asked for a
picture. The truth of that picture: the simulator's own blur at the picture's distance, its whole frame, colour and
field; and, for lenses that no Gaussian describes, overlap integrals of pupils with spherical aberration and coma. No
test run collects this: it takes about two minutes on one core.
"""

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache

import exact_pupils
import numpy as np
import pages
from measured_lenses import ZONE_LEVEL, kept_session

from lensbench import optics
from lensbench.library import Wanted, plan_picture
from lensbench.library.scene import SHAKE_FACTOR, focus_object_mm, shake_mm
from lensbench.simulate import INVENTED_LENSES, ZoomPosition, prime
from lensbench.simulate.lens import Lens

PITCH_UM = 4.0
SIZE_PX = (4000, 6000)
CHART_MAGNIFICATION = 0.025
STOPS = (2.8, 4.0, 5.6, 8.0, 11.0, 16.0)
SHOT_SD, SHOTS = 0.01, 3
GRID = 3
"""Places along each side of a quarter of the frame."""
SHAKES = np.array([0.25, 0.5, 0.75, 1.0, 1.4, 2.0, 3.0, 4.5])
SHUTTER_S = 1.0 / 60.0

Truth = Callable[[float, float, float, float], float]
"""(stop, magnification in focus, plane that is looked at [mm; the plane of focus for NaN], motion [um]) -> MTF50."""


@dataclass(frozen=True)
class Subject:
    """One lens at one focal length."""

    name: str
    focal_mm: float
    truth: Truth


def simulated(lens: Lens, focal_mm: float) -> Truth:
    """The mean over the frame of what the simulator renders, edges along and across the radius alike."""

    @cache
    def mtf50_cypx(stop: float, size: float, object_mm: float, motion_um: float) -> float:
        image_mm = focal_mm * (1.0 + size)
        sharp_mm = image_mm if math.isnan(object_mm) else 1.0 / (1.0 / focal_mm - 1.0 / object_mm)
        found = [
            _edge(lens, focal_mm, stop, field, normal, 1000.0 * (image_mm - sharp_mm), sharp_mm, motion_um)
            for field in _fields()
            for normal in _normals(field)
        ]
        return float(np.mean(found))

    return mtf50_cypx


def _fields() -> list[tuple[float, float]]:
    """Places spread evenly over a quarter of a 3:2 frame, in half-diagonals: the lenses here are centred."""
    diagonal = math.hypot(2.0, 3.0)
    steps = (np.arange(GRID) + 0.5) / GRID
    return [
        (float(down * 2.0 / diagonal), float(right * 3.0 / diagonal)) for down in steps for right in steps
    ]


def _normals(field: tuple[float, float]) -> list[tuple[float, float]]:
    height = math.hypot(*field)
    return [(field[0] / height, field[1] / height), (-field[1] / height, field[0] / height)]


def _edge(lens, focal_mm, stop, field, normal, focus_um, sharp_mm, motion_um) -> float:
    blur = lens.point_blur(
        field,
        channel="green",
        focal_length_mm=focal_mm,
        f_number=stop,
        # The cone that comes to a point at `sharp_mm` is what the sensor cuts.
        working_f_number=stop * sharp_mm / focal_mm,
        focus_um=focus_um,
        pitch_um=PITCH_UM,
    )

    def transfer(frequency: np.ndarray) -> np.ndarray:
        # Shake across the edge, the case that the advice states.
        moved = np.sinc(motion_um / PITCH_UM * frequency)
        return np.abs(blur.along(frequency, normal) * moved) * optics.pixel_mtf(frequency)

    span_px = max(blur.disc_px, motion_um / PITCH_UM, 1.0)
    return optics.frequency_at(transfer, 0.5, highest_cypx=min(1.0, 4.0 / span_px))


def aberrated(spherical_waves: float, coma_waves: float, focal_mm: float, widest: float) -> Truth:
    """MTF50 of a pupil with aberrations (rms waves wide open) in its best focus, mean of two directions."""

    @cache
    def best_focus_waves(stop: float) -> float:
        tried = np.linspace(-0.8, 0.8, 33)
        return float(tried[int(np.argmax([pupil(stop, 0.0, waves, 0.0) for waves in tried]))])

    def pupil(stop: float, size: float, waves: float, motion_um: float) -> float:
        opening, q = widest / stop, 0.55 * stop * (1.0 + size) / PITCH_UM
        wavefront = exact_pupils.Wavefront(
            w20_waves=waves,
            spherical_rms_waves=spherical_waves * opening**4,
            coma_rms_waves=coma_waves * opening**3,
        )
        span_px = max(8.0 * q * abs(waves), motion_um / PITCH_UM, 1.0)
        found = []
        for azimuth in (0.0, 90.0):

            def transfer(frequency: np.ndarray, azimuth: float = azimuth) -> np.ndarray:
                otf = exact_pupils.aberrated_otf(
                    np.minimum(frequency * q, 1.0), wavefront, azimuth_deg=azimuth, nodes=28
                )
                sensor = optics.pixel_mtf(frequency) * optics.gaussian_mtf(frequency, 0.3)
                return np.abs(otf) * sensor * np.abs(np.sinc(motion_um / PITCH_UM * frequency))

            found.append(optics.frequency_at(transfer, 0.5, highest_cypx=min(1.0, 4.0 / span_px)))
        return float(np.mean(found))

    @cache
    def mtf50_cypx(stop: float, size: float, object_mm: float, motion_um: float) -> float:
        image_mm = focal_mm * (1.0 + size)
        sharp_mm = image_mm if math.isnan(object_mm) else 1.0 / (1.0 / focal_mm - 1.0 / object_mm)
        disc_px = abs(image_mm - sharp_mm) * 1000.0 / (stop * sharp_mm / focal_mm) / PITCH_UM
        q = 0.55 * stop * (1.0 + size) / PITCH_UM
        side = math.copysign(disc_px / (8.0 * q), image_mm - sharp_mm)
        return pupil(stop, size, best_focus_waves(stop) + side, motion_um)

    return mtf50_cypx


def subjects() -> list[Subject]:
    """Invented lenses: the simulator's own, a curved field, a slow lens; and pupils that no Gaussian describes."""
    curved = ZoomPosition(focal_length_mm=35.0, residual_um=0.8, curvature_um=25.0)
    return [
        Subject("Sorrel 35 mm", 35.0, simulated(INVENTED_LENSES["sorrel"], 35.0)),
        Subject("Fennel 24-70 mm, long end", 70.0, simulated(INVENTED_LENSES["fennel"], 70.0)),
        Subject("Tansy 50 mm", 50.0, simulated(INVENTED_LENSES["tansy"], 50.0)),
        Subject("field curved by 25 um, 35 mm", 35.0, simulated(prime("Bench", curved), 35.0)),
        Subject("pupil: coma 0.1 waves, 50 mm", 50.0, aberrated(0.0, 0.10, 50.0, 2.8)),
        Subject("pupil: spherical 0.15, coma 0.05, 50 mm", 50.0, aberrated(0.15, 0.05, 50.0, 2.8)),
    ]


SCENES = {
    35.0: ((2.5, 8.0), (4.0, 6.0)),
    50.0: ((4.0, 6.0), (5.0, math.inf)),
    70.0: ((4.0, 6.0), (8.0, 12.0)),
}


def ratios(
    subject: Subject, wanted: Wanted, *, trials: int, seed: int
) -> dict[tuple[str, float], np.ndarray]:
    """Predicted over true MTF50 and whether the range holds it, by place and stop: shape (trials, 2)."""
    random = np.random.default_rng(seed)
    focus_mm = focus_object_mm(wanted.near_object_mm, wanted.far_object_mm)
    size = optics.magnification(focal_length_mm=subject.focal_mm, object_distance_mm=focus_mm)
    planes = {"focus": math.nan, "near": wanted.near_object_mm, "far": wanted.far_object_mm}
    # `kept_session` writes the frame's figure at 0.97 of the curve that it is given.
    curve = {
        stop: subject.truth(stop, CHART_MAGNIFICATION, math.nan, 0.0) / ZONE_LEVEL["frame"] for stop in STOPS
    }
    usual_um = 1000.0 * shake_mm(wanted, wanted.shutter_s)
    shakes = SHAKES if usual_um else np.array([0.0])
    known = {
        (place, stop): np.log([subject.truth(stop, size, plane, float(one) * usual_um) for one in shakes])
        for place, plane in planes.items()
        for stop in STOPS
    }
    found: dict[tuple[str, float], list[tuple[float, bool]]] = {key: [] for key in known}
    for trial in range(trials):
        session = kept_session(
            curves={subject.focal_mm: curve},
            sd=SHOT_SD,
            repeats=SHOTS,
            seed=1000 + trial,
            shot={"magnification": CHART_MAGNIFICATION},
            size_px=SIZE_PX,
            pixel_pitch_um=PITCH_UM,
        )
        plan = plan_picture([session], wanted)
        for stop in plan.lenses[0].stops:
            shake = math.exp(random.normal(0.0, math.log(SHAKE_FACTOR) / 1.96)) if usual_um else 0.0
            for place, figure in (("focus", stop.at_focus), ("near", stop.at_near), ("far", stop.at_far)):
                true = math.exp(float(np.interp(shake, shakes, known[place, stop.f_number])))
                low, high = figure.range_cypx
                found[place, stop.f_number].append((figure.mtf50_cypx / true - 1.0, low <= true <= high))
    return {key: np.array(values, dtype=float) for key, values in found.items()}


def page(*, trials: int, lenses: int, seed: int) -> Iterator[str]:
    """One row for each lens, scene and support."""
    yield from HEAD.format(shots=SHOTS, sd=100 * SHOT_SD).splitlines()
    cases = [
        (
            subject,
            Wanted(
                focal_length_mm=subject.focal_mm, near_m=near, far_m=far, shutter_s=SHUTTER_S, handheld=hands
            ),
        )
        for subject in subjects()[:lenses]
        for near, far in SCENES[subject.focal_mm]
        for hands in (False, True)
    ]
    rows = (
        _row(subject, wanted, ratios(subject, wanted, trials=trials, seed=seed)) for subject, wanted in cases
    )
    yield from pages.worst_first(pages.shown(rows))


def _row(subject: Subject, wanted: Wanted, found: dict[tuple[str, float], np.ndarray]) -> tuple[float, str]:
    """Row, and how often the ranges hold the truth at the limits."""

    def part(places: tuple[str, ...], stops: tuple[float, ...]) -> str:
        errors = np.array([found[place, stop][:, 0].mean() for place in places for stop in stops])
        held = np.mean([found[place, stop][:, 1].mean() for place in places for stop in stops])
        rms = 100.0 * math.sqrt(float(np.mean(errors**2)))
        worst = 100.0 * float(errors[np.argmax(np.abs(errors))])
        return f"{rms:.1f} % | {worst:+.1f} % | {100.0 * held:.0f} %"

    support = f"hands, 1/{1.0 / SHUTTER_S:.0f} s" if wanted.handheld else "tripod"
    scene = f"{wanted.near_m:g} to {wanted.far_m:g} m"
    in_focus, limits = part(("focus",), STOPS), part(("near", "far"), STOPS[1:])
    wide_open = part(("near", "far"), STOPS[:1])
    held = float(np.mean([found[place, stop][:, 1].mean() for place in ("near", "far") for stop in STOPS]))
    return held, pages.row(subject.name, scene, support, in_focus, limits, wide_open)


HEAD = """# How good the advice for a picture is

`lensbench library advise --near --far` predicts MTF50 in focus and at both limits from a lens's measured curve. Here
lenses are measured before a chart ({shots} shots a stop, {sd:.0f} % spread), asked for a picture, and held against what
that picture would be. The truth of the first lenses is the simulator's: every place of the frame, its own colour, field
curvature and aberrations that grow to the corners, at the picture's own distance. The truth of the pupils is an overlap
integral that knows no Gaussian. Hands shake by a factor drawn about the habit's, 95 % of it within a factor of two.

Error: mean of predicted over true, less one; rms and worst over the stops f/2.8 to f/16 (at the limits: from f/4 on,
and f/2.8 apart). «Holds»: how often the range beside the figure holds the truth; 95 % is wanted.

| lens | near to far | support | in focus: rms | worst | holds | limits: rms | worst | holds | limits f/2.8: rms | \
worst | holds |
|---|---|---|---|---|---|---|---|---|---|---|---|
"""


TABLE = pages.Table(
    page=page,
    full={"trials": 60, "lenses": 99, "seed": 20},
    tiny={"trials": 1, "lenses": 1},
    keeps_notes=True,
)
