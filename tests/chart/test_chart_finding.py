"""Finding the chart in pictures whose geometry is known: rendered here, and rasterised from our own PDF."""

from functools import cache

import cv2
import numpy as np
import pypdfium2
import pytest
import skimage.data
from chart_pictures import ArrayPicture, Camera, photograph

from lensbench.chart.draw.charts import draw
from lensbench.chart.find.chart import find_chart
from lensbench.chart.find.sighting import read_markers
from lensbench.chart.find.targets import arm_regions
from lensbench.chart.layout.sheet import sheet
from lensbench.model.errors import ChartError

SHEET = sheet("A3")
NOISE = 0.0105  # bright minus dark is 0.525 in these pictures: SNR 50

CASES = {
    "square on": (Camera(), {}),
    "tilted 15": (Camera(yaw_deg=12, pitch_deg=-9, roll_deg=4, distance_mm=470), {}),
    "upside down": (Camera(roll_deg=181), {}),
    "portrait": (Camera(size_px=(1500, 1000), roll_deg=91), {}),
    "portrait the other way": (Camera(size_px=(1500, 1000), roll_deg=-88), {}),
    "barrel 6 %": (Camera(corner_shift=-0.06, roll_deg=2), {}),
    "pincushion 6 %": (Camera(corner_shift=0.06, roll_deg=-37, distance_mm=640), {}),
    "blurred": (Camera(roll_deg=3), {"blur_px": 2.5}),
    "far": (Camera(roll_deg=20, distance_mm=940), {}),
    "partly outside": (Camera(roll_deg=2, distance_mm=330, offset_mm=(40.0, 60.0)), {}),
    "uneven light": (Camera(roll_deg=5), {"light": np.linspace(1.0, 0.33, 1500, dtype=np.float32)[None]}),
}
cases = pytest.mark.parametrize("case", CASES)


@cache
def found_in(case):
    camera, how = CASES[case]
    picture = noisy(photograph(SHEET, camera, **how), NOISE)
    return camera, find_chart(ArrayPicture(picture, bayer=True))


def noisy(picture, sd, seed=7):
    return picture + sd * np.random.default_rng(seed).standard_normal(picture.shape, dtype=np.float32)


def inside(camera, point_px, margin_px):
    return all(
        margin_px <= p <= side - 1 - margin_px for p, side in zip(point_px, camera.size_px, strict=True)
    )


@cases
def test_all_targets_whose_crossing_shows_are_found(case):
    camera, found = found_in(case)
    assert found.layout.name == "sheet A3"
    seen = {target.target.name for target in found.targets}
    shown = {t.name for t in SHEET.targets if inside(camera, camera.to_px(t.center_mm), 8.0)}
    assert len(shown) >= 10
    assert shown <= seen


@cases
def test_crossings_are_right_and_their_deviations_true(case):
    """Truth: the camera's own closed form. The aim is 0.03 px at SNR 50; light down to a third has SNR 17."""
    camera, found = found_in(case)
    error = np.array(
        [found_at.crossing_px - camera.to_px(found_at.target.center_mm) for found_at in found.targets]
    )
    sd = np.array([target.crossing_sd_px for target in found.targets])
    rms = float(np.sqrt((error**2).mean()))
    assert rms < (0.06 if case == "uneven light" else 0.03)
    # 4 x 4 points a pixel leave the picture itself a grain of about 0.01 px.
    assert rms < 1.5 * float(np.sqrt((sd**2 + 0.01**2).mean()))
    assert rms > 0.5 * float(np.sqrt((sd**2).mean()))


@cases
def test_geometry_is_right(case):
    camera, found = found_in(case)
    assert found.residual_px < (0.1 if case == "uneven light" else 0.05)
    marks = np.array([m.center_mm for m in SHEET.markers])
    placed = camera.to_px(marks)
    shown = [inside(camera, point, 0.0) for point in placed]
    assert np.abs(found.mapping.to_px(marks) - placed)[shown].max() < (0.5 if case == "uneven light" else 0.2)
    if case not in ("far", "partly outside"):
        assert found.mapping.distortion_percent == pytest.approx(100 * camera.corner_shift, abs=0.1)


def test_scale_and_blur_and_contrast_come_out():
    camera, found = found_in("square on")
    jacobian = found.mapping.jacobian(np.zeros((1, 2)))[0]
    # Pinhole: f / distance pixels a millimetre.
    assert np.sqrt(np.linalg.det(jacobian)) == pytest.approx(camera.focal_px / camera.distance_mm, rel=1e-3)
    assert found.contrast == pytest.approx(4.0, rel=0.02)
    # Gaussian of 0.8 px and a pixel's box (variance 1/12) together.
    assert found.blur_px == pytest.approx(np.hypot(0.8, np.sqrt(1 / 12)), rel=0.03)


@cases
def test_regions_hold_one_edge_only(case):
    """Every pixel of a box, mapped to the chart, lies in one target, beyond the other line, inside the rim."""
    camera, found = found_in(case)
    for target in found.targets:
        for arm in target.arms:
            box = arm.box
            assert box.top >= 0
            assert box.left >= 0
            assert box.top + box.height <= camera.size_px[0]
            assert box.left + box.width <= camera.size_px[1]
            grid = np.stack(
                np.meshgrid(box.top + np.arange(box.height), box.left + np.arange(box.width), indexing="ij"),
                -1,
            )
            offset = camera.to_mm(grid) - np.array(target.target.center_mm)
            along = offset @ np.array(target.target.arm_direction(arm.arm))
            across = offset @ np.array(target.target.arm_direction(arm.arm % 4 + 1))
            px_per_mm = target.radius_px / target.target.radius_mm
            assert along.min() * px_per_mm > 2.0 * found.blur_px
            assert (target.target.radius_mm - np.hypot(along, across)).min() * px_per_mm > 2.0 * found.blur_px
            assert across.min() < -0.1 * target.target.radius_mm
            assert across.max() > 0.1 * target.target.radius_mm


@cases
def test_angles_are_those_of_the_edges_in_the_picture(case):
    """By hand: two points of an arm, placed by the camera's closed form; angle from vertical, leaning right +."""
    camera, found = found_in(case)
    for target in found.targets:
        for arm in target.arms:
            direction = np.array(target.target.arm_direction(arm.arm))
            center = np.array(target.target.center_mm)
            near, far = (camera.to_px(center + s * target.target.radius_mm * direction) for s in (0.4, 0.6))
            (row, col) = near - far if near[0] < far[0] else far - near
            expected = np.degrees(np.arctan2(col, -row))
            assert abs((arm.angle_deg - expected + 90) % 180 - 90) < 0.6
            assert -90.0 <= arm.angle_deg < 90.0


def test_regions_are_large():
    """Square on, a rectangle in a half disc can take 0.77 r along and 1.27 r across (length squared x width)."""
    _, found = found_in("square on")
    centre = found.targets[0]
    assert len(centre.arms) == 4
    for arm in centre.arms:
        assert arm.box.height * arm.box.width > 0.4 * centre.radius_px**2


def test_a_solid_chart_and_a_sheet_of_odd_size():
    for layout in (sheet("A4", solid=True), sheet("640x480")):
        camera = Camera(roll_deg=4, distance_mm=1.15 * layout.paper_mm[1])
        found = find_chart(ArrayPicture(noisy(photograph(layout, camera, blur_px=1.2), 0.01)))
        assert found.layout.paper_mm == layout.paper_mm
        assert len(found.targets) >= 28


def test_a_covered_target_is_left_out():
    camera = Camera()
    picture = photograph(SHEET, camera)
    hidden = SHEET.targets[5]
    row, col = (round(float(p)) for p in camera.to_px(hidden.center_mm))
    picture[row - 60 : row + 60, col - 60 : col + 60] = 1.0
    found = find_chart(ArrayPicture(noisy(picture, 0.01)))
    assert hidden.name not in {target.target.name for target in found.targets}
    assert len(found.targets) == len(SHEET.targets) - 1


def test_our_pdf_photographed_is_found(tmp_path):
    """PDFium rasterises the page, OpenCV tilts it: nothing of our drawing in numbers is shared but the PDF."""
    draw(SHEET, tmp_path / "sheet.pdf")
    document = pypdfium2.PdfDocument(tmp_path / "sheet.pdf")
    page = document[0].render(scale=150 / 72, grayscale=True).to_numpy().squeeze()
    document.close()
    light = np.where(page <= 10, page / 255 / 12.92, ((page / 255 + 0.055) / 1.055) ** 2.4).astype(np.float32)
    rows, cols = light.shape
    tilt = np.array([[0.72, 0.05, 90.0], [-0.06, 0.75, 150.0], [-2e-5, 3e-5, 1.0]])
    picture = 0.7 * cv2.warpPerspective(
        cv2.GaussianBlur(light, (0, 0), 1.0), tilt, (2000, 1400), flags=cv2.INTER_AREA, borderValue=1.0
    )
    found = find_chart(ArrayPicture(noisy(picture, 0.005)))
    assert len(found.targets) == len(SHEET.targets)
    for target in found.targets:
        row, col = (
            (c / s + 0.5) * n - 0.5
            for c, s, n in zip(target.target.center_mm, SHEET.paper_mm, (rows, cols), strict=True)
        )
        placed = tilt @ (col, row, 1.0)
        assert target.crossing_px == pytest.approx((placed[1] / placed[2], placed[0] / placed[2]), abs=0.12)
    assert found.contrast == pytest.approx(4.0, rel=0.04)


PHOTOGRAPHS = ("astronaut", "camera", "coins", "brick", "text", "page", "checkerboard", "coffee", "grass")


@pytest.mark.parametrize("name", PHOTOGRAPHS)
def test_no_chart_is_found_where_there_is_none(name):
    picture = getattr(skimage.data, name)()
    grey = picture if picture.ndim == 2 else cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY)
    with pytest.raises(ChartError, match="no chart was found"):
        find_chart(ArrayPicture((grey / 255.0).astype(np.float32) ** 2))


def test_nor_in_noise_nor_on_a_blank_wall_nor_in_foreign_markers():
    noise = np.random.default_rng(3).random((600, 900), dtype=np.float32)
    foreign = np.ones((700, 900), dtype=np.uint8) * 200
    codes = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_6X6_250)
    for number in range(12):
        row, col = 40 + 220 * (number // 4), 40 + 210 * (number % 4)
        foreign[row : row + 80, col : col + 80] = cv2.aruco.generateImageMarker(codes, number, 80) // 2
    for picture in (noise, np.full((600, 900), 0.5, dtype=np.float32), (foreign / 255).astype(np.float32)):
        with pytest.raises(ChartError, match="no chart was found"):
            find_chart(ArrayPicture(picture))


def test_a_mirrored_chart_is_no_chart():
    with pytest.raises(ChartError):
        find_chart(ArrayPicture(np.ascontiguousarray(photograph(SHEET, Camera())[:, ::-1])))


def test_too_little_of_the_chart_is_told():
    camera = Camera(distance_mm=140.0, offset_mm=(60.0, 60.0))
    with pytest.raises(ChartError, match="show"):
        find_chart(ArrayPicture(photograph(SHEET, camera)))


@pytest.mark.parametrize("blur_px", [1.0, 2.0])
def test_markers_are_read_when_they_are_twenty_blurs_wide(blur_px):
    """Common practice, no source. Markers here are 40 px wide."""
    grey = ArrayPicture(photograph(SHEET, Camera(roll_deg=30.0), blur_px=blur_px)).overview(2_000_000).grey
    read = read_markers(grey)
    true = {marker.marker_id for marker in SHEET.markers}
    camera = Camera(roll_deg=30.0)
    assert set(read.ids) <= true
    shown = [m for m in SHEET.markers if inside(camera, camera.to_px(m.center_mm), 40.0)]
    assert len(set(read.ids) & {m.marker_id for m in shown}) >= 0.9 * len(shown)
    by_id = dict(zip(read.ids, read.corners, strict=True))
    for marker in shown:
        if marker.marker_id in by_id:
            first = camera.to_px(np.array(marker.center_mm) - marker.side_mm / 2)
            assert by_id[marker.marker_id][0] == pytest.approx(first, abs=4.0)


@pytest.mark.parametrize("turn_deg", [4.0, 86.0, -7.0])
def test_regions_end_where_no_fit_looks_any_more(turn_deg):
    """Of sharp edges 40 px to each side are looked at, 320 bins of an eighth of a pixel (derived)."""
    turn = np.radians(turn_deg + 90.0 * np.arange(4))
    arms_px = 170.0 * np.stack((-np.cos(turn), -np.sin(turn)), axis=-1)[None]
    crossing = np.array([[400.3, 500.8]])

    def reaches(blur_px):
        found = arm_regions(crossing, arms_px=arms_px, blur_px=np.array([blur_px]), size_px=(800, 1000))[0]
        for arm in found:
            along = arms_px[0, arm.arm - 1] / 170.0
            rows = arm.box.top + np.arange(arm.box.height) - crossing[0, 0]
            cols = arm.box.left + np.arange(arm.box.width) - crossing[0, 1]
            distance = np.subtract.outer(rows * along[1], cols * along[0])
            lengthwise = 1 if abs(along[0]) > abs(along[1]) else 0
            yield distance.max(axis=lengthwise).min(), -distance.min(axis=lengthwise).max()

    sharp, soft = (np.array(list(reaches(blur_px))) for blur_px in (0.6, 4.0))
    assert len(sharp) == 4
    assert sharp.min() >= 40.0
    assert sharp.max() < 46.0
    assert soft.min() > 50.0
