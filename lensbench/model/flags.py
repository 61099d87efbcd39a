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


_REGISTRY: Final = """
no_edge reject: no edge was found in this region
    choose a region that holds one straight edge between a dark and a light side
angle_near_axis warning: the edge runs almost along a pixel row, column or diagonal
    turn the chart or the camera a few degrees and shoot again
phase_gap warning: the edge's angle leaves gaps between the sampled positions
    turn the chart or the camera a few degrees and shoot again
region_short warning: the region holds too little of the edge for a firm figure
    choose a larger region or go nearer to the chart
region_narrow warning: the region is narrow for an edge as soft as this
    choose a region that reaches further to both sides of the edge
low_snr warning: the picture is noisy here
    use base ISO and more light
clipped reject: part of the region is at the white or black limit
    expose two thirds of a stop less, or more where the dark side is at the black limit
sharpened warning: the edge overshoots, or is crisper than diffraction allows: the picture was sharpened in processing
    measure the raw file, or switch sharpening off; sharpened figures do not compare with others
curved warning: the edge is bent
    choose a shorter region
second_edge reject: something else lies in the region beside the edge
    choose a region that holds one edge only
tone_curve warning: the tone scale does not look linear
    measure the raw file
tone_unknown info: the tone curve of this file is assumed, so figures are relative only
    measure the raw file for figures that compare with others
screened_print warning: the print shows a dot pattern
    print the chart in pure black, or with the printer's finest setting
ragged_print warning: the printed edge itself is ragged; the figure is that of its mean course
    print the chart finer, or stand further away
outliers info: samples that no edge explains were left out: specks, hot pixels, or the blocks of a JPEG
    clean the print, or measure the raw file; dust on a sensor is a matter for careful hands
uneven_light warning: the light falls unevenly
    light the chart from both sides at 45 degrees
outside_model info: the edge's shape is not one that a lens out of focus could make
    look for shake, a double image or processing
not_sensor_data warning: this is a finished picture, not sensor data
    shoot raw: a finished picture's sharpening and tone curve change the figures
pitch_unknown info: the pixel pitch is not in the metadata, so lp/mm cannot be given
    give it with --pitch-um
lens_unknown info: the metadata does not name the lens
    name it in a shots table (--shots)
f_number_unknown warning: the metadata does not hold the f-number
    give it in a shots table (--shots)
black_level_doubtful warning: the black level of this raw file is doubtful
    photograph with the lens cap on and compare
white_clipped reject: the paper white is clipped
    expose two thirds of a stop less
underexposed warning: the picture is dark
    expose longer: paper white belongs at half to three quarters of full scale
standard_window info: the standard's steps read a few percent too high in small regions, \
and the intervals hold noise alone
    compare only figures measured by the same steps, or use the refined method
misfocus reject: the whole picture is softer than its neighbours
    focus again and repeat this shot
shake warning: all edges in one direction are softer, over the whole field
    use a tripod and the self-timer, and switch the stabiliser off on the tripod
tilted warning: the camera did not face the chart squarely
    turn the camera until the tilt is below the limit
too_near warning: the chart was near
    the figures hold for this distance only; 25 focal lengths or more is customary
few_targets warning: few targets were found
    fill the frame with the chart and keep it evenly lit
few_shots info: one photograph a setting
    shoot each setting three times, focusing anew each time
bracket_open warning: a focus bracket does not enclose the sharpest focus
    take the bracket again, further to that side or in wider steps; its figure is the least the lens can do
mixed_settings warning: the photographs were not taken alike
    keep ISO, light, kind of file and processing the same through a sweep
drift warning: the pictures drift from shot to shot
    let tripod and lamps settle, tighten head and lens, switch the stabiliser off, and repeat
print_blurred info: no edge in any photograph is sharper than a blurred print would let it be
    look at the print's edges through a loupe, or measure the print (--print-profile)
print_limits info: the print's own blur holds the figures down
    measure the print once and divide it out (--print-profile), or stand further away
print_divided info: the print's own blur was divided out
    compare only with figures that were freed of the print in the same way
print_too_soft warning: figures were refused because the print takes too much of the contrast
    stand further away, or print the chart finer
"""
"""Name, severity and meaning of each flag, of one edge and then of one photograph or series; below it the advice."""


def _registry() -> dict[str, Flag]:
    """Two lines a flag: name, severity and meaning; then the advice."""
    lines = [line.strip() for line in _REGISTRY.strip().splitlines()]
    flags = {}
    for head, advice in zip(lines[::2], lines[1::2], strict=True):
        name, severity, meaning = head.split(maxsplit=2)
        flags[name] = Flag(
            name=name, severity=Severity(severity.removesuffix(":")), meaning=meaning, advice=advice
        )
    return flags


FLAGS: Final = _registry()


def remark(flag: str, seen: str = "") -> Remark:
    """Raise a flag of the registry, with the figure seen and its limit; a KeyError where it holds none of that name."""
    return Remark(flag=FLAGS[flag].name, seen=seen)


def worst(remarks: tuple[Remark, ...]) -> Severity | None:
    """The gravest severity among some remarks, or None without any."""
    return max((remark.severity for remark in remarks), key=list(Severity).index, default=None)
