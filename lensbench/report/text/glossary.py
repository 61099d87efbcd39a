"""The words of the reports, and the method in three sentences."""

import math
from typing import Final

from lensbench.model.sweep import LensFindings
from lensbench.storage.text import clean_text

GLOSSARY: Final[tuple[tuple[str, str], ...]] = (
    ("MTF50", "the fineness of detail at which half of the contrast is left; higher is sharper."),
    (
        "SFR",
        "how much contrast is left at each fineness of detail, measured at an edge through the whole camera.",
    ),
    ("cycles/pixel", "one dark and one light line make a cycle; 0.5 is the finest that pixels can carry."),
    ("lp/mm", "line pairs per millimetre on the sensor."),
    ("LW/PH", "line widths per picture height: for comparing cameras whose pictures differ in size."),
    (
        "inner, middle, outer",
        "the thirds of the picture: two circles about its centre divide it into three parts of one area.",
    ),
    ("frame", "the whole picture: the mean of its three thirds."),
    ("sagittal, tangential", "lines that run along the radius, and lines that run across it."),
    (
        "95 % interval",
        "holds the true figure in 95 of 100 such shoots, as far as the spread between shots tells.",
    ),
    ("JND", "just noticeable difference: what half of the viewers notice, for a stated way of looking."),
    ("as good", "the difference lies within the uncertainty of the shots, or below 3 %, which hardly shows."),
    (
        "surely, probably",
        "surely: so at 95 % confidence for all stops named together; probably: more likely than not.",
    ),
)
"""Each word with what it means."""


def method_sentences(lens: LensFindings, *, method: str) -> list[str]:
    """Give the method and its limits in three sentences."""
    sd = lens.shot_sd_percent
    spread = f" (here {sd:.1f} % of MTF50, from {clean_text(lens.spread_from)})" if math.isfinite(sd) else ""
    name = clean_text(method)
    measured = (
        f"Each edge of the printed chart was measured on linearised samples as they are ({name} method); "
        "a zone's figure is the mean of its edges, sagittal and tangential counting equally."
    )
    uncertainty = (
        f"The uncertainty comes from the spread between refocused shots{spread}, not from the number of "
        "edges; settings within it, or within 3 %, count as equally good."
    )
    limits = (
        "The figures hold for this copy of the lens on this camera at this distance; they include the print, "
        "the focus and the support, and are not the MTF of the lens alone."
    )
    return [measured, uncertainty, limits]
