"""Photographs of the chart through a described lens and camera, with known truth.

>>> from lensbench import simulate
>>> from lensbench.chart.layout import sheet
>>> lens = simulate.prime("Linden 35", simulate.ZoomPosition(focal_length_mm=35.0))
>>> camera = simulate.Camera(rows=300, cols=450, pitch_um=12.0)
>>> scene = simulate.Scene(layout=sheet("A4"), lens=lens, camera=camera)
>>> photo = simulate.photograph(scene, simulate.Shot(focal_length_mm=35.0, f_number=5.6))
>>> photo.mosaic.shape, len(photo.edges) > 0
((300, 450), True)
"""

from lensbench.simulate.camera import Camera, Pose
from lensbench.simulate.lens import Lens, ZoomPosition, prime
from lensbench.simulate.lenses import (
    DEMO_SEED,
    INVENTED_LENSES,
    PRIME_FOLDER,
    ZOOM_FOLDER,
    demo_jobs,
    lens_described,
)
from lensbench.simulate.plan import SHOTS_TABLE, Plan, series, write_shots_table
from lensbench.simulate.scene import ByHand, Scene, Shot, hung_wall
from lensbench.simulate.shooting import Job, Photograph, Processing, photograph, picture, shoot
from lensbench.simulate.truth import TrueEdge
