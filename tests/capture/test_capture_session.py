"""A session at the camera: raw and picture of one shot, pages of a wall set out of the frame, the running table."""

from dataclasses import replace
from pathlib import Path

import pytest

from lensbench import simulate
from lensbench.capture.framing import lost_corners
from lensbench.capture.plan_book import PlanBook, outstanding_table
from lensbench.capture.session import Session
from lensbench.capture.verdict import judge
from lensbench.chart.layout.sheet import sheet
from lensbench.chart.layout.wall import hanging
from lensbench.model.errors import remark
from lensbench.model.shot import (
    Box,
    ChartEdge,
    ChartSeen,
    Direction,
    Edge,
    Metadata,
    ShotResult,
    TableRow,
    Tilt,
    ZoneFigure,
)
from lensbench.shot import measure_shot
from lensbench.shot.geometry import place_of

SIZE = (4000, 6000)
PLAN = hanging(13, paper="A4", sensor_mm=(24.0, 36.0), focal_lengths=45.0)
PX_PER_MM = SIZE[1] / PLAN.frame_mm[1]


def page_edges(name, center_px):
    """Two edges that cross in the page's middle, one upright and one level (by their angle from the columns)."""
    for arm, angle_deg in ((1, 6.0), (2, -84.0)):
        edge = Edge(
            roi=Box(top=0, left=0, height=40, width=40),
            channel="green",
            angle_deg=angle_deg,
            mtf50_cypx=0.3,
            mtf50_sd_cypx=0.002,
            point_px=center_px,
            snr=80.0,
            bright_level=0.6,
        )
        yield ChartEdge(
            edge=edge,
            target=name,
            arm=arm,
            center_px=center_px,
            image_height=place_of(center_px, SIZE).image_height,
            azimuth_deg=0.0,
            direction=Direction.OBLIQUE,
        )


def wall_shot(*, right_px=0.0, down_px=0.0, path=Path("a.dng"), **metadata):
    """The planned wall from the planned distance, the camera aimed aside: pages that leave the picture are not seen."""
    edges = []
    for page in PLAN.pages:
        row = (SIZE[0] - 1) / 2 + page.center_mm[0] * PX_PER_MM + down_px
        col = (SIZE[1] - 1) / 2 + page.center_mm[1] * PX_PER_MM + right_px
        if 0 <= row < SIZE[0] and 0 <= col < SIZE[1]:
            edges += page_edges(page.page.target.name, (row, col))
    figure = ZoneFigure(
        mtf50_cypx=0.3, ci95_cypx=(0.29, 0.31), edges=8, sagittal_cypx=0.3, tangential_cypx=0.3
    )
    return ShotResult(
        path=path,
        metadata=Metadata(f_number=5.6, focal_length_mm=50.0, **metadata),
        size_px=SIZE,
        sensor_data=True,
        pixel_pitch_um=6.0,
        chart=ChartSeen(
            name="wall of A4 pages",
            targets_found=len(edges) // 2,
            targets_on_chart=13,
            contrast=20.0,
            residual_px=0.1,
            radial_distortion_percent=0.0,
        ),
        magnification=1 / 43,
        distance_mm=2250.0,
        tilt=Tilt(pitch_deg=0.0, yaw_deg=0.0, roll_deg=0.0),
        edges=tuple(edges),
        summary=dict.fromkeys(("inner", "middle", "outer", "frame"), figure),
        quality=(),
    )


@pytest.mark.parametrize(
    ("aim", "words"),
    [
        ({"right_px": -900.0}, "corner pages out of frame at the left"),
        ({"right_px": 900.0}, "corner pages out of frame at the right"),
        ({"down_px": 700.0}, "corner pages out of frame at the bottom"),
        # EXIF 6: the stored picture's left is the scene's top.
        ({"right_px": -900.0, "orientation": 6}, "corner pages out of frame at the top"),
    ],
)
def test_lost_corner_pages_are_told_by_side(aim, words):
    assert judge(wall_shot(**aim)).repeat == (f"{words}: step back or re-aim",)


def test_a_wall_in_the_frame_loses_none():
    assert lost_corners(wall_shot()) == {}
    # A corner page that was not found though it hangs in the frame is another matter.
    hidden = wall_shot()
    edges = tuple(edge for edge in hidden.edges if edge.target != "P02")
    assert lost_corners(replace(hidden, edges=edges)) == {}


def with_arms(shot, radius_px):
    """The regions of each target's arms where they lie: half a radius from its middle, four ways."""
    edges = [
        replace(
            edge,
            center_px=(edge.center_px[0] + down * radius_px / 2, edge.center_px[1] + right * radius_px / 2),
        )
        for edge in shot.edges
        for down, right in ((0, 1), (1, 0))
    ]
    return replace(shot, edges=tuple(edges))


def test_cut_targets_of_a_wall_are_told_by_side():
    """The outermost pages hang `inset_px` from the border; a target with a larger radius is cut off there."""
    shot = wall_shot()
    inset_px = min(min(edge.center_px) for edge in shot.edges)
    assert judge(with_arms(shot, 0.9 * inset_px)).repeat == ()
    # 300 px further left and 100 px up, all by the geometry of the places.
    aside = with_arms(wall_shot(right_px=-100.0, down_px=0.0), 0.98 * inset_px)
    assert judge(aside).repeat == ("targets cut off at the left: step back or re-aim",)
    assert judge(aside).usable


def phone(shot, **metadata):
    """The same seen by a phone's camera: 5.6 mm that act as 26 mm, a stop of its own, a sharpened JPEG of no pitch."""
    figure = replace(shot.summary["frame"], mtf50_cypx=0.12)
    own = {"f_number": 1.8, "focal_length_mm": 5.6, "focal_length_35mm_mm": 26.0} | metadata
    return replace(
        shot,
        metadata=replace(shot.metadata, **own),
        sensor_data=False,
        pixel_pitch_um=None,
        summary=dict.fromkeys(shot.summary, figure),
        quality=(remark("sharpened"), remark("not_sensor_data"), remark("pitch_unknown")),
    )


def test_a_phone_is_told_what_its_pictures_are_good_for():
    """Soft all over is what its processing leaves; «shoot raw» and «keep one ISO» it may not be able to follow."""
    shot = phone(wall_shot(), iso=64)
    verdict = judge(shot, earlier=[phone(wall_shot(), iso=50)])
    assert (verdict.usable, verdict.repeat) == (True, ())
    (said,) = verdict.mind
    assert said.startswith("a finished picture from a sensor as small as a phone's")
    # The same file from a camera of full frame is told to shoot raw.
    camera = phone(wall_shot(), focal_length_mm=26.0)
    assert judge(camera).mind == ("sharpened in the camera: shoot raw",)


def test_of_a_raw_and_its_picture_the_raw_counts(tmp_path):
    book = PlanBook([TableRow(f_number=5.6), TableRow(f_number=5.6)])
    session = Session(book, measure=lambda path: wall_shot(path=path))
    picture, raw = tmp_path / "IMG_1.JPG", tmp_path / "img_1.dng"
    picture.touch()
    assert not session.has_raw(picture)
    assert session.check(picture)[0].usable
    assert [row.file for row in book.rows] == ["IMG_1.JPG", ""]
    raw.touch()
    session.check(raw)
    assert [row.file for row in book.rows] == ["img_1.dng", ""]
    assert session.has_raw(picture)
    assert not session.has_raw(raw)


def test_the_running_table_counts_by_place_and_stop():
    rows = [
        TableRow(f_number=2.8, focal_length_mm=50.0, condition="upright", file="a.dng"),
        TableRow(f_number=2.8, focal_length_mm=50.0, condition="upright"),
        TableRow(f_number=11.0, focal_length_mm=50.0, condition="upright", file="b.dng"),
        TableRow(f_number=2.8, focal_length_mm=50.0, condition="chart turned 180"),
    ]
    header, cells = outstanding_table(PlanBook(rows))
    assert header == ("", "f/2.8", "f/11")
    assert cells == [("50 mm, upright", "1 of 2", "done"), ("50 mm, chart turned 180", "0 of 1", "")]


def test_directions_are_those_of_the_simulator(tmp_path):
    """Light that rises down and to the right by 0.06 and 0.18; an image that moves down by 10 um, 1.25 px."""
    layout = sheet("A3")
    lens = simulate.prime("Invented 35", simulate.ZoomPosition(focal_length_mm=35), widest_f_number=2.8)
    scene = simulate.Scene(
        layout=replace(layout, targets=layout.targets[::2]),
        lens=lens,
        camera=simulate.Camera(rows=928, cols=1392, pitch_um=8.0),
    )
    still = simulate.Shot(focal_length_mm=35.0, f_number=5.6)
    shots = {
        "lit": replace(still, light_slope=(0.06, 0.18)),
        "down": replace(still, motion_um=(10.0, 0.0), shutter_s=1 / 15),
        "right": replace(still, motion_um=(0.0, 10.0), shutter_s=1 / 15),
    }
    jobs = [
        simulate.Job(scene=scene, shot=shot, path=tmp_path / f"{name}.dng") for name, shot in shots.items()
    ]
    simulate.shoot(jobs, truth_channels=())
    said = {job.path.stem: judge(measure_shot(job.path)).line for job in jobs}
    assert "light is weaker at the left" in said["lit"]
    assert "1/15 s: vertical shake, use the timer" in said["down"]
    assert "1/15 s: sideways shake, use the timer" in said["right"]
