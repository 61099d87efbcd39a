"""Every document of JSON follows its schema, and each schema refuses what is not in it."""

import copy
import json
import re

import jsonschema
import make_schemas
import pytest
from effect_shots import series
from invented_shoot import invented_comparison
from many_shots import many_shots
from schema_check import SCHEMAS, following

from lensbench.effect.effect import find_effect
from lensbench.report.out.json_form import comparison_as_json, effect_as_json, findings_as_json, shot_as_json
from lensbench.sweep.decide import find


@pytest.mark.parametrize("name", sorted(SCHEMAS))
def test_a_schema_is_one_and_stands_as_the_records_make_it(name):
    jsonschema.Draft202012Validator.check_schema(SCHEMAS[name])
    made = make_schemas.schemas()
    assert sorted(made) == sorted(SCHEMAS)
    stands = (make_schemas.FOLDER / f"{name}.json").read_text("utf-8")
    assert stands == make_schemas.text_of(made[name]), "run python tests/schema/make_schemas.py"


def test_the_page_of_the_documents_names_each_schema_once_and_its_recipe_validates(tmp_path):
    page = (make_schemas.FOLDER.parent / "reference" / "schema.md").read_text("utf-8")
    linked = re.findall(r"^\| \[([a-z ]+)\]\(\.\./schema/([a-z-]+)\.json\)", page, re.MULTILINE)
    assert sorted(file for _, file in linked) == sorted(SCHEMAS)
    assert all(SCHEMAS[file]["title"] == f"lensbench {name}" for name, file in linked)
    document = tmp_path / "findings.json"
    document.write_text(json.dumps(findings_as_json(find([]))))
    recipe = page.partition("    import json\n")[2].partition("\n\nThe same")[0].replace("    ", "")
    recipe = recipe.replace("result/findings.json", str(document))
    exec(f"import json\n{recipe.strip()}", {})  # noqa: S102  the page's own lines


def objects_in(schema):
    """Every schema of an object within a schema."""
    if isinstance(schema, dict):
        if schema.get("type") == "object":
            yield schema
        for inner in schema.values():
            yield from objects_in(inner)
    elif isinstance(schema, list):
        for inner in schema:
            yield from objects_in(inner)


@pytest.mark.parametrize("name", sorted(SCHEMAS))
def test_no_object_may_hold_a_key_that_is_a_phrase(name):
    for schema in objects_in(SCHEMAS[name]):
        validator = jsonschema.Draft202012Validator(
            {**schema, "required": [], "$defs": SCHEMAS[name].get("$defs", {})}
        )
        assert not validator.is_valid({"sharp at the centre": None})
        assert not [key for key in schema.get("properties", ()) if " " in key]


@pytest.fixture(scope="module")
def documents():
    shots = many_shots(36)
    effect = find_effect(
        series(["with", "without"] * 3, effect={"with": -0.2, "without": 0.0}), by="condition"
    )
    forms = {
        "findings": findings_as_json(find(shots)),
        "photo": shot_as_json(shots[0].result, at_lpmm=(20.0,)),
        "comparison": comparison_as_json(invented_comparison()),
        "effect": effect_as_json(effect),
    }
    return json.loads(json.dumps(forms, allow_nan=False))


@pytest.mark.parametrize("name", ["findings", "photo", "comparison", "effect"])
def test_documents_of_many_shots_follow_their_schema(documents, name):
    following(name, documents[name])
    assert documents[name]["format"] == {"name": f"lensbench {name}", "version": 1}
    changed = copy.deepcopy(documents[name])
    changed["format"]["version"] = 2
    with pytest.raises(jsonschema.ValidationError):
        following(name, changed)
    with pytest.raises(jsonschema.ValidationError):
        following(name, documents[name] | {"answer": "A phrase."})
