"""Documents of JSON held against their schemas of docs/schema."""

import json
from pathlib import Path
from typing import Any

import jsonschema

FOLDER = Path(__file__).resolve().parents[2] / "docs" / "schema"
SCHEMAS = {path.stem: json.loads(path.read_text("utf-8")) for path in FOLDER.glob("*.json")}


def following(name: str, document: dict[str, Any]) -> dict[str, Any]:
    """The document, which follows its schema; a ValidationError where it does not."""
    jsonschema.Draft202012Validator(SCHEMAS[name]).validate(document)
    return document
