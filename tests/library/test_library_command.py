import importlib.util
import json
from pathlib import Path

import pytest
from measured_lenses import kept_session, sharper, sweep_folder
from schema_check import following
from typer.testing import CliRunner

from lensbench.cli.main import app
from lensbench.library import Library
from lensbench.model.errors import LibraryError, SettingError
from lensbench.report.out.write import write_sweep
from lensbench.sweep.decide import find
from lensbench.sweep.reject import reject

pytestmark = pytest.mark.usefixtures("no_pictures")


@pytest.fixture
def place(tmp_path):
    return tmp_path / "library.sqlite"


@pytest.fixture
def lensbench(place):
    """Run `lensbench library ...` on a library of its own."""
    return lambda *words: CliRunner().invoke(app, ["library", *map(str, words), "--library", str(place)])


@pytest.fixture
def filled(place):
    Library(place=place).add([kept_session(), kept_session("Sorrel", sharper(0.15), seed=2)])


def test_add_list_show_remove(lensbench, tmp_path):
    folder = sweep_folder(tmp_path / "spring")
    assert "library is empty" in lensbench("list").stdout
    assert following("library-list", json.loads(lensbench("list", "--json").stdout))["lenses"] == []
    added = lensbench("add", folder)
    assert added.exit_code == 0, added.output
    assert "Added Fennel on Box One, session «spring», 18 shots." in added.stdout
    again = lensbench("add", folder)
    assert isinstance(again.exception, LibraryError)
    assert lensbench("add", folder, "--replace").exit_code == 0
    assert lensbench("add", folder, "--session", "autumn").exit_code == 0
    assert lensbench("list").stdout.count("Fennel on Box One") == 2
    (listed, _) = following("library-list", json.loads(lensbench("list", "--json").stdout))["lenses"]
    assert (listed["lens"], listed["shots"], listed["best"]["f_number"]) == ("Fennel", 18, 5.6)
    shown = lensbench("show", "fennel", "--session", "spring")
    assert "f/5.6" in shown.stdout
    form = following("library-list", json.loads(lensbench("show", "fennel", "--json").stdout))
    assert len(form["lenses"][0]["curve"]) == 24
    assert isinstance(lensbench("remove", "Fennel").exception, SettingError)
    assert lensbench("remove", "Fennel", "--session", "autumn").exit_code == 0
    assert lensbench("list").stdout.count("Fennel on Box One") == 1


@pytest.mark.usefixtures("filled")
def test_export_and_import(lensbench, tmp_path):
    file = tmp_path / "carried.json"
    assert lensbench("export", file, "--lens", "sorrel").exit_code == 0
    assert isinstance(lensbench("export", file).exception, SettingError)
    assert lensbench("export", file, "--replace").exit_code == 0
    assert isinstance(lensbench("import", file).exception, LibraryError)
    assert lensbench("remove", "Sorrel").exit_code == 0
    assert isinstance(lensbench("import", file).exception, LibraryError)
    done = following("library-change", json.loads(lensbench("import", file, "--replace", "--json").stdout))
    assert [one["lens"] for one in done["imported"]] == ["Fennel", "Sorrel"]


@pytest.mark.usefixtures("filled")
def test_advise_answers_first_and_as_one_document(lensbench):
    told = lensbench("advise", "--focal-length", "50", "--f-number", "4", "--zone", "outer")
    assert told.exit_code == 0, told.output
    assert told.stdout.startswith("For 50 mm at f/4, edges and corners: take Sorrel.")
    nobody = lensbench("advise", "--focal-length", "85")
    assert isinstance(nobody.exception, LibraryError)
    assert "85 mm (Fennel: measured at 50 mm only; Sorrel: measured" in str(nobody.exception)
    form = following("advice", json.loads(lensbench("advise", "--focal-length", "50", "--json").stdout))
    assert [one["lens"] for one in form["lenses"]] == ["Sorrel", "Fennel"]
    assert form["lenses"][0]["ci95_cypx"][0] < form["lenses"][0]["mtf50_cypx"]


@pytest.mark.usefixtures("filled")
def test_advise_plans_a_picture(lensbench):
    words = (
        "advise",
        "--focal-length",
        "50",
        "--near",
        "2.5",
        "--ev",
        "12",
        "--iso-limit",
        "800",
        "--handheld",
    )
    told = lensbench(*words, "--far", "8", "--shutter", "1/60")
    assert told.exit_code == 0, told.output
    assert told.stdout.startswith("Take Sorrel at f/")
    assert "hands add about" in told.stdout
    form = following("picture", json.loads(lensbench(*words, "--far", "inf", "--json").stdout))
    assert form["wanted"]["far_m"] is None
    assert form["third_m"] is None
    assert form["lenses"][0]["bracket"] is None  # by hand
    assert form["lenses"][0]["best"]["iso"] in {100, 125, 160, 200, 250, 320, 400, 500, 640, 800}
    printed = lensbench(*words[:5], "--far", "8", "--print-cm", "20x30")
    assert "In a print of 20 x 30 cm, seen from 40 cm" in printed.stdout
    refused = lensbench(*words[:5], "--far", "8", "--print-cm", "big")
    assert (refused.exit_code, "write 20x30" in refused.output) == (2, True)
    assert {"at_focus", "at_near", "at_far", "iso", "exposure_s"} <= set(form["lenses"][0]["stops"][0])


@pytest.mark.usefixtures("filled")
@pytest.mark.parametrize(
    "words",
    [
        ("--near", "2"),
        ("--near", "2", "--far", "3", "--f-number", "4"),
        ("--handheld", "--f-number", "4"),
        ("--zone", "edge"),
        ("--near", "2", "--far", "3", "--shutter", "quick"),
        ("--near", "2", "--far", "3", "--shutter", "1/0"),
    ],
)
def test_wrong_usage_ends_with_two(lensbench, words):
    done = lensbench("advise", "--focal-length", "50", *words)
    assert done.exit_code == 2 or isinstance(done.exception, SettingError)


@pytest.mark.usefixtures("filled")
def test_a_question_by_hand_alone_is_that_of_a_flat_subject(lensbench):
    done = lensbench("advise", "--focal-length", "50", "--handheld")
    assert done.exit_code == 0, done.output
    assert "That is for a flat subject" in done.stdout
    assert "hands add about" in done.stdout
    for word in ("focus at", "plane of focus", "third into the scene"):
        assert word not in done.stdout


@pytest.mark.usefixtures("filled")
def test_commands_are_listed_in_whole_words_and_import_names_no_option_of_add(lensbench, tmp_path):
    assert "..." not in lensbench("--help").stdout.partition("Commands:")[2]
    assert lensbench("export", tmp_path / "all.json").exit_code == 0
    again = lensbench("import", tmp_path / "all.json")
    assert "in the library already: --replace puts this one in its place" in str(again.exception)


def test_a_folder_that_sweep_wrote_is_taken_up_as_it_is(lensbench, place, tmp_path):
    path = Path(__file__).parent.parent / "made" / "invented_shots.py"
    spec = importlib.util.spec_from_file_location("shots_of_the_study", path)
    invented = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(invented)
    shots = reject(invented.shoot({2.8: 0.22, 4.0: 0.28, 5.6: 0.30, 8.0: 0.275}, seed=1))
    findings = find(shots)
    write_sweep(findings, shots, tmp_path / "report")
    assert lensbench("add", tmp_path / "report").exit_code == 0
    (session,) = Library(place=place).sessions()
    assert len(session.shots) == 12
    # The library tells the same best stop and figure as the sweep itself.
    form = json.loads(lensbench("advise", "--focal-length", "35", "--json").stdout)
    best = findings.lenses[0].best
    assert form["lenses"][0]["f_number"] == best.f_number
    assert form["lenses"][0]["mtf50_cypx"] == pytest.approx(best.mtf50_cypx, rel=2e-3)
    assert form["lenses"][0]["ci95_cypx"] == pytest.approx(best.ci95_cypx, rel=5e-3)
