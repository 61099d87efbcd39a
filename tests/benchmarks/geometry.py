"""Print how truly one photograph tells where the camera stood: at many fields, on sheets and on walls.

Frames of 6 MP drawn by `drawn_frames`, a pinhole with distortion, which shares nothing with the fit.
The whole table: about a thousand frames take some five minutes on one core.
"""

from dataclasses import dataclass

import numpy as np
import pages
from drawn_frames import PAPER, StretchedPage, draw, draw_into, turned_camera
from finding import raw_frame

from lensbench.chart.find.chart import find_chart
from lensbench.chart.layout.sheet import sheet
from lensbench.chart.layout.wall import hanging, hung, wall_layout
from lensbench.shot.geometry import camera_pose

SIZE_PX = (2000, 3000)
PITCH_UM = 6.0
FIELDS_DEG = (10, 15, 20, 30, 40, 55, 75)
"""Across the frame's diagonal."""
MOST_TILT_DEG, MOST_BEND = 6.0, 0.04
PRINT_SCALE_SD, PRINT_STRETCH_SD, PLACE_MM, TURN_DEG, ASIDE = 0.001, 0.0005, 20.0, 2.0, 0.02
FOCAL_LENGTHS = {5: 40.0, 13: 50.0, 29: 80.0}
"""At which so many A4 pages fit into the frame."""


def true_tilt(turn):
    """Give yaw, pitch, roll in degrees by the house's convention, from the chart's axes seen by the camera.

    Rows of `turn` are the camera's down, right and forward in the chart's own (down, right, into the wall).
    """
    right, forward = turn[1], turn[2]
    yaw, pitch = np.arctan2(forward[1], forward[2]), np.arcsin(-forward[0])
    level = np.array([0.0, np.cos(yaw), -np.sin(yaw)])
    below = np.cross(forward, level)
    below *= np.sign(below[0])
    return np.degrees([yaw, pitch, np.arctan2(right @ below, right @ level)])


def printed_wall(random, *, pages):
    """A wall hung by hand, every page printed at a scale and a stretch of its own; pages and their stretches."""
    planned = hanging(pages, paper="A4", focal_lengths=FOCAL_LENGTHS[pages]).pages
    wall = [
        hung(
            page.page,
            tuple(np.add(page.center_mm, PLACE_MM * random.standard_normal(2))),
            turn_deg=page.turn_deg + TURN_DEG * random.standard_normal(),
            scale=1.0 + PRINT_SCALE_SD * random.standard_normal(),
        )
        for page in planned
    ]
    along, askew = PRINT_STRETCH_SD * random.standard_normal((2, pages))
    stretches = [np.array([[1 + a, b], [b, 1 - a]]) for a, b in zip(along, askew, strict=True)]
    turns = [np.radians(page.turn_deg) for page in wall]
    on_wall = [np.array([[np.cos(t), np.sin(t)], [-np.sin(t), np.cos(t)]]) for t in turns]
    return wall, [turn @ s @ turn.T for turn, s in zip(on_wall, stretches, strict=True)]


def drawn_wall(wall, stretches, camera, *, blur_px):
    """Give the light of a wall, page by page."""
    picture = np.ones(camera.size_px, dtype=np.float32)
    for page, stretch in zip(wall, stretches, strict=True):
        layout = wall_layout([page], size_mm=page.page.paper_mm)
        seen = StretchedPage(camera=camera, middle_mm=np.array(page.center_mm), stretch=stretch)
        draw_into(picture, layout, seen, blur_px=blur_px)
    return PAPER * picture


@dataclass
class Seen:
    """One photograph: what was told and how far off it was."""

    off_deg: np.ndarray
    sd_deg: np.ndarray
    magnification_off: float
    distance_off: float
    distortion_off: float
    tilt_deg: float


def photographed(kind, random, field_deg):
    """Draw, find and read one photograph that the chart fills; give what was told against what is true.

    `kind` is "sheet" or a number of pages.
    """
    one_sheet = kind == "sheet"
    chart = sheet("A3") if one_sheet else printed_wall(random, pages=kind)
    width_mm = (
        chart.frames[0].size_mm[1]
        if one_sheet
        else hanging(kind, paper="A4", focal_lengths=FOCAL_LENGTHS[kind]).frame_mm[1]
    )
    half_diagonal = np.hypot(*SIZE_PX) / 2
    focal_px = half_diagonal / np.tan(np.radians(field_deg / 2))
    bend = random.uniform(-MOST_BEND, MOST_BEND)
    tilt, toward = random.uniform(0, MOST_TILT_DEG), random.uniform(0, 2 * np.pi)
    camera = turned_camera(
        yaw_deg=tilt * np.cos(toward),
        pitch_deg=tilt * np.sin(toward),
        roll_deg=random.uniform(-4, 4),
        focal_px=focal_px,
        distance_mm=1.08 * focal_px * width_mm / SIZE_PX[1],
        offset_mm=tuple(random.uniform(-ASIDE, ASIDE, 2) * width_mm),
        corner_shift=bend,
        size_px=SIZE_PX,
    )
    blur_px = random.uniform(0.7, 1.5)
    light = draw(chart, camera, blur_px=blur_px) if one_sheet else drawn_wall(*chart, camera, blur_px=blur_px)
    found = find_chart(raw_frame(light, random))
    image_mm = focal_px * PITCH_UM / 1000.0
    magnification = image_mm / camera.distance_mm
    pose = camera_pose(
        found.mapping.homography,
        SIZE_PX,
        focal_length_mm=1.0 / (1.0 / image_mm + 1.0 / camera.distance_mm),
        pixel_pitch_um=PITCH_UM,
        spread=found.mapping.spread,
    )
    tilt_told = pose.tilt
    told = np.array([tilt_told.yaw_deg, tilt_told.pitch_deg, tilt_told.roll_deg])
    sd = np.array([tilt_told.yaw_sd_deg, tilt_told.pitch_sd_deg, tilt_told.roll_sd_deg])
    return Seen(
        off_deg=(told - true_tilt(camera.turn) + 180.0) % 360.0 - 180.0,
        sd_deg=sd,
        magnification_off=pose.magnification / magnification - 1.0,
        distance_off=pose.distance_mm / (camera.distance_mm + image_mm) - 1.0,
        distortion_off=found.mapping.distortion_percent - 100.0 * bend,
        tilt_deg=tilt,
    )


def rms(values):
    return float(np.sqrt(np.mean(np.square(values))))


COLUMNS = (
    "field",
    "yaw, pitch: rms error",
    "their sd as stated",
    "error over sd, rms",
    "roll: rms error",
    "over sd",
    "magnification, distance: rms",
    "distortion: rms",
)


def row(name, seen):
    turned = np.array([one.off_deg[:2] for one in seen]).ravel()
    turned_sd = np.array([one.sd_deg[:2] for one in seen]).ravel()
    roll = np.array([one.off_deg[2] for one in seen])
    roll_sd = np.array([one.sd_deg[2] for one in seen])
    return (
        f"| {name} | {rms(turned):.3f}° | {np.sqrt(np.mean(turned_sd**2)):.3f}° | "
        f"{rms(turned / turned_sd):.2f} | {rms(roll):.4f}° | {rms(roll / roll_sd):.2f} | "
        f"{100 * rms([one.magnification_off for one in seen]):.3f} %, "
        f"{100 * rms([one.distance_off for one in seen]):.3f} % | "
        f"{rms([one.distortion_off for one in seen]):.3f} % |"
    )


def keystone(seen):
    """Tell whether distortion errors go with the tilt: their rms for the third tilted least, and most."""
    ordered = sorted(seen, key=lambda one: one.tilt_deg)
    third = max(len(ordered) // 3, 1)
    least, most = (rms([one.distortion_off for one in part]) for part in (ordered[:third], ordered[-third:]))
    return least, most


def many(kind, cases, seed, field_deg):
    """Give so many photographs at one field."""
    code = 0 if kind == "sheet" else kind
    return [
        photographed(kind, np.random.default_rng([seed, field_deg, number, code]), field_deg)
        for number in range(cases)
    ]


def page(*, cases, fields, seed):
    """The page; the first `fields` of the angles."""
    yield from INTRODUCTION.strip().splitlines()
    everything = {"sheet": [], "wall": []}
    for kind, title in (("sheet", "A sheet (A3)"), (13, "A wall set (13 pages A4)")):
        yield from ("", f"## {title}", "", *pages.head(*COLUMNS))
        for field_deg in FIELDS_DEG[:fields]:
            photographs = many(kind, cases, seed, field_deg)
            everything["sheet" if kind == "sheet" else "wall"] += photographs
            yield from pages.shown([row(f"{field_deg}°", photographs)])
        if fields < len(FIELDS_DEG):
            continue
        if kind != "sheet":
            yield from (row(f"40°, {count} pages", many(count, cases, seed, 40)) for count in (5, 29))
    yield from ("", closing(everything))


def closing(everything):
    lines = ["## Keystone and distortion", ""]
    for kind, seen in everything.items():
        least, most = keystone(seen)
        lines.append(
            f"- {kind}: error of the distortion {least:.3f} % (rms) in the third of the frames that were tilted "
            f"least, {most:.3f} % in the third tilted most (4 to 6 degrees)."
        )
    return "\n".join(lines)


INTRODUCTION = """
# Where the camera stood: measured

Frames of 6 MP, raw, Bayer filter, that the chart fills, drawn in
closed form; drawn at random: tilt 0 to 6 degrees in any direction, roll -4 to 4 degrees, aim up to 2 % of the
frame's width off, radial distortion -4 to +4 % at the corner, blur 0.7 to 1.5 px, paper at 0.8 of 1500 electrons.
Focal length and pixel pitch are known. The field is the whole angle across the frame's diagonal.
Pages of a wall hang by hand (20 mm and 2 degrees of scatter); their prints differ in scale with an sd of 0.1 %, and
each is stretched along one axis against the other, and askew, with an sd of 0.05 %: what the stated sd reckons with.
It also reckons with edges ragged by 0.03 mm, which these prints are not: at narrow fields, where the scale of pages
counts less, it is therefore stated up to a quarter too large.
Distortion is ISO 17850's local geometric distortion (from memory): 100 (actual image height - predicted) /
predicted, here at the picture's corner.
"""

TABLE = pages.Table(page=page, full={"cases": 60, "fields": 7, "seed": 1}, tiny={"cases": 1, "fields": 1})
