"""What `lensbench measure` says, zone by zone, of the readings that were asked for beside MTF50."""

from collections.abc import Callable, Sequence
from math import isfinite
from typing import TYPE_CHECKING

from lensbench.errors import SettingError

if TYPE_CHECKING:
    from lensbench.records import Edge, ShotResult
    from lensbench.shot import Readings

__all__ = ["check_known", "reading_lines"]


def check_known(shot: "ShotResult", readings: "Readings", at_lpmm: Sequence[float]) -> None:
    """Make sure that what was asked for could be read.

    Raises
    ------
    SettingError
        The pixel pitch or the f-number is missing.
    """
    name = shot.path.name
    if shot.pixel_pitch_um is None and (at_lpmm or readings.physical):
        asked = "--at-lpmm" if at_lpmm else "--physical"
        raise SettingError(f"{name}: its pixel pitch is not known; {asked} needs it: give --pitch-um")
    if shot.metadata.f_number is None and readings.physical:
        raise SettingError(f"{name}: its f-number is not known; --physical needs it: give --f-number")


def reading_lines(shot: "ShotResult", readings: "Readings", at_lpmm: Sequence[float]) -> list[str]:
    """Give the lines that follow the table of MTF50; none without further readings."""
    return [*_look(shot, readings), *_contrast(shot, at_lpmm), *_blur(shot, readings)]


def _look(shot: "ShotResult", readings: "Readings") -> list[str]:
    from lensbench.cli.edge_text import look_in_words

    viewing = readings.viewing(shot.size_px)
    if viewing is None:
        return []
    columns = {
        "acutance": _by_zone(shot, lambda edge: edge.acutance, decimals=3),
        "SQF %": _by_zone(shot, lambda edge: edge.sqf, decimals=1),
        "JND": _by_zone(shot, lambda edge: edge.sharpness_jnd, decimals=1),
    }
    return _table(f"{look_in_words(viewing)} (JND: just noticeable differences of sharpness):", columns)


def _contrast(shot: "ShotResult", at_lpmm: Sequence[float]) -> list[str]:
    from lensbench.edge import response_at_lpmm

    pitch_um = shot.pixel_pitch_um
    if not at_lpmm or pitch_um is None:
        return []

    def column(lpmm: float) -> dict[str, str]:
        return _by_zone(
            shot, lambda edge: response_at_lpmm(edge, lpmm=lpmm, pixel_pitch_um=pitch_um).value, decimals=3
        )

    return _table("Contrast left, of 1:", {f"{lpmm:g} lp/mm": column(lpmm) for lpmm in at_lpmm})


def _blur(shot: "ShotResult", readings: "Readings") -> list[str]:
    from lensbench.report.blur_words import blur_where_it_fits, most_comes_from, not_of_a_lens

    read = [one for one in shot.edges if one.edge.physical is not None]
    fitting = sum(one.edge.physical is not None and one.edge.physical.fits for one in read)
    if not readings.physical or not read:
        return []
    zones = blur_where_it_fits(shot.edges, shot.size_px)
    if "frame" not in zones or 2 * fitting < len(read):
        said = not_of_a_lens(len(read) - fitting, len(read))
        return [f"{said[:1].upper()}{said[1:]}", ""]
    columns = {
        "diffraction": {zone: f"{parts.diffraction_px:.2f}" for zone, (parts, _) in zones.items()},
        "pixel": {zone: f"{parts.pixel_px:.2f}" for zone, (parts, _) in zones.items()},
        "focus": {zone: f"{parts.defocus_px:.2f}" for zone, (parts, _) in zones.items()},
        "(disc)": {zone: f"{disc_px:.2f}" for zone, (_, disc_px) in zones.items()},
        "all else": {zone: f"{parts.other_px:.2f}" for zone, (parts, _) in zones.items()},
    }
    head = (
        "What blurs it, each part as a Gaussian's sigma in px, from the "
        f"{fitting} of {len(read)} edges whose shape a lens could make:"
    )
    return [*_table(head, columns)[:-1], f"  {most_comes_from(zones['frame'][0])}", ""]


def _by_zone(
    shot: "ShotResult", figure: "Callable[[Edge], float | None]", *, decimals: int
) -> dict[str, str]:
    from lensbench.shot import mean_by_zone

    means = mean_by_zone(shot.edges, shot.size_px, figure=figure)
    return {zone: f"{mean:.{decimals}f}" for zone, mean in means.items() if isfinite(mean)}


def _table(head: str, columns: dict[str, dict[str, str]]) -> list[str]:
    """Lay columns out zone by zone, with a dash where nothing is known."""
    from lensbench.records import ZONES

    row = "  {:<8}" + " {:>11}" * len(columns)
    rows = [row.format(zone, *(column.get(zone, "-") for column in columns.values())) for zone in ZONES]
    return [head, row.format("zone", *columns), *rows, ""]
