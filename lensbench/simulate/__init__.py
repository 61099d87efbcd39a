"""Photographs of the chart through a described lens and camera, with known truth.

from lensbench import simulate
lens = simulate.prime("Linden 35", simulate.ZoomPosition(focal_length_mm=35))
    scene = simulate.Scene(layout=sheet("A3"), lens=lens)
photo = simulate.photograph(scene, simulate.Shot(focal_length_mm=35, f_number=5.6))
photo.mosaic, photo.edges
"""

from lensbench.simulate.camera import Camera
from lensbench.simulate.demo_shoot import demo_jobs
from lensbench.simulate.lens import Lens, ZoomPosition, prime
from lensbench.simulate.lenses import INVENTED_LENSES, lens_described
from lensbench.simulate.plan import Plan, series
from lensbench.simulate.scene import Scene, Shot
from lensbench.simulate.shooting import Job, Photograph, Processing, photograph, picture, shoot
from lensbench.simulate.shots_table import SHOTS_TABLE, write_shots_table
from lensbench.simulate.truth import TrueEdge
from lensbench.simulate.view import Pose
from lensbench.simulate.wall import AS_PLANNED, ByHand, hung_wall

__all__ = [
    "AS_PLANNED",
    "INVENTED_LENSES",
    "SHOTS_TABLE",
    "ByHand",
    "Camera",
    "Job",
    "Lens",
    "Photograph",
    "Plan",
    "Pose",
    "Processing",
    "Scene",
    "Shot",
    "TrueEdge",
    "ZoomPosition",
    "demo_jobs",
    "hung_wall",
    "lens_described",
    "photograph",
    "picture",
    "prime",
    "series",
    "shoot",
    "write_shots_table",
]
