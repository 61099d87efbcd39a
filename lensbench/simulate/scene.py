"""The chart before the camera: shots described, and the light that each puts on the sensor.

Shots of one scene at one focal length share their geometry, so every shape of the chart is drawn and
transformed once and then filtered for each stop and focus. A wall set hangs as somebody hung it: every page a little
off its place, a little turned, a little mis-scaled.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Final

import numpy as np

from lensbench import optics
from lensbench.chart.layout import Layout, Marker, Target, Tone, hanging, hung, wall_layout
from lensbench.simulate.camera import Camera, Pose, View, magnification_of
from lensbench.simulate.lens import Lens, PointBlur, ZoomPosition
from lensbench.simulate.pattern import Patch, square_patch, target_patch

Shape = Target | Marker | Tone
_METERED_S: Final = 1.0 / 30.0  # exposure time at f/5.6 and ISO 100 in the simulated room.


@dataclass(frozen=True, slots=True, kw_only=True)
class Shot:
    """One press of the button."""

    focal_length_mm: float
    f_number: float
    focus_error_um: float = 0.0
    """Sensor plane less plane of the sharp image: positive when the lens is set too near."""
    paper_level: float = 0.65
    """Green signal of the paper in the picture's centre, as a share of white."""
    iso: int = 100
    seed: int = 0
    """Of the noise."""
    noise: bool = True
    taken_at: str = "2026-03-14T10:00:00"
    motion_um: tuple[float, float] = (0.0, 0.0)
    """Even movement of the image over the sensor while the shutter is open: (down, right). Shake."""
    filter_um: float = 0.0
    """Gaussian blur (sigma, on the sensor) of a filter before the lens, the same all over."""
    light_slope: tuple[float, float] = (0.0, 0.0)
    """Growth of the light over one half-diagonal (down, right) of the picture: 0.1 is a tenth of the centre's."""
    shutter_s: float | None = None
    """Exposure time for the metadata, where another than the metered one is to be told."""
    condition: str = ""
    """What was done to this shot, for the truth file: «misfocused»."""
    focus_group: str = ""
    """Shots without a focusing anew between, for the shots table."""
    focus_step: float | None = None
    """Position of the focus within the group, for the shots table. [um]"""

    @property
    def exposure_s(self) -> float:
        """The time for the metadata: as told, or what keeps the same light at another stop or ISO."""
        if self.shutter_s is not None:
            return self.shutter_s
        return _METERED_S * (self.f_number / 5.6) ** 2 * 100.0 / self.iso


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """A chart, a lens and a camera standing somewhere."""

    layout: Layout
    lens: Lens
    camera: Camera = field(default_factory=Camera)
    pose: Pose = field(default_factory=Pose)
    print_sigma_mm: float = 0.0
    """Gaussian blur of the print's own edges."""
    screen_mm: float = 0.0
    """Pitch of the dots that the targets' dark quarters are printed with; 0: even ink."""

    def geometry(self, focal_length_mm: float) -> "Geometry":
        """Where everything lies at a focal length."""
        return Geometry(scene=self, focal_length_mm=focal_length_mm)

    @property
    def frame_mm(self) -> tuple[float, float]:
        """The frame on the chart whose ratio is nearest to the camera's: (height, width)."""
        return self.layout.frame_mm(self.camera.cols / self.camera.rows)


@dataclass(frozen=True, kw_only=True, eq=False)
class Geometry:
    """A scene at one focal length: the view, and the blur at each place of it."""

    scene: Scene
    focal_length_mm: float

    @cached_property
    def optics_here(self) -> ZoomPosition:
        """The lens at this focal length."""
        return self.scene.lens.at(self.focal_length_mm)

    @cached_property
    def view(self) -> View:
        """Where chart points fall."""
        scene = self.scene
        magnification = magnification_of(
            scene.pose, focal_length_mm=self.focal_length_mm, frame_mm=scene.frame_mm, camera=scene.camera
        )
        return View.of(scene.camera, self.optics_here, pose=scene.pose, magnification=magnification)

    @property
    def distance_mm(self) -> float:
        """From the chart plane to the sensor."""
        return optics.chart_distance_mm(
            focal_length_mm=self.focal_length_mm, magnification=self.view.magnification
        )

    def outward(self, channel: str) -> float:
        """Radial scale of a channel against green, less one."""
        return float(getattr(self.optics_here, f"{channel}_outward", 0.0))

    def blur(self, shot: Shot, channel: str, center_mm: tuple[float, float]) -> PointBlur:
        """Blur that was rendered round a point of the chart, the print's included."""
        camera, view = self.scene.camera, self.view
        point_mm = np.asarray(center_mm)
        away_px = view.pixel_of(point_mm) - np.asarray(camera.center_px)
        down, right = (float(v) for v in away_px / camera.half_diagonal_px)
        # A point further away is sharp nearer to the lens, by m^2 times as much.
        chart_depth_um = 1000.0 * float(view.depth_mm(point_mm)) * view.magnification**2
        lens_blur = self.scene.lens.point_blur(
            (down, right),
            channel=channel,
            focal_length_mm=self.focal_length_mm,
            f_number=shot.f_number,
            working_f_number=optics.working_f_number(shot.f_number, magnification=view.magnification),
            focus_um=shot.focus_error_um + chart_depth_um,
            pitch_um=camera.pitch_um,
        )
        jacobian, filter_px = view.jacobian(point_mm), shot.filter_um / camera.pitch_um
        spread = self.scene.print_sigma_mm**2 * jacobian @ jacobian.T + filter_px**2 * np.eye(2)
        row_row, row_col, col_col = (lens_blur.spread_px2 + spread[np.triu_indices(2)]).tolist()
        down_um, right_um = shot.motion_um
        return replace(
            lens_blur,
            spread_px2=(row_row, row_col, col_col),
            motion_px=(down_um / camera.pitch_um, right_um / camera.pitch_um),
        )

    def shapes(self) -> Iterator[Shape]:
        """Every shape of the chart that the picture may show."""
        layout = self.scene.layout
        printed = [tone for tone in layout.tones if tone.reflectance < 1.0]
        shapes: list[Shape] = [*layout.targets, *layout.markers, *printed]
        for shape in shapes:
            point_mm = np.asarray(shape.center_mm)
            reach_mm = shape.radius_mm if isinstance(shape, Target) else shape.side_mm
            reach_px = reach_mm * np.abs(self.view.jacobian(point_mm)).sum() + self.scene.lens.margin_px
            place_px, size_px = self.view.pixel_of(point_mm), (self.scene.camera.rows, self.scene.camera.cols)
            if np.all((-reach_px < place_px) & (place_px < size_px + reach_px)):
                yield shape

    def drawn(self, shape: Shape, outward: float) -> Patch:
        """Draw a shape where a colour with this radial scale sees it."""
        layout, margin_px = self.scene.layout, self.scene.lens.margin_px
        if isinstance(shape, Target):
            return target_patch(
                self.view,
                shape,
                dark=layout.dark_reflectance,
                light=layout.light_reflectance,
                outward=outward,
                margin_px=margin_px,
                screen_mm=self.scene.screen_mm,
            )
        ink, black = np.ones((1, 1), dtype=np.bool_), layout.marker_reflectance
        if isinstance(shape, Tone):
            black = shape.reflectance
        else:
            from lensbench.chart.layout import marker_modules  # noqa: PLC0415 - heavy

            ink = marker_modules(shape.marker_id)
        return square_patch(self.view, shape, ink, black=black, outward=outward, margin_px=margin_px)


@dataclass(frozen=True, slots=True, kw_only=True)
class ByHand:
    """How far pages stray from the plan: standard deviations."""

    place_mm: float = 10.0
    """Along rows and columns alike."""
    turn_deg: float = 1.0
    scale: float = 0.0005
    """Of one page's print against the others'."""
    seed: int = 1


_BY_HAND: Final = ByHand()


def hung_wall(
    pages: int,
    *,
    paper: str = "A4",
    sensor_mm: tuple[float, float] = (24.0, 36.0),
    focal_lengths: float = 50.0,
    by_hand: ByHand = _BY_HAND,
    dark_reflectance: float = 0.0,
) -> Layout:
    """Wall set as it hangs, ready to be photographed: its frame is the plan's.

    1 to 29 pages of A4, A3, Letter or Tabloid, planned for a sensor (height, width) and for a distance from the wall to
    it in focal lengths. `dark_reflectance` is that of the dark quarters, paper white being 1.

    Raises
    ------
    SettingError
        The pages do not fit into the frame at this distance.
    """
    plan = hanging(pages, paper=paper, sensor_mm=sensor_mm, focal_lengths=focal_lengths)
    random = np.random.default_rng(by_hand.seed)
    strayed = []
    for planned in plan.pages:
        down, right, turn, scale = random.standard_normal(4).tolist()
        row_mm, col_mm = planned.center_mm
        strayed.append(
            hung(
                planned.page,
                (row_mm + by_hand.place_mm * down, col_mm + by_hand.place_mm * right),
                turn_deg=planned.turn_deg + by_hand.turn_deg * turn,
                scale=1.0 + by_hand.scale * scale,
            )
        )
    return wall_layout(strayed, size_mm=plan.frame_mm, frames=plan.frames, dark_reflectance=dark_reflectance)
