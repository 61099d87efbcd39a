"""One photograph of the chart in, everything measured in it out."""

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, fields, replace
from functools import partial
from math import isfinite
from operator import itemgetter
from pathlib import Path
from typing import Final

from lensbench import edge as edges_room
from lensbench import photo as photos
from lensbench.chart.find import ArmRegion, ChartFound, FoundTarget, find_chart
from lensbench.edge import EdgeShapes, colour_shift, radial_shift
from lensbench.model.errors import ChartError, ImageError, UnreadableError, remark
from lensbench.model.shot import Box, ChartEdge, ChartSeen, Direction, Edge, Metadata, Samples, ShotResult
from lensbench.shot.corrections import (
    diffraction_q,
    doubt_neighbours,
    freed_of_print,
    strays,
    subtract_neighbour_edges,
)
from lensbench.shot.flare import subtract_flare
from lensbench.shot.geometry import Pose, camera_pose, direction_of, place_of
from lensbench.shot.light import (
    Illumination,
    framing_percent,
    illumination,
    printed_contrast,
    tone_boxes,
    tone_exponent,
    tone_remarks,
    with_light,
)
from lensbench.shot.options import MeasureOptions
from lensbench.shot.quality import flagged_if_too_crisp, is_white_clipped, quality_remarks
from lensbench.shot.thumbnails import thumbnails
from lensbench.shot.veil import veil
from lensbench.shot.zones import summarise

Arm = tuple[FoundTarget, ArmRegion]

_USUAL: Final = MeasureOptions()


def measure_shot(
    path: Path | str, options: MeasureOptions = _USUAL, *, overrides: Metadata | None = None
) -> ShotResult:
    """Open a photograph (raw, JPEG, PNG or TIFF), find the chart in it, and measure every edge.

    Edges are measured in green (raw: its own sites), or grey where there are no colours; those that could not be
    measured are in the result, with NaN figures and the flag that says why. The physical reading holds the print;
    acutance and its like are freed of it. Fields of `overrides` that are not None take the place of what the file says.

    Raises
    ------
    ImageError
        The file cannot be opened, or no edge in it can be measured.
    ChartError
        There is no chart in it, or not one of ours.
    SettingError
        The encoding is unknown.
    """
    as_it_was = _stamp(Path(path))
    photo = photos.open_photo(path, encoding=options.encoding)
    try:
        chart = find_chart(photo)
    except ChartError as error:
        raise ChartError(f"{photo.path.name}: {error}") from error
    metadata = _overridden(photo.metadata, overrides)
    pitch_um = options.pitch_um or photos.pixel_pitch_um(metadata, photo.size_px)
    arms = [(target, arm) for target in chart.targets for arm in target.arms]
    if options.fast:
        arms = _fewer_arms(arms)
    pose = _pose(photo, chart, metadata, pitch_um)
    seen = () if options.fast else thumbnails(photo, chart)
    regions = _Regions.of(photo, arms, chart)
    photo = photo.only(
        _later_boxes(chart, arms, photo.size_px)
    )  # the decoded picture goes before edges are fitted
    aperture = options.aperture(
        metadata, pixel_pitch_um=pitch_um, magnification=pose.magnification, channel=photo.default_channel
    )
    q = diffraction_q(
        metadata, pixel_pitch_um=pitch_um, magnification=pose.magnification, channel=photo.default_channel
    )
    fitted = partial(
        edges_room.measure_edges, method=options.method, physical=aperture, one_photograph=True, q=q
    )
    measured = _measured(regions, options, fitted, q=q)
    if options.method == "refined":  # the standard's window raises the SFR
        again = None if options.fast else partial(_opened_again, photo.path, options.encoding, as_it_was)
        measured = _freed_of_flare(measured, arms, chart, fitted, again=again, q=q)
    _refuse_if_nothing(measured, photo.path)
    edges = tuple(
        _chart_edge(photo, target, arm, edge, colours=not options.fast)
        for (target, arm), edge in zip(arms, measured, strict=True)
    )
    result = _result(
        photo,
        chart,
        pose,
        metadata=metadata,
        pitch_um=pitch_um,
        edges=edges,
        q=q,
        white_clipped=regions.white_clipped,
    )
    result = replace(result, thumbnails=seen)
    if options.method == "iso":
        result = replace(result, quality=(*result.quality, remark("standard_window")))
    return _as_seen(freed_of_print(result, chart.mapping, options.print_profile), options)


def _later_boxes(chart: ChartFound, arms: Sequence[Arm], size_px: tuple[int, int]) -> Iterator[Box]:
    """Boxes that are asked for once the edges are fitted: of tones, and of colours beside the edges."""
    yield from (box for box in tone_boxes(chart, size_px) if box is not None)
    yield from (middle_of(arm.box, _COLOUR_SIDE_PX) for _, arm in arms)


_SPREAD: Final = 5
"""Every so manieth arm comes first: the first batch then lies all over the picture, and tells of its file."""


@dataclass(slots=True, kw_only=True, eq=False)
class _Regions:
    """Regions of all arms, each let go as soon as it was cut out."""

    arms: Sequence[Arm]
    chart: ChartFound
    white_clipped: list[bool]
    """Arm by arm, of those cut out so far."""
    _pieces: dict[int, photos.Photo]

    @classmethod
    def of(cls, photo: photos.Photo, arms: Sequence[Arm], chart: ChartFound) -> "_Regions":
        pieces = {place: photo.only([arm.box]) for place, (_, arm) in enumerate(arms)}
        return cls(arms=arms, chart=chart, white_clipped=[False] * len(arms), _pieces=pieces)

    def cut(self, order: Sequence[int]) -> Iterator[Samples]:
        for place in order:
            samples = self._pieces.pop(place).cut(self.arms[place][1].box)
            self.white_clipped[place] = is_white_clipped(samples)
            yield samples


Fitted = Callable[[Iterable[Samples]], list[Edge]]


def _measured(regions: _Regions, options: MeasureOptions, fitted: Fitted, *, q: float | None) -> list[Edge]:
    """Edges of all arms, in their order; each region is cut when it is asked for, and let go soon after."""
    arms = regions.arms
    order = _spread_out(range(len(arms)))
    cut = with_light(regions.cut(order), regions.chart)
    if options.method != "iso":
        cut = subtract_neighbour_edges(cut, [arms[place] for place in order], chart=regions.chart, q=q)
    edges = fitted(cut)
    return [edge for _, edge in sorted(zip(order, edges, strict=True), key=itemgetter(0))]


def _spread_out(places: Iterable[int]) -> list[int]:
    return sorted(places, key=lambda place: (place % _SPREAD > 0, place))


_WORTH_A_LOOK: Final = (0.005, 0.02)
"""Light that a target's edges send past the crossing, from which on the picture is asked where it falls: with what
diffraction sends taken off, and where it is not known. It sends 1 % at usual stops."""


def _freed_of_flare(
    edges: list[Edge],
    arms: Sequence[Arm],
    chart: ChartFound,
    fitted: Fitted,
    *,
    again: Callable[[], photos.Photo] | None,
    q: float | None,
) -> list[Edge]:
    """Edges measured anew without their targets' flare where there is much of it, and in doubt by what is left.

    `again` opens the photograph once more, for what was decoded was let go of; without it nothing is measured anew.
    """
    stray, taken, better = strays(edges, arms, q=q), set[str](), dict[int, Edge]()
    flared = [
        place
        for place, (found, _) in enumerate(arms)
        if stray.get(found.target.name, 0.0) > _WORTH_A_LOOK[q is None]
    ]
    if again and flared:
        photo, places = again(), _spread_out(flared)
        own = [arms[place] for place in places]
        lit = with_light((photo.cut(arm.box) for _, arm in own), chart, flared=True)
        freed = fitted(subtract_flare(lit, own, chart=chart, photo=photo, taken=taken))
        better = {
            place: edge
            for place, edge in zip(places, freed, strict=True)
            if edge.measured and arms[place][0].target.name in taken
        }
    whole = [flagged_if_too_crisp(better.get(place, edge), q) for place, edge in enumerate(edges)]
    return doubt_neighbours(whole, arms, q=q, freed=better)


def _opened_again(path: Path, encoding: str, as_it_was: tuple[int, int] | None) -> photos.Photo:
    """The photograph; an UnreadableError, which is not kept as its result, where the file is no longer what it was."""
    try:
        return photos.open_photo(path, encoding=encoding)
    finally:
        if as_it_was is None or _stamp(path) != as_it_was:
            raise UnreadableError(
                f"{path.name}: the file was changed or taken away while it was measured; measure it again"
            )


def _stamp(path: Path) -> tuple[int, int] | None:
    """Time and size of a file; None where there is none."""
    try:
        status = path.stat()
    except (OSError, ValueError):
        return None
    return status.st_mtime_ns, status.st_size


def _as_seen(result: ShotResult, options: MeasureOptions) -> ShotResult:
    """Add how sharp a print of it looks, where that is asked for."""
    viewing = options.viewing(result.picture_height_px)
    if viewing is None:
        return result
    edges = tuple(replace(edge, edge=edges_room.with_perception(edge.edge, viewing)) for edge in result.edges)
    return replace(result, edges=edges)


def _pose(photo: photos.Photo, chart: ChartFound, metadata: Metadata, pitch_um: float | None) -> Pose:
    return camera_pose(
        chart.mapping.homography,
        photo.size_px,
        focal_length_mm=metadata.focal_length_mm,
        pixel_pitch_um=pitch_um,
        spread=chart.mapping.spread,
    )


def _overridden(metadata: Metadata, overrides: Metadata | None) -> Metadata:
    if overrides is None:
        return metadata
    given = {field.name: getattr(overrides, field.name) for field in fields(Metadata)}
    del given["orientation"]
    return replace(metadata, **{name: value for name, value in given.items() if value is not None})


def _refuse_if_nothing(edges: list[Edge], path: Path) -> None:
    if any(edge.measured for edge in edges):
        return
    reasons = Counter(remark.flag for edge in edges for remark in edge.flags).most_common(1)
    first = next((r for edge in edges for r in edge.flags if reasons and r.flag == reasons[0][0]), None)
    if first is None:
        raise ImageError(
            f"{path.name}: no edge of the chart lies large and whole in the picture; let the chart fill it up to the "
            "brackets: step nearer, or back where it is cut off"
        )
    why = f"{first.message}; {first.advice}"
    raise ImageError(f"{path.name}: none of the chart's {len(edges)} edges could be measured: {why}")


def _chart_edge(
    photo: photos.Photo, target: FoundTarget, arm: ArmRegion, edge: Edge, *, colours: bool
) -> ChartEdge:
    if not isfinite(edge.angle_deg):
        edge = replace(edge, angle_deg=arm.angle_deg)
    place = place_of(arm.center_px, photo.size_px)
    direction = direction_of(arm.center_px, photo.size_px, angle_deg=edge.angle_deg)
    if colours and direction is Direction.TANGENTIAL and edge.measured and "red" in photo.channels:
        edge = _with_lateral_colour(photo, arm, edge)
    return ChartEdge(
        edge=edge,
        target=target.target.name,
        arm=arm.arm,
        center_px=arm.center_px,
        image_height=place.image_height,
        azimuth_deg=place.azimuth_deg,
        direction=direction,
    )


def _result(
    photo: photos.Photo,
    chart: ChartFound,
    pose: Pose,
    *,
    metadata: Metadata,
    pitch_um: float | None,
    edges: tuple[ChartEdge, ...],
    q: float | None,
    white_clipped: Sequence[bool],
) -> ShotResult:
    exponent = tone_exponent(photo, chart)
    light = illumination(chart)
    result = ShotResult(
        path=photo.path,
        metadata=metadata,
        size_px=photo.size_px,
        sensor_data=photo.sensor_data,
        pixel_pitch_um=pitch_um,
        chart=_chart_seen(chart, exponent, light, edges),
        magnification=pose.magnification,
        distance_mm=pose.distance_mm,
        tilt=pose.tilt,
        edges=edges,
        summary=summarise(edges, photo.size_px),
        quality=photo.remarks,
        veil=veil(photo, chart, edges, q=q),
    )
    remarks = quality_remarks(result, white_clipped=white_clipped, uneven_light_percent=light.uneven_percent)
    return replace(result, quality=(*photo.remarks, *remarks, *tone_remarks(exponent)))


def _chart_seen(
    chart: ChartFound, exponent: float, light: Illumination, edges: tuple[ChartEdge, ...]
) -> ChartSeen:
    return ChartSeen(
        name=chart.layout.name,
        targets_found=len(chart.targets),
        targets_on_chart=chart.targets_on_chart,
        contrast=printed_contrast([edge.edge for edge in edges], rough=chart.contrast),
        residual_px=chart.residual_px,
        radial_distortion_percent=chart.mapping.distortion_percent,
        tone_exponent=exponent,
        framing_percent=framing_percent(chart),
        outermost_light_percent=light.outermost_percent,
        outermost_height=light.outermost_height,
        relative_illumination=light.targets,
    )


_ENOUGH_ARMS: Final = 60
"""Up to so many all are kept: shake wants edges of all directions over the whole field."""
_FAST_SIDE_PX: Final = 128
_FIRST_HALF: Final = (1, 2)  # one arm of each of a target's two lines; the other two of every second target


def _fewer_arms(arms: Sequence[Arm]) -> list[Arm]:
    """One arm of each line where there are many, and of every region its middle."""
    kept = list(arms)
    if len(arms) > _ENOUGH_ARMS:
        names = {name: number for number, name in enumerate(dict.fromkeys(t.target.name for t, _ in arms))}
        kept = [
            (target, arm)
            for target, arm in arms
            if (arm.arm in _FIRST_HALF) == (names[target.target.name] % 2 == 0)
        ]
    return [(target, replace(arm, box=middle_of(arm.box, _FAST_SIDE_PX))) for target, arm in kept]


def middle_of(box: Box, side_px: int) -> Box:
    """Middle of a region, no side longer than so many pixels."""
    height, width = min(box.height, side_px), min(box.width, side_px)
    top, left = box.top + (box.height - height) // 2, box.left + (box.width - width) // 2
    return Box(top=top, left=left, height=height, width=width)


_COLOUR_SIDE_PX: Final = 72  # enough for a hundredth of a pixel, and quick


def _with_lateral_colour(photo: photos.Photo, arm: ArmRegion, edge: Edge) -> Edge:
    """Add the shift of red and blue; an edge along the radius cannot show it."""
    middle = ((photo.size_px[0] - 1) / 2.0, (photo.size_px[1] - 1) / 2.0)
    radius = (arm.center_px[0] - middle[0], arm.center_px[1] - middle[1])
    box = middle_of(arm.box, _COLOUR_SIDE_PX)
    red, blue = radial_shifts_px(
        [photo.cut(box, channel) for channel in ("red", "blue")], edge, radius=radius
    )
    return replace(edge, lateral_color_px=(red, blue))


def radial_shifts_px(
    colours: Sequence[Samples], edge: Edge, *, radius: tuple[float, float]
) -> tuple[float, ...]:
    """Shift of other colours' edges against a measured one, along the radius, positive outwards.

    Only the shift across the edge can be seen; what a purely radial one would have to be follows from the angle
    between the edge's normal and the radius, so the edge should stand square to the radius: NaN beyond 60 degrees.

    Parameters
    ----------
    colours : sequence of Samples
        The other colours in the same region.
    edge : Edge
        The measured one, with its ESF and the point it passes through.
    radius : (down, right)
        From the picture's centre to the edge; any length but 0.
    """
    shapes = EdgeShapes.of(edge)
    shifts = [colour_shift(samples, edge, shapes, sd=False) for samples in colours]
    return tuple(radial_shift(shift, edge, radius=radius).px for shift in shifts)
