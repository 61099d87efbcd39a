"""Schemas of the documents of JSON (docs/schema), made from the records that they mirror: run it when a record changes.

What no record tells stands here: which keys a document has beside its record, and where sentences stand. No object may
hold a key that is not named, or, where keys are names of zones, stops or levels, one that is a phrase.
"""

import dataclasses
import json
import types
import typing
from collections.abc import Mapping
from enum import StrEnum
from pathlib import Path
from typing import Any

from lensbench.library import Advice, PicturePlan
from lensbench.model import compare, condition, measured, shot, sweep
from lensbench.model.errors import Note, Remark, Severity
from lensbench.rank import Ranking
from lensbench.report.out.json_form import VERSIONS
from lensbench.storage.store import SWEEP_FORMAT

FOLDER = Path(__file__).resolve().parents[2] / "docs" / "schema"
DIALECT = "https://json-schema.org/draft/2020-12/schema"
KEYS = "^[A-Za-z0-9_.]{1,40}$"
"""Of a mapping: names of zones and purposes, f-numbers; never a phrase."""
Schema = dict[str, Any]
NUMBER: Schema = {"type": ["number", "null"]}
WHOLE: Schema = {"type": "integer"}
TEXT: Schema = {"type": "string"}
YES_NO: Schema = {"type": "boolean"}
SENTENCES: Schema = {"type": "array", "items": TEXT}
PAIR: Schema = {"type": "array", "prefixItems": [NUMBER, NUMBER], "items": False, "minItems": 2}

SAID: dict[type, Schema] = {
    sweep.LensFindings: {"text": SENTENCES},
    sweep.SeriesRemark: {"text": TEXT},
    condition.ConditionFinding: {"text": TEXT},
    condition.QuickFindings: {"text": TEXT},
    compare.ComparedPair: {"text": SENTENCES},
    Note: {"text": TEXT},
}
"""Record -> the sentences that the report puts beside its fields."""


def array(items: Schema) -> Schema:
    return {"type": "array", "items": items}


def closed(
    properties: Mapping[str, Schema], *, optional: Mapping[str, Schema] = types.MappingProxyType({})
) -> Schema:
    """Object with these keys and no others."""
    return {
        "type": "object",
        "properties": {**properties, **optional},
        "required": list(properties),
        "additionalProperties": False,
    }


PLAIN: dict[Any, Schema] = {
    float: NUMBER,
    int: WHOLE,
    str: TEXT,
    bytes: TEXT,
    bool: YES_NO,
    Path: TEXT,
    Remark: TEXT,
    type(None): {"type": "null"},
    shot.RejectedShot: closed({"photo": TEXT, "reason": TEXT}),
}


class Maker:
    """One document's schema; records that it holds are defined once, under their names."""

    def __init__(self) -> None:
        self.defined: dict[str, Schema] = {}

    def of(self, kind: Any) -> Schema:
        """Schema of a value of a type, as `report.out.json_form.plain` writes it."""
        origin, arguments = typing.get_origin(kind), typing.get_args(kind)
        if origin is not None:
            return self.compound(origin, arguments)
        if kind in PLAIN:
            return PLAIN[kind]
        if isinstance(kind, type) and issubclass(kind, StrEnum):
            return {"enum": [str(member) for member in kind]}
        return self.record(kind)

    def compound(self, origin: Any, arguments: tuple[Any, ...]) -> Schema:
        """Schema of a type that is made of others."""
        schema: Schema = array(NUMBER)  # of an array of numpy
        if origin is typing.Annotated:
            schema = self.of(arguments[0])
        elif origin is typing.Literal:
            schema = {"enum": list(arguments)}
        elif origin in (typing.Union, types.UnionType):
            schema = either([self.of(argument) for argument in arguments])
        elif origin is dict:
            schema = {"type": "object", "patternProperties": {KEYS: self.of(arguments[1])}}
            schema["additionalProperties"] = False
        elif origin is tuple and arguments[1:] == (Ellipsis,):
            schema = array(self.of(arguments[0]))
        elif origin is tuple:
            items = [self.of(argument) for argument in arguments]
            schema = {"type": "array", "prefixItems": items, "items": False, "minItems": len(items)}
        return schema

    def record(self, kind: type) -> Schema:
        """Reference to a record, which is defined where it was not yet."""
        name = kind.__name__
        if name not in self.defined:
            self.defined[name] = {}  # lest a record that holds itself go round in a circle
            hints = typing.get_type_hints(kind, include_extras=True)
            properties = {item.name: self.of(hints[item.name]) for item in dataclasses.fields(kind)}
            if kind is Note:
                properties["kind"] = TEXT
            self.defined[name] = closed(properties | SAID.get(kind, {}))
        return {"$ref": f"#/$defs/{name}"}

    def document(
        self, name: str, version: int, properties: Mapping[str, Schema], **optional: Schema
    ) -> Schema:
        """The whole document."""
        head = closed({"name": {"const": name}, "version": {"const": version}})
        form = closed({"format": head, **properties}, optional=optional)
        defined = {"$defs": dict(sorted(self.defined.items()))} if self.defined else {}
        return {"$schema": DIALECT, "title": name, **form, **defined}

    def mirror(
        self, kind: type, said: Mapping[str, Schema] = types.MappingProxyType({})
    ) -> dict[str, Schema]:
        """Keys of a document that mirrors a record."""
        self.record(kind)
        return {**self.defined.pop(kind.__name__)["properties"], **said}


def either(schemas: list[Schema]) -> Schema:
    """One of some schemas, in the shortest form."""
    found = [schema for number, schema in enumerate(schemas) if schema not in schemas[:number]]
    if NUMBER in found and {"type": "null"} in found:
        found.remove({"type": "null"})
    return found[0] if len(found) == 1 else {"anyOf": found}


def edge_properties() -> tuple[dict[str, Schema], dict[str, Schema]]:
    """Keys of an edge: those that are always there, and those that are there where they were asked for."""
    figures = (
        *(
            "angle_deg",
            "mtf50_cypx",
            "mtf50_sd_cypx",
            "mtf30_cypx",
            "mtf30_sd_cypx",
            "mtf20_cypx",
            "mtf20_sd_cypx",
        ),
        *("mtf10_cypx", "mtf10_sd_cypx", "rise_10_90_px", "rise_10_90_sd_px", "overshoot_percent"),
        *(
            "undershoot_percent",
            "snr",
            "area_cypx",
            "area_sd_cypx",
            "response_at_nyquist",
            "response_at_nyquist_sd",
        ),
    )
    always: dict[str, Schema] = {
        "roi": {"type": "array", "items": WHOLE, "minItems": 4, "maxItems": 4},
        "channel": TEXT,
        **dict.fromkeys(figures, NUMBER),
        **dict.fromkeys(("frequency_cypx", "sfr", "sfr_sd"), array(NUMBER)),
        "flags": array({"type": "string", "pattern": "^[a-z0-9_]+(: .*)?$"}),
    }
    fit = Maker().mirror(shot.PhysicalFit)
    optional: dict[str, Schema] = {
        "physical": closed(fit),
        **dict.fromkeys(("acutance", "acutance_sd", "sharpness_jnd", "sharpness_jnd_sd"), NUMBER),
        "lateral_color_px": closed({"red": NUMBER, "blue": NUMBER}),
        "sfr_at_lpmm": array(closed({"lpmm": NUMBER, "sfr": NUMBER, "sfr_sd": NUMBER})),
    }
    return always, optional


def photo_schema() -> Schema:
    always, optional = edge_properties()
    on_chart: dict[str, Schema] = {
        "target": TEXT,
        "arm": WHOLE,
        "center_px": PAIR,
        "image_height": NUMBER,
        "azimuth_deg": NUMBER,
        "direction": {"enum": ["sagittal", "tangential", "oblique"]},
    }
    maker, axes = Maker(), closed(dict.fromkeys(("pitch", "yaw", "roll"), NUMBER))
    remark = {"flag": TEXT, "severity": {"enum": [str(severity) for severity in Severity]}}
    nothing_or_text: Schema = {"type": ["string", "null"]}
    return maker.document(
        "lensbench photo",
        VERSIONS["photo"],
        {
            "photo": TEXT,
            **dict.fromkeys(("camera", "lens"), nothing_or_text),
            **dict.fromkeys(("f_number", "focal_length_mm", "iso", "exposure_s"), NUMBER),
            "size_px": array(WHOLE) | {"minItems": 2, "maxItems": 2},
            "sensor_data": YES_NO,
            "pixel_pitch_um": NUMBER,
            "chart": maker.of(shot.ChartSeen),
            **dict.fromkeys(("magnification", "distance_mm"), NUMBER),
            **dict.fromkeys(("tilt_deg", "tilt_sd_deg"), axes),
            "edges": array(closed(always | on_chart, optional=optional)),
            "summary": closed({zone: maker.of(shot.ZoneFigure) for zone in shot.ZONES}),
            **dict.fromkeys(("veil_percent", "veil_sd_over_field_percent"), NUMBER),
            "veil_holds": maker.of(shot.VeilBound),
            "quality": array(closed({**remark, "message": TEXT, "advice": TEXT})),
        },
    )


def library_schemas() -> dict[str, Schema]:
    session = {"lens": TEXT, "camera": TEXT, "session": TEXT}
    setting = {"focal_length_mm": NUMBER, "f_number": NUMBER}
    figures = {"mtf50_cypx": NUMBER, "ci95_cypx": PAIR}
    zone = {"enum": list(shot.ZONES)}
    kept = {
        **session,
        "added_at": TEXT,
        "focal_lengths_mm": array(NUMBER),
        "pixel_pitch_um": NUMBER,
        "size_px": {"anyOf": [array(WHOLE), {"type": "null"}]},
        "sensor_data": YES_NO,
        "shots": WHOLE,
        "best": {"anyOf": [closed(setting | figures), {"type": "null"}]},
    }
    curve = array(closed({**setting, "zone": zone, **figures, "shots": WHOLE}))
    listed = Maker().document(
        "lensbench library list",
        VERSIONS["library list"],
        {"lenses": array(closed(kept, optional={"curve": curve}))},
        library=TEXT,
    )
    done = dict.fromkeys(("added", "removed", "exported", "imported"), array(closed(session)))
    change = Maker().document(
        "lensbench library change", VERSIONS["library change"], {"place": TEXT}, **done
    ) | {"minProperties": 3, "maxProperties": 3}
    return {"library-list": listed, "library-change": change}


def truth_schema() -> Schema:
    edge = {
        "target": TEXT,
        "arm": WHOLE,
        "channel": TEXT,
        "angle_deg": {"type": "number"},
        "center_px": PAIR,
        "frequency_cypx": array({"type": "number"}),
        "sfr": array({"type": "number"}),
        "mtf50_cypx": NUMBER,
    }
    settings = {"type": "object", "propertyNames": {"pattern": "^[a-z0-9_]+$"}}
    photo = closed({"file": TEXT, "settings": settings, "edges": array(closed(edge))})
    return Maker().document("lensbench truth", 1, {"seed": WHOLE, "photos": array(photo)})


def mirrored(name: str, kind: type) -> Schema:
    maker = Maker()
    properties = maker.mirror(kind, {"text": SENTENCES})
    return maker.document(f"lensbench {name}", VERSIONS[name], properties)


def findings_schema() -> Schema:
    """Schema of findings.json, which leaves out by what command it was asked for."""
    maker = Maker()
    properties = maker.mirror(sweep.SweepFindings)
    properties.pop("command")
    return maker.document("lensbench findings", VERSIONS["findings"], properties)


def schemas() -> dict[str, Schema]:
    """Name of each file, without its ending, and the schema in it."""
    always, optional = edge_properties()
    maker = Maker()
    kept = {"lenses": maker.of(tuple[measured.MeasuredLens, ...])}
    ranking = Maker()
    ordered = ranking.mirror(Ranking, {"text": SENTENCES})
    for sentences in ("answer", "cautions"):
        ordered.pop(sentences)
    return {
        "edges": Maker().document(
            "lensbench edges",
            VERSIONS["edges"],
            {"image": TEXT, "edges": array(closed(always, optional=optional))},
        ),
        "photo": photo_schema(),
        "findings": findings_schema(),
        "sweep": maker.document(SWEEP_FORMAT.name, SWEEP_FORMAT.version, kept),
        "comparison": mirrored("comparison", compare.CompareFindings),
        "effect": mirrored("effect", compare.EffectFindings),
        "ranking": ranking.document("lensbench ranking", VERSIONS["ranking"], ordered),
        "advice": mirrored("advice", Advice),
        "picture": mirrored("picture", PicturePlan),
        **library_schemas(),
        "truth": truth_schema(),
    }


def text_of(schema: Schema) -> str:
    """The file's content."""
    return json.dumps(schema, ensure_ascii=False, indent=1) + "\n"


if __name__ == "__main__":
    FOLDER.mkdir(exist_ok=True)
    for name, schema in schemas().items():
        (FOLDER / f"{name}.json").write_text(text_of(schema), encoding="utf-8")
