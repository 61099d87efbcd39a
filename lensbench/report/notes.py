"""Words of every note: reservations, remarks on a series, cautions, and why a lens can't answer.

A note holds which of its kind it is, with figures and names; here each kind has its sentence.
"""

import math
from collections.abc import Mapping
from enum import StrEnum
from typing import Any, Final

from lensbench.library import AdviceCaution, Lack
from lensbench.model.compare import Caution, EffectCaution
from lensbench.model.flags import Note
from lensbench.model.setting import f_stop, listed
from lensbench.model.sweep import Observed, Unclaimed
from lensbench.report.words import figure_range
from lensbench.storage.text import clean_text


def note_in_words(note: Note) -> str:
    """Sentence or clause of a note, without hidden characters."""
    names = [clean_text(name) for name in note.names]
    values = note.values
    first, last = (values[0], values[-1]) if values else (math.nan, math.nan)
    return _WORDS[type(note.kind)][note.kind].format(
        *values,
        limit=note.limit,
        names=listed(names),
        quoted=[f"«{name}»" for name in names],
        source="is assumed" if names == ["assumed"] else f"was taken from the {listed(names)}",
        stop=f_stop(first),
        other=f_stop(last),
        lengths=f"{figure_range(first, last, 'g')} mm",
        sizes=listed(
            [f"{rows:.0f} x {cols:.0f}" for rows, cols in zip(values[::2], values[1::2], strict=False)]
        ),
        scales=[1.0 / value if value else math.nan for value in values],
        size=abs(first),
        grows="grows" if first > 0.0 else "shrinks",
        softer="softer" if first < 0.0 else "sharper",
    )


_UNCLAIMED: Final = {
    Unclaimed.FEW_SHOTS: (
        "One shot a setting can't tell how well focus and support repeat (the spread between shots {source}): no "
        "winner is claimed; shoot each setting three times, focusing anew."
    ),
    Unclaimed.MAGNIFICATION_UNKNOWN: (
        "The magnification is not known, so the comparison of focal lengths is provisional."
    ),
    Unclaimed.MAGNIFICATION_DIFFERS: (
        "The chart was photographed at magnifications from 1:{scales[1]:.0f} to 1:{scales[0]:.0f}; the print's own "
        "blur weighs differently, so the comparison of focal lengths is provisional."
    ),
}
_OBSERVED: Final = {
    Observed.ISO: "ISO {0:.0f} to {1:.0f}",
    Observed.FILE_KIND: "{0:.0f} raw files and {1:.0f} finished pictures",
    Observed.PICTURE_SIZE: "pictures of {sizes} px",
    Observed.SHARPENED: "{0:.0f} of {1:.0f} sharpened",
    Observed.LIGHT: "light on the sensor differs by {0:.1f} stops, limit {limit:g}",
    Observed.POSITION: "the picture wanders by {0:.1f} px, limit {limit:g} px",
    Observed.SCALE: "it {grows} by {size:.2f} %, limit {limit:g} %",
    Observed.TURN: "the camera turns by {0:.2f} degrees, limit {limit:g}",
    Observed.SHARPNESS: "they get {softer} by {size:.0f} %, limit {limit:g} %",
    Observed.PRINT_RISE: (
        "in the sharpest of {2:.0f} the blur is alike all over, and edges rise over {0:.2f} mm of the chart, sigma "
        "{1:.1f} px; limit {limit:g} mm, and a home printer's take 0.1 mm"
    ),
    Observed.BRACKET_END: (
        "{stop}, {names}: MTF50 still rises at step {1:g}, an end of the bracket: go further that way"
    ),
    Observed.BRACKET_FLAT: (
        "{stop}, {names}: MTF50 does not clearly fall to both ends of the bracket: take wider steps, or more of them"
    ),
}
_COMPARED: Final = {
    Caution.MANY_ROWS: "Every row holds at 95 % by itself; among many rows a few will mislead.",
    Caution.RAW_AGAINST_FINISHED: (
        "One was measured on raw files, the other on finished pictures: these do not compare, and no verdict is given."
    ),
    Caution.NO_REPEATS: "One shot a setting: no interval can be given, and no lens is called better.",
    Caution.UNEQUAL_SHOTS: "The numbers of shots differ; means are compared, so neither is favoured.",
    Caution.ONE_BRACKETED: (
        "{names} was photographed with focus brackets, of which the fitted peak counts; the other was not, so errors "
        "of focus soften it alone. Bracket both, or neither."
    ),
    Caution.SHARPENED: (
        "The pictures of {names} are sharpened (edges overshoot): part of that figure is processing, not resolution."
    ),
    Caution.STAND_IN_RESPONSE: (
        "What one could see rests on a stand-in for the SFR (a Gaussian of the same MTF50): sweep the photographs "
        "again with this version for the measured one."
    ),
    Caution.UNLIKE_MAGNIFICATION: (
        "The chart was photographed at different sizes: the print's own blur weighs differently."
    ),
}
_EFFECT: Final = {
    EffectCaution.ONE_SHOT: "One shot only of {quoted[0]}: take each at least three times.",
    EffectCaution.DRIFT_LEFT_IN: (
        "Drift was not taken out, for the shots are too few or their order is not known: shoot A, B, A, B, A, B."
    ),
    EffectCaution.IN_A_ROW: (
        "The kinds were shot one after the other, not by turns: drift and effect are hard to tell apart, and the "
        "intervals are wide for it. Shoot A, B, A, B."
    ),
    EffectCaution.UNEVEN_SCATTER: (
        "{quoted[0]} scatters far more than {quoted[1]} ({0:.1f} % against {1:.1f} %). Scatter of focus or shake is "
        "one-sided, and few shots show it badly: the interval may be too narrow. Take ten shots or more of each."
    ),
    EffectCaution.JOINT_INTERVALS: "Intervals hold at 95 % for all levels together.",
    EffectCaution.ON_SUBJECT: (
        "The subject was seen at different sizes: sharpness counts detail on the subject, not in the picture, at those "
        "edges of the chart that all shots show."
    ),
    EffectCaution.RAW_AGAINST_FINISHED: (
        "Raw files stand against finished pictures: sharpening and noise reduction are part of the difference, which "
        "tells nothing of the lens."
    ),
    EffectCaution.FINISHED: (
        "Finished pictures: sharpening and noise reduction of the camera are part of the effect."
    ),
    EffectCaution.CAMERAS_DIFFER: "The shots come from different cameras.",
}
_ADVICE: Final = {
    AdviceCaution.SINGLE_SHOTS: "One shot a setting, so lens and focus can't be told apart: {names}.",
    AdviceCaution.BETWEEN_FOCAL_LENGTHS: (
        "{names} was measured at {0:g} and {1:g} mm; its figure at {2:g} mm lies between and is provisional."
    ),
    AdviceCaution.CAMERAS_DIFFER: (
        "The cameras differ: each figure is that of lens and camera together, and on another sensor size the same "
        "focal length shows another field of view."
    ),
    AdviceCaution.RAW_AGAINST_FINISHED: (
        "Some were measured from raw files and some from finished pictures: these don't compare."
    ),
    AdviceCaution.UNLIKE_SCALES: (
        "The charts were photographed at unlike scales, so the print's own blur weighs unequally."
    ),
    AdviceCaution.NEWEST_SESSION: "The newest session counts where there are several: {names}.",
    AdviceCaution.OLDER_ZONES: (
        "An older version measured {names} in rings instead of thirds: its figures can be 1 to 2 % off; sweep the "
        "photographs and add them again."
    ),
    AdviceCaution.EQUAL_SOFTNESS: (
        "Focus lies at twice the product over the sum of near and far, where both limits are equally soft; one third "
        "of the way holds only near (H + 2f)/3, H being the hyperfocal distance."
    ),
    AdviceCaution.SHAKE_BY_HABIT: (
        "Shake by the 1/focal-length habit, good to a factor of two to either side; a stabiliser is not counted."
    ),
    AdviceCaution.LIGHT_UNKNOWN: "The light is not known (--ev), so ISO and noise are left open.",
    AdviceCaution.FLAT_FIELD: (
        "Predicted for a flat field and the zone asked for; focus shift, haze and moving subjects are not counted."
    ),
}
_LACK: Final = {
    Lack.FOCAL_LENGTH_UNKNOWN: "its focal length is not known",
    Lack.FOCAL_LENGTH_OUTSIDE: "measured at {lengths} only",
    Lack.ZONE_NOT_MEASURED: "this zone was not measured",
    Lack.NO_STOP_IN_COMMON: "the focal lengths round this one have no stop in common",
    Lack.STOP_TOO_WIDE: "{stop} is wider than {other}, the widest stop measured",
    Lack.STOP_TOO_NARROW: "measured to {stop} only",
    Lack.STOP_BETWEEN: "{stop} was not measured, nor stops near enough to stand in",
    Lack.SENSOR_UNKNOWN: "neither pixel pitch nor picture size is known",
    Lack.PITCH_UNKNOWN: "its pixel pitch is not known, so no blur can be computed; sweep it again with --pitch-um",
    Lack.TOO_DARK: "{0:.1f} stops too dark at its widest stop, this shutter and ISO limit",
}
_WORDS: Final[Mapping[type[StrEnum], Mapping[Any, str]]] = {
    Unclaimed: _UNCLAIMED,
    Observed: _OBSERVED,
    Caution: _COMPARED,
    EffectCaution: _EFFECT,
    AdviceCaution: _ADVICE,
    Lack: _LACK,
}
