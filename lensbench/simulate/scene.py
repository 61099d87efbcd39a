"""The chart before the camera: shots described, and the light that each puts on the sensor.

Shots of one scene at one focal length share their geometry, so every shape of the chart is drawn and
transformed once and then filtered for each stop and focus.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from itertools import groupby
from typing import Final

import numpy as np
import numpy.typing as npt

from lensbench import optics
from lensbench.chart.layout import Layout, Marker, Target
from lensbench.records import BoolArray
from lensbench.simulate.camera import Camera
from lensbench.simulate.lens import Lens, PointBlur, ZoomPosition
from lensbench.simulate.pattern import Patch, marker_patch, target_patch
from lensbench.simulate.render import Spectrum, pixels_of, spectrum_of
from lensbench.simulate.view import Pose, View, magnification_of
from lensbench.units import FloatArray

__all__ = ["Geometry", "Plane", "Scene", "Shape", "Shot", "light_on_sensor"]

_MARGIN_PX: Final = 14
"""Paper round every shape, so that its blur does not run into the patch's other side."""
_METERED_S: Final = 1.0 / 30.0
"""Exposure time at f/5.6 and ISO 100 in the simulated room."""

Plane = npt.NDArray[np.float32]


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
    condition: str = ""
    """What was done to this shot, for the truth file: «misfocused»."""

    @property
    def exposure_s(self) -> float:
        """The time that keeps the same light at another stop or ISO, for the metadata."""
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

    def geometry(self, focal_length_mm: float) -> "Geometry":
        """Give where everything lies at a focal length."""
        return Geometry(scene=self, focal_length_mm=focal_length_mm)

    @property
    def frame_mm(self) -> tuple[float, float]:
        """The frame on the chart whose ratio is nearest to the camera's: (height, width)."""
        ratio = self.camera.cols / self.camera.rows
        frames = [frame.size_mm for frame in self.layout.frames]
        return min(frames, key=lambda size_mm: abs(np.log(size_mm[1] / size_mm[0] / ratio)))


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
            scene.pose,
            focal_length_mm=self.focal_length_mm,
            frame_mm=scene.frame_mm,
            camera=scene.camera,
        )
        return View.of(scene.camera, self.optics_here, pose=scene.pose, magnification=magnification)

    @property
    def distance_mm(self) -> float:
        """From the chart plane to the sensor."""
        return optics.chart_distance_mm(
            focal_length_mm=self.focal_length_mm, magnification=self.view.magnification
        )

    def outward(self, channel: str) -> float:
        """Give the radial scale of a channel against green, less one."""
        displaced = {"red": self.optics_here.red_outward, "blue": self.optics_here.blue_outward}
        return displaced.get(channel, 0.0)

    def blur(self, shot: Shot, channel: str, center_mm: tuple[float, float]) -> PointBlur:
        """Give the blur that was rendered round a point of the chart, the print's included."""
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
            working_f_number=optics.effective_f_number(shot.f_number, magnification=view.magnification),
            focus_um=shot.focus_error_um + chart_depth_um,
            pitch_um=camera.pitch_um,
        )
        return lens_blur.widened(self._print_px2(point_mm))

    def _print_px2(self, point_mm: FloatArray) -> tuple[float, float, float]:
        jacobian = self.view.jacobian(point_mm)
        spread = self.scene.print_sigma_mm**2 * jacobian @ jacobian.T
        return float(spread[0, 0]), float(spread[0, 1]), float(spread[1, 1])

    def shapes(self) -> Iterator["Shape"]:
        """Give every shape of the chart that the picture may show."""
        layout = self.scene.layout
        for target in layout.targets:
            if self._in_picture(target.center_mm, target.radius_mm):
                yield Shape(geometry=self, center_mm=target.center_mm, content=target)
        for marker in layout.markers:
            if self._in_picture(marker.center_mm, marker.side_mm):
                yield Shape(geometry=self, center_mm=marker.center_mm, content=marker)

    def _in_picture(self, center_mm: tuple[float, float], reach_mm: float) -> bool:
        """Whether any of a shape may show in the picture."""
        point_mm = np.asarray(center_mm)
        reach_px = reach_mm * np.abs(self.view.jacobian(point_mm)).sum() + _MARGIN_PX
        row, col = self.view.pixel_of(point_mm)
        rows, cols = self.scene.camera.rows, self.scene.camera.cols
        return bool(-reach_px < row < rows + reach_px and -reach_px < col < cols + reach_px)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shape:
    """A target or a marker in the picture."""

    geometry: Geometry
    center_mm: tuple[float, float]
    content: Target | Marker

    def drawn(self, outward: float) -> Patch:
        """Draw it where a colour with this radial scale sees it."""
        layout, view = self.geometry.scene.layout, self.geometry.view
        if isinstance(self.content, Target):
            dark, light = layout.dark_reflectance, layout.light_reflectance
            return target_patch(
                view, self.content, dark=dark, light=light, outward=outward, margin_px=_MARGIN_PX
            )
        from lensbench.chart.markers import marker_modules  # noqa: PLC0415 - heavy

        ink, black = marker_modules(self.content.marker_id), layout.marker_reflectance
        return marker_patch(view, self.content, ink, black=black, outward=outward, margin_px=_MARGIN_PX)


def light_on_sensor(geometry: Geometry, shots: Sequence[Shot], *, finished: bool) -> list[Plane]:
    """Give the noise-free signal of each shot, 1 at the sensor's white.

    Parameters
    ----------
    geometry : Geometry
        The scene at the focal length of all these shots.
    shots : sequence of Shot
        They are rendered side by side; each takes one plane of memory (three when finished).
    finished : bool
        True: every channel at every pixel, shape (rows, cols, channels), white-balanced. False: each site its
        own channel, shape (rows, cols).
    """
    camera = geometry.scene.camera
    channels = camera.channels
    size = (camera.rows, camera.cols, len(channels)) if finished else (camera.rows, camera.cols)
    planes = [np.zeros(size, np.float32) for _ in shots]
    sites = {channel: None if finished else camera.sites(channel) for channel in channels}
    for shape in geometry.shapes():
        for outward, alike in groupby(channels, geometry.outward):
            spectrum = spectrum_of(shape.drawn(outward))
            for channel in alike:
                number = channels.index(channel)
                views = [plane[..., number] if finished else plane for plane in planes]
                blurs = [geometry.blur(shot, channel, shape.center_mm) for shot in shots]
                _add_blurred(views, spectrum, blurs, sites=sites[channel])
    return [
        _exposed(geometry, shot, plane, finished=finished) for shot, plane in zip(shots, planes, strict=True)
    ]


def _add_blurred(
    planes: Sequence[Plane], spectrum: Spectrum, blurs: Sequence[PointBlur], *, sites: BoolArray | None
) -> None:
    """Add a patch to each plane as that plane's blur shows it; equal blurs are worked out once."""
    done: dict[PointBlur, Plane] = {}
    for plane, blur in zip(planes, blurs, strict=True):
        if blur not in done:
            done[blur] = pixels_of(spectrum, blur)
        _add(plane, done[blur], corner=(spectrum.top, spectrum.left), sites=sites)


def _add(plane: Plane, pixels: Plane, *, corner: tuple[int, int], sites: BoolArray | None) -> None:
    """Add a patch to a plane, as far as it lies within and where the sensor has sites."""
    top, left = max(corner[0], 0), max(corner[1], 0)
    bottom = min(corner[0] + pixels.shape[0], plane.shape[0])
    right = min(corner[1] + pixels.shape[1], plane.shape[1])
    if bottom <= top or right <= left:
        return
    inside = pixels[top - corner[0] : bottom - corner[0], left - corner[1] : right - corner[1]]
    place = np.s_[top:bottom, left:right]
    plane[place] += inside if sites is None else inside * sites[place]


def _exposed(geometry: Geometry, shot: Shot, plane: Plane, *, finished: bool) -> Plane:
    """Turn the deviation from paper white into signal: exposure, vignetting, each channel's response."""
    camera = geometry.scene.camera
    opening = geometry.scene.lens.stopped_down(shot.f_number)
    corner_stops = geometry.optics_here.vignetting_stops * opening**2
    center_row, center_col = camera.center_px
    rows = ((np.arange(camera.rows) - center_row) / camera.half_diagonal_px) ** 2
    cols = ((np.arange(camera.cols) - center_col) / camera.half_diagonal_px) ** 2
    falloff = np.outer(2.0 ** (-corner_stops * rows), 2.0 ** (-corner_stops * cols))
    light = (shot.paper_level * falloff).astype(np.float32)
    if finished:
        return (plane + np.float32(1.0)) * light[..., None]
    for channel in camera.channels:
        if (response := camera.response(channel)) != 1.0:
            light[camera.sites(channel)] *= np.float32(response)
    return (plane + np.float32(1.0)) * light
