"""Measured shots as the simulator's exact edges would have them, with a measurement's noise: nothing is rendered."""

from pathlib import Path

import numpy as np

from lensbench.model.setting import Setting
from lensbench.model.shot import Box, ChartEdge, ChartSeen, Edge, Metadata, ShotResult, Tilt
from lensbench.model.sweep import PlannedShot, SweepShot
from lensbench.shot.geometry import direction_of, place_of
from lensbench.shot.zones import summarise
from lensbench.simulate.truth import true_edges

MEASUREMENT = 0.006
"""Noise of one edge's MTF50, as a share: a hundred edges share a shot's."""
PLACE_PX = 0.02
TILT_SD_DEG = 0.02


def seen_shot(random, scene, shot, number, *, shift_px=(0.0, 0.0), tilt_deg=(0.0, 0.0), condition=""):
    """Give what a measurement of the shot would say; `number` is its place in the order of taking."""
    geometry = scene.geometry(shot.focal_length_mm)
    size = (scene.camera.rows, scene.camera.cols)
    channel = scene.camera.channels[0]
    edges = tuple(
        _seen_edge(random, true, size, shift_px, shot.paper_level)
        for true in true_edges(geometry, shot, channels=(channel,))
    )
    metadata = Metadata(
        camera="Box One",
        lens="Invented",
        f_number=shot.f_number,
        focal_length_mm=shot.focal_length_mm,
        iso=shot.iso,
        taken_at=f"2026-03-14T10:{number // 60:02d}:{number % 60:02d}",
    )
    path = Path(f"shot_{number:04d}.dng")
    result = ShotResult(
        path=path,
        metadata=metadata,
        size_px=size,
        sensor_data=True,
        pixel_pitch_um=scene.camera.pitch_um,
        chart=_chart(scene.layout),
        magnification=geometry.view.magnification,
        distance_mm=geometry.distance_mm,
        tilt=_tilt(random, scene.pose, tilt_deg),
        edges=edges,
        summary=summarise(edges, size),
        quality=(),
    )
    planned = PlannedShot(
        path=path,
        metadata=metadata,
        overrides=None,
        lens="Invented",
        camera="Box One",
        setting=Setting(focal_length_mm=shot.focal_length_mm, f_number=shot.f_number),
        condition=condition,
    )
    return SweepShot(planned=planned, result=result)


def _seen_edge(random, true, size, shift_px, level):
    point = np.array(true.center_px) + shift_px + random.normal(0.0, PLACE_PX, 2)
    center = (float(point[0]), float(point[1]))
    place = place_of(center, size)
    edge = Edge(
        roi=Box(top=0, left=0, height=40, width=40),
        channel=true.channel,
        angle_deg=true.angle_deg,
        mtf50_cypx=true.mtf50_cypx * (1.0 + MEASUREMENT * random.standard_normal()),
        mtf50_sd_cypx=MEASUREMENT * true.mtf50_cypx,
        point_px=center,
        bright_level=level,
    )
    return ChartEdge(
        edge=edge,
        target=true.target,
        arm=true.arm,
        center_px=center,
        image_height=place.image_height,
        azimuth_deg=place.azimuth_deg,
        direction=direction_of(center, size, angle_deg=true.angle_deg),
    )


def _chart(layout):
    return ChartSeen(
        name=layout.name,
        targets_found=len(layout.targets),
        targets_on_chart=len(layout.targets),
        contrast=4.0,
        residual_px=0.05,
        radial_distortion_percent=0.0,
    )


def _tilt(random, pose, tilt_deg):
    yaw, pitch, roll = pose.yaw_deg + tilt_deg[0], pose.pitch_deg + tilt_deg[1], pose.roll_deg
    noise = random.normal(0.0, TILT_SD_DEG, 3)
    return Tilt(
        yaw_deg=yaw + noise[0],
        pitch_deg=pitch + noise[1],
        roll_deg=roll + noise[2],
        yaw_sd_deg=TILT_SD_DEG,
        pitch_sd_deg=TILT_SD_DEG,
        roll_sd_deg=TILT_SD_DEG,
    )
