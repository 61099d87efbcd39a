"""Faults of one photograph: each drawn at a size, with what it costs; photographed, measured, and looked for."""

from dataclasses import dataclass, replace

import numpy as np
from quality_scenes import (
    PAPERS,
    flags_of,
    full_frame_scene,
    log_mtf50,
    measured,
    random_scene,
    random_shot,
    size_for_cost,
    turned,
)

from lensbench import simulate
from lensbench.chart.layout.sheet import sheet

FAIR_PERCENT = 5.0
"""Cost in MTF50 at which a fault must be found."""


@dataclass(frozen=True)
class Case:
    """One photograph with a fault."""

    size: float
    cost_percent: float
    hit: bool


def _drawn_cost(random, number):
    """Every other case costs 5 %, the others 0.5 to 20 %."""
    return FAIR_PERCENT if number % 2 else float(np.exp(random.uniform(np.log(0.5), np.log(20.0))))


def _costed(
    random, number, *, faulty, largest, flag, folder, processing=None, drawn=random_scene, **settings
):
    """Take a case whose size follows from what it costs: `faulty(scene, shot, size)` gives scene, shot, sharpening."""
    scene = drawn(random)
    shot = random_shot(random, scene, **settings)
    clean = log_mtf50(scene, shot)
    wanted = _drawn_cost(random, number)

    def cost_of(size):
        changed, taken, sharpening = faulty(scene, shot, size)
        return 100.0 * abs(float(np.expm1(log_mtf50(changed, taken, sharpening=sharpening) - clean)))

    size = size_for_cost(cost_of, wanted, largest=largest)
    if size is None:
        return None
    changed, taken, sharpening = faulty(scene, shot, size)
    work = None if processing is None else replace(processing, sharpening=sharpening)
    found = flags_of(measured(folder, changed, taken, processing=work))
    return Case(size=size, cost_percent=cost_of(size), hit=flag in found)


def shake(random, number, folder):
    """Even movement in any direction; size: its length in pixels."""
    toward = random.uniform(0.0, 2.0 * np.pi)

    def faulty(scene, shot, length_px):
        length_um = length_px * scene.camera.pitch_um
        motion = (length_um * np.sin(toward), length_um * np.cos(toward))
        return scene, replace(shot, motion_um=motion), 0.0

    return _costed(random, number, faulty=faulty, largest=6.0, flag="shake", folder=folder)


def tilted(random, number, folder):
    """The camera turned in any direction, at f/2.8 to f/5.6, on a sensor 27 to 36 mm wide; size: degrees."""
    toward = random.uniform(0.0, 2.0 * np.pi)
    f_number = float(random.choice([2.8, 4.0, 5.6]))

    def faulty(scene, shot, angle_deg):
        away = turned(scene, yaw_deg=angle_deg * np.cos(toward), pitch_deg=angle_deg * np.sin(toward))
        return away, replace(shot, f_number=f_number), 0.0

    return _costed(
        random,
        number,
        faulty=faulty,
        largest=14.0,
        flag="tilted",
        folder=folder,
        drawn=full_frame_scene,
        f_number=f_number,
        focus_error_um=0.0,
    )


def sharpened(random, number, folder):
    """In-camera sharpening of a JPEG or TIFF; size: its strength; cost: the gain in MTF50."""
    kind = simulate.Processing(
        format=str(random.choice(["jpeg", "tiff"])), jpeg_quality=int(random.choice([85, 92, 97]))
    )
    return _costed(
        random,
        number,
        faulty=lambda scene, shot, size: (scene, shot, size),
        largest=1.5,
        flag="sharpened",
        folder=folder,
        processing=kind,
    )


def white_clipped(random, _, folder):
    """Too much light; size: stops by which the paper in the picture's centre lies above white."""
    scene = random_scene(random)
    stops = random.uniform(-0.2, 1.2)
    shot = random_shot(random, scene, paper_level=2.0**stops)
    result = measured(folder, scene, shot)
    # A picture that is clipped throughout cannot be measured, and the sentence says why.
    hit = "clip" in result or "white or black limit" in result if isinstance(result, str) else None
    return Case(
        size=stops, cost_percent=np.nan, hit="white_clipped" in flags_of(result) if hit is None else hit
    )


def underexposed(random, _, folder):
    """Too little light; size: stops by which the paper in the centre lies below a fifth of white."""
    scene = random_scene(random)
    stops = random.uniform(-0.5, 2.0)
    shot = random_shot(random, scene, paper_level=0.2 * 2.0**-stops, iso=100)
    return Case(
        size=stops, cost_percent=np.nan, hit="underexposed" in flags_of(measured(folder, scene, shot))
    )


def uneven_light(random, _, folder):
    """Light that grows over the picture in any direction; size: percent of the centre's over one half-diagonal."""
    scene = random_scene(random)
    toward, slope = random.uniform(0.0, 2.0 * np.pi), random.uniform(0.02, 0.25)
    shot = random_shot(
        random, scene, light_slope=(slope * np.sin(toward), slope * np.cos(toward)), paper_level=0.6
    )
    return Case(
        size=100.0 * slope, cost_percent=np.nan, hit="uneven_light" in flags_of(measured(folder, scene, shot))
    )


def low_snr(random, _, folder):
    """Few electrons; size: 20 over the exact SNR of an edge in the centre."""
    scene = random_scene(random)
    dark = scene.layout.dark_reflectance
    paper, wanted = random.uniform(0.3, 0.7), random.uniform(8.0, 50.0)
    # Photon noise of the two plateaus, rms: SNR^2 = (bright - dark)^2 E / ((bright + dark) / 2).
    electrons = wanted**2 * 0.5 * (1.0 + dark) / (1.0 - dark) ** 2 / paper
    camera = replace(scene.camera, electrons_at_white=electrons, read_noise_electrons=0.0, cfa="rggb")
    shot = random_shot(random, scene, paper_level=paper, iso=100)
    found = flags_of(measured(folder, replace(scene, camera=camera), shot))
    return Case(size=20.0 / wanted, cost_percent=np.nan, hit="low_snr" in found)


def screened_print(random, _, folder):
    """A grey printed in dots, 1 to 3 px apart on the sensor; size: the dots' ripple on the sensor over the step, %."""
    scene = random_scene(random, print_sigma_mm=0.03)
    scene = replace(scene, layout=sheet(str(random.choice(PAPERS))))
    shot = random_shot(random, scene)
    geometry = scene.geometry(shot.focal_length_mm)
    px_per_mm = 1000.0 * geometry.view.magnification / scene.camera.pitch_um
    pitch_px = random.uniform(1.0, 3.0)
    screened = replace(scene, screen_mm=pitch_px / px_per_mm)
    blur = geometry.blur(shot, "green", (0.0, 0.0))
    transfer = abs(float(blur.along(np.array([1.0 / pitch_px]), (0.0, 1.0))[0]) * np.sinc(1.0 / pitch_px))
    # Amplitude of the screen's first harmonic, as drawn: no darker than ink.
    ripple = 100.0 * 0.5 * (scene.layout.dark_reflectance - 0.04) * transfer
    ripple /= 1.0 - scene.layout.dark_reflectance
    found = flags_of(measured(folder, screened, shot))
    return Case(size=ripple, cost_percent=np.nan, hit="screened_print" in found)


def too_near(random, _, folder):
    """A camera close to the chart; size: 25 over the distance in focal lengths."""
    scene = random_scene(random)
    focal_lengths = random.uniform(18.0, 32.0)
    pose = replace(scene.pose, distance_mm=focal_lengths * scene.lens.focal_range_mm[0])
    # A sensor as large as the chart's frame asks for at this distance.
    frame_mm = scene.frame_mm
    magnification = 1.0 / (focal_lengths - 2.0)
    pitch_um = 1000.0 * magnification * min(frame_mm[1] / scene.camera.cols, frame_mm[0] / scene.camera.rows)
    scene = replace(scene, pose=pose, camera=replace(scene.camera, pitch_um=pitch_um))
    found = flags_of(measured(folder, scene, random_shot(random, scene, f_number=8.0)))
    return Case(size=25.0 / focal_lengths, cost_percent=np.nan, hit="too_near" in found)


FAULTS = {
    "shake": shake,
    "tilted": tilted,
    "sharpened": sharpened,
    "white_clipped": white_clipped,
    "underexposed": underexposed,
    "uneven_light": uneven_light,
    "low_snr": low_snr,
    "screened_print": screened_print,
    "too_near": too_near,
}


def clean(random, folder):
    """A photograph without fault, raw or (one in five) a finished picture that was not sharpened: its flags."""
    scene = random_scene(random)
    kind = "jpeg" if random.random() < 0.2 else "dng"
    return measured(folder, scene, random_shot(random, scene), processing=simulate.Processing(format=kind))
