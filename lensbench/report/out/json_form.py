"""The records as JSON, by way of plain dictionaries; the keys are those that the outside relies on.

NaN and infinity become None, arrays and tuples become lists, and a remark becomes its text.
"""

import json
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import astuple, fields, is_dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from lensbench.edge import curve_figures, edge_response_at_lpmm
from lensbench.model.compare import CompareFindings, EffectFindings
from lensbench.model.errors import Note, Remark
from lensbench.model.shot import Edge, RejectedShot, ShotResult
from lensbench.model.sweep import SweepFindings
from lensbench.report.text.answer import lens_sentences, quick_sentences, series_remark
from lensbench.report.text.compare import comparison_sentences, pair_sentences
from lensbench.report.text.condition import condition_text
from lensbench.report.text.effect import effect_sentences
from lensbench.report.text.words import note_in_words
from lensbench.storage.text import clean_text

if TYPE_CHECKING:
    from lensbench.library import Advice, PicturePlan
    from lensbench.rank import Ranking

Json = dict[str, Any]

_EDGE_FIGURES: Final = (
    *("angle_deg", "channel", "mtf50_cypx", "mtf50_sd_cypx", "mtf30_cypx", "mtf30_sd_cypx", "mtf20_cypx"),
    *("mtf20_sd_cypx", "mtf10_cypx", "mtf10_sd_cypx", "rise_10_90_px", "rise_10_90_sd_px"),
    *("overshoot_percent", "undershoot_percent", "snr", "frequency_cypx", "sfr", "sfr_sd"),
)
_EDGE_OPTIONS: Final = ("physical", "acutance", "acutance_sd", "sharpness_jnd", "sharpness_jnd_sd")
_ON_CHART: Final = ("target", "arm", "center_px", "image_height", "azimuth_deg", "direction")
_SETTINGS: Final = ("camera", "lens", "f_number", "focal_length_mm", "iso", "exposure_s")
_SEEN: Final = ("size_px", "sensor_data", "pixel_pitch_um", "chart", "magnification", "distance_mm")
_AXES: Final = ("pitch", "yaw", "roll")
_PITCH: Final = "pixel_pitch_um"
_PITCH_DECIMALS: Final = 6
_HIDDEN: Final = re.compile(r"[\x7f-\x9f\u061c\u200b-\u200f\u2028-\u202e\u2060-\u206f\ud800-\udfff\ufeff]")
"""What JSON leaves as it is, and is not seen: C1 controls, direction marks, half surrogates."""
VERSIONS: Final = dict.fromkeys(
    (
        *("edges", "photo", "findings", "comparison", "effect", "ranking"),
        *("advice", "picture", "library list", "library change"),
    ),
    1,
)
"""Kind of document -> the number of its form: it goes up where a key goes, or means something else."""


def json_text(form: Mapping[str, Any]) -> bytes:
    """JSON document, with the text as it is and no NaN; signs that a terminal would obey are escaped."""
    text = json.dumps(form, allow_nan=False, ensure_ascii=False, indent=1)
    return (_HIDDEN.sub(lambda found: f"\\u{ord(found[0]):04x}", text) + "\n").encode()


def headed(kind: str, form: Mapping[str, Any]) -> Json:
    """A form under its format's name and number; docs/schema holds the schema of each kind."""
    return {"format": {"name": f"lensbench {kind}", "version": VERSIONS[kind]}, **form}


def plain(value: object) -> Any:
    """Value as JSON knows it: a record becomes a dictionary of its fields, and NaN becomes None.

    A pixel pitch is a quotient of what metadata tell, and 4 comes out as 3.9999999999999996: it is rounded.

    Raises
    ------
    TypeError
        The value is of a kind that no record holds: a mistake of the programmer.
    """
    match value:
        case None | bool() | int():
            return value
        case str() | Path() | Remark():
            return str(value)
        case float() | np.generic():
            number = value.item() if isinstance(value, np.generic) else value
            if isinstance(number, float):
                number = number + 0.0 if math.isfinite(number) else None  # no -0.0
            return number
        case Mapping():
            form = {str(key): plain(item) for key, item in value.items()}
            pitch_um = form.get(_PITCH)
            return form | {_PITCH: round(pitch_um, _PITCH_DECIMALS)} if pitch_um else form
        case tuple() | list() | np.ndarray():
            return [plain(item) for item in value]
    return _record(value)


def _named(record: object, names: Sequence[str]) -> Json:
    return dict(plain({name: getattr(record, name) for name in names}))


def edge_as_json(edge: Edge, *, at_lpmm: Sequence[float] = (), pixel_pitch_um: float | None = None) -> Json:
    """One measured edge; the optional readings are left out when they were not taken.

    `sfr_at_lpmm` tells what is left of the contrast at some line pairs per millimetre, where the pitch is known.
    """
    curve = curve_figures(edge)
    form: Json = {"roi": list(astuple(edge.roi))} | _named(edge, _EDGE_FIGURES)
    area, nyquist = curve.area_cypx, curve.response_at_nyquist
    form |= {"area_cypx": plain(area.value), "area_sd_cypx": plain(area.sd)}
    form |= {"response_at_nyquist": plain(nyquist.value), "response_at_nyquist_sd": plain(nyquist.sd)}
    if at_lpmm and pixel_pitch_um is not None:
        form["sfr_at_lpmm"] = [
            {"lpmm": lpmm, "sfr": plain(figure.value), "sfr_sd": plain(figure.sd)}
            for lpmm in at_lpmm
            for figure in [edge_response_at_lpmm(edge, lpmm=lpmm, pixel_pitch_um=pixel_pitch_um)]
        ]
    form["flags"] = [str(remark) for remark in edge.flags]
    form |= _named(edge, [name for name in _EDGE_OPTIONS if getattr(edge, name) is not None])
    if edge.lateral_color_px is not None:
        form["lateral_color_px"] = dict(zip(("red", "blue"), plain(edge.lateral_color_px), strict=True))
    return form


def shot_as_json(shot: ShotResult, *, at_lpmm: Sequence[float] = ()) -> Json:
    """Everything measured in one photograph of the chart; `at_lpmm` as for an edge."""
    form = {
        "photo": str(shot.path),
        **_named(shot.metadata, _SETTINGS),
        **_named(shot, _SEEN),
        "tilt_deg": {axis: plain(getattr(shot.tilt, f"{axis}_deg")) for axis in _AXES},
        "tilt_sd_deg": {axis: plain(getattr(shot.tilt, f"{axis}_sd_deg")) for axis in _AXES},
        "edges": [
            edge_as_json(edge.edge, at_lpmm=at_lpmm, pixel_pitch_um=shot.pixel_pitch_um)
            | _named(edge, _ON_CHART)
            for edge in shot.edges
        ],
        "summary": plain(shot.summary),
        "veil_percent": plain(max(shot.veil.percent, 0.0)),  # noise may take it a little below nothing
        "veil_sd_over_field_percent": plain(shot.veil.sd_over_field_percent),
        "veil_holds": plain(shot.veil.bound),
        "quality": [_named(remark, ("flag", "severity", "message", "advice")) for remark in shot.quality],
    }
    return headed("photo", form)


def findings_as_json(findings: SweepFindings) -> Json:
    """Form of the findings of a sweep: `{"lenses": [...]}`, field by field under the names of the records.

    Lenses and cameras are named as in the tables, without hidden characters; sentences stand under `text` alone.
    """
    form = _record(findings)
    del form["command"]  # asked for otherwise, the same is found
    for lens, own in zip(findings.lenses, form["lenses"], strict=True):
        own |= {name: clean_text(own[name]) for name in ("lens", "camera")}
        own["text"] = lens_sentences(lens)
        for remark, line in zip(lens.remarks, own["remarks"], strict=True):
            line["text"] = series_remark(remark).message
        for finding, line in zip(lens.condition, own["condition"], strict=True):
            line["text"] = str(condition_text(finding))
        if lens.quick is not None:
            own["quick"]["text"] = " ".join(quick_sentences(lens))
    return headed("findings", form)


def comparison_as_json(comparison: CompareFindings) -> Json:
    """Form of the findings of a comparison, field by field; sentences stand under `text` alone."""
    form = _record(comparison) | {"text": comparison_sentences(comparison)}
    for pair, own in zip(comparison.pairs, form["pairs"], strict=True):
        own["text"] = pair_sentences(pair)
    return headed("comparison", form)


def effect_as_json(findings: EffectFindings) -> Json:
    """Form of the findings of an effect, field by field; sentences stand under `text` alone."""
    return headed("effect", _record(findings) | {"text": effect_sentences(findings)})


def advice_as_json(advice: "Advice | PicturePlan") -> Json:
    """Form of an advice or of a picture's plan, field by field; sentences stand under `text` alone."""
    from lensbench.library import Advice  # noqa: PLC0415  a sweep needs no library
    from lensbench.report.text.advice import advice_sentences, picture_sentences  # noqa: PLC0415

    if isinstance(advice, Advice):
        return headed("advice", _record(advice) | {"text": advice_sentences(advice)})
    return headed("picture", _record(advice) | {"text": picture_sentences(advice)})


def ranking_as_json(ranking: "Ranking") -> Json:
    """Form of frames in order, field by field; sentences stand under `text` alone."""
    form = _record(ranking)
    return headed("ranking", form | {"text": [form.pop("answer"), *form.pop("cautions")]})


def _record(value: object) -> Json:
    if isinstance(value, RejectedShot):
        return {"photo": str(value.path), "reason": value.reason}
    if not is_dataclass(value) or isinstance(value, type):
        raise TypeError(f"no JSON form for {type(value).__name__}")
    form = _named(value, [item.name for item in fields(value)])
    return form | {"text": note_in_words(value)} if isinstance(value, Note) else form
