"""The one registry of quality flags: what each means and what the photographer can do.

A figure never travels without its flags. Every flag that any room raises is listed here, and the report,
the command line and the docs take their words from here.
"""

from dataclasses import dataclass
from enum import StrEnum
from typing import Final


class Severity(StrEnum):
    """How much a flag matters."""

    INFO = "info"
    WARNING = "warning"
    REJECT = "reject"


@dataclass(frozen=True, slots=True, kw_only=True)
class Flag:
    """One kind of trouble."""

    name: str
    severity: Severity
    meaning: str
    advice: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Remark:
    """One flag raised, with the figure that was seen and the limit it broke."""

    flag: str
    seen: str
    """The figure seen and the limit, in words: «SNR 12, limit 20»."""

    @property
    def severity(self) -> Severity:
        """The severity that the registry gives this flag."""
        return FLAGS[self.flag].severity

    @property
    def message(self) -> str:
        """What was seen, as one plain sentence."""
        return f"{FLAGS[self.flag].meaning} ({self.seen})" if self.seen else FLAGS[self.flag].meaning

    @property
    def advice(self) -> str:
        """What to do about it."""
        return FLAGS[self.flag].advice

    def __str__(self) -> str:
        return f"{self.flag}: {self.seen}" if self.seen else self.flag


@dataclass(frozen=True, slots=True)
class Note:
    """Something to be said: which of its kind, with figures and names; the report finds the words.

    What the values and names are stands beside each kind.
    """

    kind: StrEnum
    values: tuple[float, ...] = ()
    names: tuple[str, ...] = ()
    limit: float = float("nan")


_INFO, _WARNING, _REJECT = Severity.INFO, Severity.WARNING, Severity.REJECT

_REGISTRY: Final[tuple[tuple[str, Severity, str, str], ...]] = (
    # --- one edge ---
    (
        "no_edge",
        _REJECT,
        "no edge was found in this region",
        "choose a region that holds one straight edge between a dark and a light side",
    ),
    (
        "angle_near_axis",
        _WARNING,
        "the edge runs almost along a pixel row, column or diagonal",
        "turn the chart or the camera a few degrees and shoot again",
    ),
    (
        "phase_gap",
        _WARNING,
        "the edge's angle leaves gaps between the sampled positions",
        "turn the chart or the camera a few degrees and shoot again",
    ),
    (
        "region_short",
        _WARNING,
        "the region holds too little of the edge for a firm figure",
        "choose a larger region or go nearer to the chart",
    ),
    (
        "region_narrow",
        _WARNING,
        "the region is narrow for an edge as soft as this",
        "choose a region that reaches further to both sides of the edge",
    ),
    ("low_snr", _WARNING, "the picture is noisy here", "use base ISO and more light"),
    (
        "clipped",
        _REJECT,
        "part of the region is at the white or black limit",
        "expose two thirds of a stop less, or more where the dark side is at the black limit",
    ),
    (
        "sharpened",
        _WARNING,
        "the edge overshoots: the picture was sharpened when it was processed",
        "measure the raw file, or switch sharpening off; sharpened figures do not compare with others",
    ),
    ("curved", _WARNING, "the edge is bent", "choose a shorter region"),
    (
        "second_edge",
        _REJECT,
        "something else lies in the region beside the edge",
        "choose a region that holds one edge only",
    ),
    ("tone_curve", _WARNING, "the tone scale does not look linear", "measure the raw file"),
    (
        "tone_unknown",
        _INFO,
        "the tone curve of this file is assumed, so figures are relative only",
        "measure the raw file for figures that compare with others",
    ),
    (
        "screened_print",
        _WARNING,
        "the print shows a dot pattern",
        "print the chart in pure black, or with the printer's finest setting",
    ),
    (
        "ragged_print",
        _WARNING,
        "the printed edge itself is ragged; the figure is that of its mean course",
        "print the chart finer, or stand further away",
    ),
    (
        "outliers",
        _INFO,
        "samples that no edge explains were left out: specks, hot pixels, or the blocks of a JPEG",
        "clean the print, or measure the raw file; dust on a sensor is a matter for careful hands",
    ),
    ("uneven_light", _WARNING, "the light falls unevenly", "light the chart from both sides at 45 degrees"),
    (
        "outside_model",
        _INFO,
        "the edge's shape is not one that a lens out of focus could make",
        "look for shake, a double image or processing",
    ),
    # --- one photograph ---
    (
        "not_sensor_data",
        _WARNING,
        "this is a finished picture, not sensor data",
        "shoot raw: a finished picture's sharpening and tone curve change the figures",
    ),
    (
        "pitch_unknown",
        _INFO,
        "the pixel pitch is not in the metadata, so lp/mm cannot be given",
        "give it with --pitch-um",
    ),
    ("lens_unknown", _INFO, "the metadata does not name the lens", "name it in a shots table (--shots)"),
    (
        "f_number_unknown",
        _WARNING,
        "the metadata does not hold the f-number",
        "give it in a shots table (--shots)",
    ),
    (
        "black_level_doubtful",
        _WARNING,
        "the black level of this raw file is doubtful",
        "photograph with the lens cap on and compare",
    ),
    ("white_clipped", _REJECT, "the paper white is clipped", "expose two thirds of a stop less"),
    (
        "underexposed",
        _WARNING,
        "the picture is dark",
        "expose longer: paper white belongs at half to three quarters of full scale",
    ),
    (
        "standard_window",
        _INFO,
        "the standard's steps read a few percent too high in small regions, and the intervals hold noise alone",
        "compare only figures measured by the same steps, or use the refined method",
    ),
    (
        "misfocus",
        _REJECT,
        "the whole picture is softer than its neighbours",
        "focus again and repeat this shot",
    ),
    (
        "shake",
        _WARNING,
        "all edges in one direction are softer, over the whole field",
        "use a tripod and the self-timer, and switch the stabiliser off on the tripod",
    ),
    (
        "tilted",
        _WARNING,
        "the camera did not face the chart squarely",
        "turn the camera until the tilt is below the limit",
    ),
    (
        "too_near",
        _WARNING,
        "the chart was near",
        "the figures hold for this distance only; 25 focal lengths or more is customary",
    ),
    (
        "few_targets",
        _WARNING,
        "few targets were found",
        "fill the frame with the chart and keep it evenly lit",
    ),
    (
        "few_shots",
        _INFO,
        "one photograph a setting",
        "shoot each setting three times, focusing anew each time",
    ),
    (
        "bracket_open",
        _WARNING,
        "a focus bracket does not enclose the sharpest focus",
        "take the bracket again, further to that side or in wider steps; its figure is the least the lens can do",
    ),
    (
        "mixed_settings",
        _WARNING,
        "the photographs were not taken alike",
        "keep ISO, light, kind of file and processing the same through a sweep",
    ),
    (
        "drift",
        _WARNING,
        "the pictures drift from shot to shot",
        "let tripod and lamps settle, tighten head and lens, switch the stabiliser off, and repeat",
    ),
    (
        "print_blurred",
        _INFO,
        "no edge in any photograph is sharper than a blurred print would let it be",
        "look at the print's edges through a loupe, or measure the print (--print-profile)",
    ),
    (
        "print_limits",
        _INFO,
        "the print's own blur holds the figures down",
        "measure the print once and divide it out (--print-profile), or stand further away",
    ),
    (
        "print_divided",
        _INFO,
        "the print's own blur was divided out",
        "compare only with figures that were freed of the print in the same way",
    ),
    (
        "print_too_soft",
        _WARNING,
        "figures were refused because the print takes too much of the contrast",
        "stand further away, or print the chart finer",
    ),
)

FLAGS: Final[dict[str, Flag]] = {
    name: Flag(name=name, severity=severity, meaning=meaning, advice=advice)
    for name, severity, meaning, advice in _REGISTRY
}


def remark(flag: str, seen: str = "") -> Remark:
    """Raise a flag of the registry, with the figure seen and its limit.

    Raises
    ------
    KeyError
        The registry does not hold the flag: a mistake of the programmer.
    """
    return Remark(flag=FLAGS[flag].name, seen=seen)


def worst(remarks: tuple[Remark, ...]) -> Severity | None:
    """Give the gravest severity among some remarks, or None without any."""
    order = (Severity.REJECT, Severity.WARNING, Severity.INFO)
    return next((severity for severity in order if any(r.severity is severity for r in remarks)), None)
