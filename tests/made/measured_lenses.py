"""Measured lenses by invention: as the library keeps them, as a comparison reads them, and as the folder of a sweep."""

import math

import numpy as np

from lensbench.edge.perception import gaussian_response
from lensbench.model.measured import BestOfSweep, CountedShot, KeptSession, MeasuredLens, SweepLens, ZoneValue
from lensbench.model.setting import Setting
from lensbench.storage.store import SWEEP_FILE, sweep_document

ZONE_LEVEL = {"inner": 1.05, "middle": 0.98, "outer": 0.88, "frame": 0.97}
CURVE = {2.8: 0.24, 4.0: 0.29, 5.6: 0.30, 8.0: 0.275, 11.0: 0.23, 16.0: 0.18}


def counted_shot(f_number, zones, *, focal_mm=50.0, number=0, **fields):
    """One refocused shot; `zones` are MTF50s by zone."""
    known = {
        "files": (f"shots/{focal_mm or 0.0:g}_{f_number:g}_{number}.dng",),
        "setting": Setting(focal_length_mm=focal_mm, f_number=f_number),
        "exact_f_number": f_number,
        "zones": {
            zone: ZoneValue(
                mtf50_cypx=float(value),
                sagittal_cypx=1.02 * float(value),
                tangential_cypx=0.98 * float(value),
                sfr=tuple(gaussian_response(float(value)).round(5).tolist()),
            )
            for zone, value in zones.items()
        },
        "iso": 100.0,
        "snr": 40.0,
        "magnification": 0.02,
        "pixel_pitch_um": 4.0,
        "size_px": (4000, 6000),
    } | fields
    # Pictures held level: as they are viewed, the lesser side is their height.
    height_px = known["size_px"][0] if known["size_px"] else None
    return CountedShot(**({"picture_height_px": height_px} | known))


def kept_session(lens="Fennel", curve=None, *, curves=None, sd=0.01, repeats=3, seed=1, shot=None, **fields):
    """A lens with the curve {f-number: MTF50}, or with {focal length: curve}; each shot strays by sd in all zones."""
    random = np.random.default_rng(seed)
    of_shots = {
        name: fields.pop(name) for name in ("pixel_pitch_um", "size_px", "sensor_data") if name in fields
    }
    shots = []
    for focal_mm, stops in (curves or {50.0: curve or CURVE}).items():
        for stop, level in stops.items():
            for number in range(repeats):
                strayed = level * np.exp(sd * random.normal())
                zones = {zone: share * strayed for zone, share in ZONE_LEVEL.items()}
                more = of_shots | (shot or {})
                shots.append(counted_shot(stop, zones, focal_mm=focal_mm, number=number, **more))
    known = {"camera": "Box One", "session": "spring", "added_at": "2026-03-14T10:00:00+00:00", "best": None}
    return KeptSession(lens=lens, shots=tuple(shots), **(known | fields))


def sweep_lens(
    name, curve, *, seed, sd=0.01, repeats=3, focal_mm=35.0, camera="Box One", left_out=(), **of_shots
):
    """A lens as a comparison reads it; each zone of each shot strays by sd on its own."""
    random = np.random.default_rng(seed)
    shots = []
    for stop, level in curve.items():
        strayed = {zone: level * np.exp(sd * random.normal(size=repeats)) for zone in ZONE_LEVEL}
        for number in range(repeats):
            zones = {zone: values[number] for zone, values in strayed.items()}
            shots.append(counted_shot(stop, zones, focal_mm=focal_mm, number=number, **of_shots))
    return SweepLens(lens=name, camera=camera, best=None, shots=(*shots, *left_out), folder=name.lower())


def sharper(share, curve=None):
    return {stop: (1.0 + share) * value for stop, value in (curve or CURVE).items()}


def sweep_folder(folder, session=None, **renamed):
    """Write what a sweep leaves behind for others to read."""
    session = session or kept_session()
    names = {"lens": session.lens, "camera": session.camera} | renamed
    folder.mkdir(parents=True)
    best = BestOfSweep(
        setting=Setting(focal_length_mm=50.0, f_number=5.6), mtf50_cypx=0.3, ci95_cypx=(0.29, 0.31)
    )
    lens = MeasuredLens(**names, best=best, shots=session.shots)
    (folder / SWEEP_FILE).write_bytes(sweep_document([lens]))
    return folder


def log_shots(lens, zone, f_number):
    """Log MTF50 of each shot of a zone at a stop."""
    return np.array(
        [math.log(shot.zones[zone].mtf50_cypx) for shot in lens.shots if shot.setting.f_number == f_number]
    )
