"""The records as plain dictionaries, ready for `json.dumps`; the keys are those that the outside relies on.

NaN and infinity become None, arrays and tuples become lists, and a remark becomes its text.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

from lensbench.edge import curve_figures, edge_response_at_lpmm
from lensbench.library import Advice, PicturePlan
from lensbench.model.compare import CompareFindings
from lensbench.model.effect import EffectFindings
from lensbench.model.flags import Note, Remark
from lensbench.model.shot import ChartEdge, Edge, PhysicalFit, RejectedShot, ShotResult, ZoneFigure
from lensbench.model.sweep import SweepFindings
from lensbench.report.advice import advice_sentences, picture_sentences
from lensbench.report.answer import lens_sentences, quick_sentences, series_remark
from lensbench.report.compare import comparison_answer, comparison_limits, pair_sentences
from lensbench.report.condition import condition_text
from lensbench.report.effect import effect_sentences
from lensbench.report.notes import note_in_words
from lensbench.storage.text import clean_text

Json = dict[str, Any]

_EDGE_FIGURES: Final = (
    *("mtf50_cypx", "mtf50_sd_cypx", "mtf30_cypx", "mtf20_cypx", "mtf10_cypx", "rise_10_90_px"),
    *("overshoot_percent", "undershoot_percent", "snr", "frequency_cypx", "sfr", "sfr_sd"),
)

_SETTINGS: Final = ("camera", "lens", "f_number", "focal_length_mm", "iso", "exposure_s")
_AXES: Final = ("pitch", "yaw", "roll")
_PERCEIVED: Final = ("acutance", "acutance_sd", "sharpness_jnd", "sharpness_jnd_sd")


def plain(value: object) -> Any:
    """Value as JSON knows it: a record becomes a dictionary of its fields, and NaN becomes None.

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
            return None if isinstance(number, float) and not math.isfinite(number) else number
        case Mapping():
            return {str(key): plain(item) for key, item in value.items()}
        case tuple() | list() | np.ndarray():
            return [plain(item) for item in value]
    return _record(value)


def edge_as_json(edge: Edge, *, at_lpmm: Sequence[float] = (), pixel_pitch_um: float | None = None) -> Json:
    """One measured edge; the optional readings are left out when they were not taken.

    `sfr_at_lpmm` tells what is left of the contrast at some line pairs per millimetre, where the pitch is known.
    """
    box = edge.roi
    form: Json = {
        "roi": [box.top, box.left, box.height, box.width],
        "angle_deg": plain(edge.angle_deg),
        "channel": edge.channel,
    }
    form |= {name: plain(getattr(edge, name)) for name in _EDGE_FIGURES}
    curve = curve_figures(edge)
    for name, figure in (("area", curve.area_cypx), ("response_at_nyquist", curve.response_at_nyquist)):
        unit = "_cypx" if name == "area" else ""
        form |= {f"{name}{unit}": plain(figure.value), f"{name}_sd{unit}": plain(figure.sd)}
    if at_lpmm and pixel_pitch_um is not None:
        found = [
            (lpmm, edge_response_at_lpmm(edge, lpmm=lpmm, pixel_pitch_um=pixel_pitch_um)) for lpmm in at_lpmm
        ]
        form["sfr_at_lpmm"] = [
            {"lpmm": lpmm, "sfr": plain(figure.value), "sfr_sd": plain(figure.sd)} for lpmm, figure in found
        ]
    form["flags"] = [str(remark) for remark in edge.flags]
    if isinstance(edge.physical, PhysicalFit):
        form["physical"] = plain(edge.physical)
    form |= {name: plain(getattr(edge, name)) for name in _PERCEIVED if getattr(edge, name) is not None}
    if edge.lateral_color_px is not None:
        form["lateral_color_px"] = dict(zip(("red", "blue"), plain(edge.lateral_color_px), strict=True))
    return form


def zone_as_json(zone: ZoneFigure) -> Json:
    """Figure of one zone of the picture."""
    return {
        "mtf50_cypx": plain(zone.mtf50_cypx),
        "ci95_cypx": plain(zone.ci95_cypx),
        "edges": zone.edges,
        "sagittal_cypx": plain(zone.sagittal_cypx),
        "tangential_cypx": plain(zone.tangential_cypx),
    }


def remark_as_json(remark: Remark) -> Json:
    """One remark on quality: what was seen, how grave it is and what to do."""
    return {
        "flag": remark.flag,
        "severity": remark.severity.value,
        "message": remark.message,
        "advice": remark.advice,
    }


def shot_as_json(shot: ShotResult, *, at_lpmm: Sequence[float] = ()) -> Json:
    """Everything measured in one photograph of the chart; `at_lpmm` as for an edge."""
    return {
        "photo": str(shot.path),
        **{name: plain(getattr(shot.metadata, name)) for name in _SETTINGS},
        "size_px": list(shot.size_px),
        "sensor_data": shot.sensor_data,
        "pixel_pitch_um": plain(shot.pixel_pitch_um),
        "chart": plain(shot.chart),
        "magnification": plain(shot.magnification),
        "distance_mm": plain(shot.distance_mm),
        "tilt_deg": {axis: plain(getattr(shot.tilt, f"{axis}_deg")) for axis in _AXES},
        "tilt_sd_deg": {axis: plain(getattr(shot.tilt, f"{axis}_sd_deg")) for axis in _AXES},
        "edges": [
            edge_as_json(edge.edge, at_lpmm=at_lpmm, pixel_pitch_um=shot.pixel_pitch_um) | _on_chart(edge)
            for edge in shot.edges
        ],
        "summary": {zone: zone_as_json(figure) for zone, figure in shot.summary.items()},
        "quality": [remark_as_json(remark) for remark in shot.quality],
    }


def findings_as_json(findings: SweepFindings) -> Json:
    """Form of the findings of a sweep: `{"lenses": [...]}`, field by field under the names of the records.

    Lenses and cameras are named as in the tables, without hidden characters; sentences stand under `text` alone.
    """
    form = _record(findings)
    for lens, own in zip(findings.lenses, form["lenses"], strict=True):
        own |= {name: clean_text(own[name]) for name in ("lens", "camera")}
        own["text"] = lens_sentences(lens)
        for remark, line in zip(lens.remarks, own["remarks"], strict=True):
            line["text"] = series_remark(remark).message
        for finding, line in zip(lens.condition, own["condition"], strict=True):
            line["text"] = str(condition_text(finding))
        if lens.quick is not None:
            own["quick"]["text"] = " ".join(quick_sentences(lens))
    return form


def comparison_as_json(comparison: CompareFindings) -> Json:
    """Form of the findings of a comparison, field by field; sentences stand under `text` alone."""
    form = _record(comparison) | {"text": [*comparison_answer(comparison), *comparison_limits(comparison)]}
    for pair, own in zip(comparison.pairs, form["pairs"], strict=True):
        own["text"] = pair_sentences(pair)
    return form


def effect_as_json(findings: EffectFindings) -> Json:
    """Form of the findings of an effect, field by field; sentences stand under `text` alone."""
    return _record(findings) | {"text": effect_sentences(findings)}


def advice_as_json(advice: Advice | PicturePlan) -> Json:
    """Form of an advice or of a picture's plan, field by field; sentences stand under `text` alone."""
    sentences = advice_sentences(advice) if isinstance(advice, Advice) else picture_sentences(advice)
    return _record(advice) | {"text": sentences}


def _record(value: object) -> Json:
    if isinstance(value, RejectedShot):
        return {"photo": str(value.path), "reason": value.reason}
    if not is_dataclass(value) or isinstance(value, type):
        raise TypeError(f"no JSON form for {type(value).__name__}")
    form = {item.name: plain(getattr(value, item.name)) for item in fields(value)}
    return form | {"text": note_in_words(value)} if isinstance(value, Note) else form


def _on_chart(edge: ChartEdge) -> Json:
    names = ("target", "arm", "center_px", "image_height", "azimuth_deg")
    return {name: plain(getattr(edge, name)) for name in names} | {"direction": edge.direction.value}
