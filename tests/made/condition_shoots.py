"""Simulated shoots of four described lenses, as pictures: decentred, field-curved, focus-shifting and sound."""

from dataclasses import dataclass

from lensbench.simulate import Plan, Scene, ZoomPosition, prime, series, shoot, write_shots_table

FOCAL_MM = 50.0
EVEN = {
    "focal_length_mm": FOCAL_MM,
    "residual_um": 0.7,
    "residual_corner_um": 0.6,
    "open_um": 0.9,
    "open_corner_along_um": 1.2,
    "open_corner_across_um": 1.2,
}
FAULTS = {
    "sound": {},
    "decentred": {"decentring": (0.0, 0.3)},
    "field-curved": {"curvature_um": 32.0},
    "focus-shifting": {"focus_shift_um": 36.0},
}
SUBJECTS = {"decentred": "decentring", "field-curved": "field curvature", "focus-shifting": "focus shift"}
"""The one subject that must be seen; none of the others may be."""


def described(kind):
    return prime(f"Yarrow 50 mm f/2.8, {kind}", ZoomPosition(**(EVEN | FAULTS[kind])))


@dataclass(frozen=True)
class Shoot:
    """What is shot of a lens: refocused shots, a focus bracket, or both."""

    stops: tuple = (2.8, 5.6)
    repeats: int = 3
    steps_um: tuple = ()
    turned: str = ""


def take(kind, folder, what, *, layout, camera, pose, focus_spread_um=3.0, seed=5):
    """Make the pictures of one lens; give the folders and the shots tables."""
    scene = Scene(layout=layout, lens=described(kind), camera=camera, pose=pose)
    plans = {}
    if what.repeats:
        plans["refocused"] = Plan(
            focal_lengths_mm=(FOCAL_MM,),
            f_numbers=what.stops,
            repeats=what.repeats,
            focus_spread_um=focus_spread_um,
            turned=what.turned,
            seed=seed,
        )
    if what.steps_um:
        plans["bracket"] = Plan(
            focal_lengths_mm=(FOCAL_MM,),
            f_numbers=what.stops,
            repeats=1,
            focus_spread_um=focus_spread_um,
            focus_steps_um=what.steps_um,
            seed=seed + 1,
        )
    for name, plan in plans.items():
        jobs = series(scene, folder / name, plan=plan)
        shoot(jobs, truth_channels=())
        write_shots_table(folder / name, jobs)
    return [folder / name for name in plans]
