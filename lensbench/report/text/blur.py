"""What the blur of edges is made of, in plain words for the page and the command line."""

from collections.abc import Sequence
from dataclasses import fields
from math import isnan

from lensbench.model.setting import f_stop, focal_length
from lensbench.model.shot import ChartEdge, Edge, PhysicalFit, ShotResult
from lensbench.model.sweep import LensFindings, SweepShot
from lensbench.optics import BlurParts, blur_parts
from lensbench.report.text.words import shots_at, texts, with_doubt, worded
from lensbench.shot import mean_by_zone

ZoneBlur = dict[str, tuple[BlurParts, float]]
"""By zone: the parts, and the diameter of the defocus disc. [px]"""


def blur_sentences(reading: PhysicalFit) -> list[str]:
    """Say what the blur of one edge is made of; nothing where the model does not hold, for the flag says that."""
    if not reading.fits:
        return []
    parts = blur_parts(reading)
    figures = {
        "parts": _in_words(parts, reading.defocus_disc_px),
        "most": most_comes_from(parts),
        "mtf50": with_doubt(reading.mtf50_cypx, reading.mtf50_sd_cypx, 4),
    }
    return [line.format(**figures) for line in texts("blur.edge")]


def most_comes_from(parts: BlurParts) -> str:
    """Name the largest part in a sentence."""
    return f"Most comes from {worded(f'blur.largest.{parts.largest}')}."


def not_of_a_lens(failing: int, count: int) -> str:
    """Say that most edges have a shape which the model does not hold for."""
    return worded("blur.not_of_a_lens", failing=failing, count=count)


def blur_where_it_fits(edges: Sequence[ChartEdge], size_px: tuple[int, int]) -> ZoneBlur:
    """Give the mean parts of every zone and the frame, from the edges whose shape the model holds for."""

    def mean(name: str) -> dict[str, float]:
        def read(edge: Edge) -> float | None:
            reading = edge.physical
            if reading is None or not reading.fits:
                return None
            figure: float = getattr(reading if name == "defocus_disc_px" else blur_parts(reading), name)
            return figure

        return mean_by_zone(edges, size_px, figure=read)

    parts = {part.name: mean(part.name) for part in fields(BlurParts)}
    return {
        zone: (BlurParts(**{name: by_zone[zone] for name, by_zone in parts.items()}), disc_px)
        for zone, disc_px in mean("defocus_disc_px").items()
        if not isnan(disc_px)
    }


def has_physical(shot: SweepShot) -> bool:
    """Tell whether any edge of a shot has a physical reading."""
    result = shot.result
    return isinstance(result, ShotResult) and any(one.edge.physical is not None for one in result.edges)


def lens_blur_sentence(lens: LensFindings, shots: Sequence[SweepShot]) -> str:
    """Say what the blur is made of at the best setting; nothing where no physical reading was asked for."""
    if lens.best is None:
        return ""
    results = shots_at(lens, lens.best, shots)
    edges = [one for result in results for one in result.edges if one.edge.physical is not None]
    if not edges:
        return ""
    fitting = sum(one.edge.physical is not None and one.edge.physical.fits for one in edges)
    length_mm = lens.best.focal_length_mm
    at = f"At {f_stop(lens.best.f_number)}{'' if length_mm is None else f' and {focal_length(length_mm)}'}"
    blur = blur_where_it_fits(edges, results[0].size_px)
    if 2 * fitting < len(edges) or "frame" not in blur:
        return f"{at} {not_of_a_lens(len(edges) - fitting, len(edges))}"
    largest, parts = worded(f"blur.largest.{blur['frame'][0].largest}"), _in_words(*blur["frame"])
    return worded("blur.lens", at=at, largest=largest, parts=parts, fitting=fitting, count=len(edges))


def _in_words(parts: BlurParts, disc_px: float) -> str:
    return worded("blur.parts", parts=parts, disc_px=disc_px)
