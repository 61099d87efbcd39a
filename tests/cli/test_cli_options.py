"""One record of options: what it holds means the same in every command, and what cannot hold is refused."""

import json
from dataclasses import replace

import numpy as np
import pytest
import tifffile
from exact_edges import Blur
from invented_shots import result
from made_pictures import edge_picture
from typer.testing import CliRunner

from lensbench import photo, shot
from lensbench.cli.main import app
from lensbench.cli.options import sensor_mm
from lensbench.model.errors import SettingError, remark
from lensbench.model.shot import Metadata
from lensbench.storage.store import read_sweep
from lensbench.sweep.run import Running

pytestmark = pytest.mark.usefixtures("no_pictures")

CLIPPED = {"b_2", "b_3"}


def told(path):
    """The metadata that an invented file's name holds: CAMERA_REPEAT.dng; `b` is the second camera."""
    camera = {"a": "Box One", "b": "Box Two", "c": None}[path.stem[0]]
    return Metadata(camera=camera, lens="Fennel", f_number=4.0, focal_length_mm=35.0)


def measured(path, options=None, **further):
    """Clipped shots are 20 % softer; the pitch that was asked for is the one that is measured with."""
    metadata = replace(told(path), orientation=6)
    pitch_um = options.pitch_um or 4.0
    if path.stem in CLIPPED:
        quality = (remark("white_clipped"),)
        return result(path, 0.2, metadata=metadata, pixel_pitch_um=pitch_um, quality=quality)
    return result(path, 0.25, metadata=metadata, pixel_pitch_um=pitch_um)


@pytest.fixture
def lensbench(monkeypatch):
    """The command line, with invented photographs and without other processes."""
    monkeypatch.setattr(photo, "read_metadata", told)
    monkeypatch.setattr(shot, "measure_shot", measured)
    usual = Running.__init__.__kwdefaults__ | {"in_process": True}
    monkeypatch.setattr(Running.__init__, "__kwdefaults__", usual)
    return lambda *words: CliRunner().invoke(app, [str(word) for word in words])


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "shots").mkdir()
    for name in ("a_0", "a_1", "b_0", "b_1", "b_2", "b_3"):
        (tmp_path / "shots" / f"{name}.dng").write_bytes(name.encode())
    return tmp_path / "shots"


def test_effect_does_not_count_what_its_flags_reject(lensbench, folder, tmp_path):
    # Two of the second camera's four shots are clipped, and softer by 20 %; the two that count are as sharp as the
    # first camera's.
    words = ("effect", folder, "--by", "camera", "--out", tmp_path / "out")
    done = lensbench(*words, "--json")
    findings = json.loads(done.stdout)
    assert [level["shots"] for level in findings["levels"]] == [2, 2]
    assert sorted(one["photo"][-7:] for one in findings["rejected"]) == ["b_2.dng", "b_3.dng"]
    assert {one["reason"] for one in findings["rejected"]} == {remark("white_clipped").message}
    frame = next(row for row in findings["rows"] if (row["figure"], row["zone"]) == ("mtf50", "frame"))
    assert frame["difference"] == pytest.approx(0.0, abs=1e-9)
    assert done.exit_code == 0
    strict = lensbench(*words, "--strict")
    assert strict.exit_code == 3
    assert strict.stderr.count("rejected: b_") == 2


@pytest.mark.parametrize("command", ["sweep", "effect"])
def test_one_pitch_for_two_cameras_is_refused_and_one_a_row_is_taken(lensbench, folder, tmp_path, command):
    words = (command, folder, *(("--by", "camera") if command == "effect" else ()))
    refused = lensbench(*words, "--pitch-um", "5", "--out", tmp_path / "out")
    assert isinstance(refused.exception, SettingError)
    assert "--pitch-um 5 cannot hold for 2 cameras (Box One, Box Two)" in str(refused.exception)
    table = tmp_path / "shots.csv"
    rows = [f"{path.name},{3.0 if path.name[0] == 'a' else 6.5}" for path in sorted(folder.iterdir())]
    table.write_text("\n".join(["file,pitch_um", *rows]))
    done = lensbench(*words, "--shots", table, "--out", tmp_path / "out")
    assert done.exit_code == 0, done.exception
    kept = (tmp_path / "out" / "shots.csv").read_text().splitlines()
    place = kept[0].split(",").index("pixel_pitch_um")
    assert [float(line.split(",")[place]) for line in kept[1:]] == [3.0, 3.0, 6.5, 6.5, 6.5, 6.5]


def test_the_pitch_of_a_row_wins_and_of_one_camera_the_option_holds_for_the_rest(lensbench, folder, tmp_path):
    table = tmp_path / "shots.csv"
    table.write_text("file,pitch_um\nb_0.dng,6.5\nb_1.dng,6.5\nb_2.dng,6.5\nb_3.dng,6.5\n")
    done = lensbench(
        "sweep", folder, "--shots", table, "--pitch-um", "3", "--out", tmp_path / "out", "--json"
    )
    assert done.exit_code == 0, done.exception
    pitches = {lens["camera"]: lens["pixel_pitch_um"] for lens in json.loads(done.stdout)["lenses"]}
    assert pitches == {"Box One": 3.0, "Box Two": 6.5}


@pytest.mark.parametrize(
    "command", [["measure", "a.dng"], ["check", "a.dng"], ["edge", "a.dng"], ["sweep", "a"]]
)
@pytest.mark.parametrize(("pitch_um", "limit"), [("0.2", "0.3"), ("120", "100")])
def test_the_pitch_has_one_limit(command, pitch_um, limit):
    done = CliRunner().invoke(app, [*command, "--pitch-um", pitch_um])
    assert done.exit_code == 2
    assert "'--pitch-um'" in done.stderr
    assert limit in done.stderr


def test_a_print_has_the_height_of_the_picture_as_it_is_viewed(tmp_path):
    # Cycles per degree go as the picture's height in pixels over the print's in mm, so the same pixels turned on
    # their side and printed at H look like those not turned, printed at H x rows / columns.
    rows, cols = 120, 200
    codes = np.rint(65535 * (0.1 + 0.8 * edge_picture(Blur(q=0.9), 5.0, rows=rows, cols=cols))).astype(
        np.uint16
    )
    upright, turned = tmp_path / "upright.tif", tmp_path / "turned.tif"
    tifffile.imwrite(upright, codes, photometric="minisblack")
    tifffile.imwrite(turned, codes, photometric="minisblack", extratags=[(274, "H", 1, 6, True)])

    def look(path, height_mm):
        words = ("edge", path, "--roi", "30,70,60,60", "--encoding", "linear", "--viewing-distance-mm", 500)
        words = [str(word) for word in (*words, "--print-height-mm", height_mm, "--json")]
        return json.loads(CliRunner().invoke(app, words).stdout)["edges"][0]["sharpness_jnd"]

    assert look(turned, 60.0) == pytest.approx(look(upright, 60.0 * rows / cols), rel=1e-9)
    assert look(turned, 60.0) != pytest.approx(look(upright, 60.0), rel=0.05)


def test_line_widths_go_by_the_same_height_in_measure_and_in_what_a_sweep_leaves(lensbench, folder, tmp_path):
    # 4000 rows and 6000 columns, turned on their side: 2 x 0.97 x 0.25 x 6000 line widths.
    done = lensbench("measure", folder / "a_0.dng")
    assert "2910 LW/PH" in done.stdout
    lensbench("sweep", folder, "--out", tmp_path / "out")
    assert {lens.picture_height_px for lens in read_sweep(tmp_path / "out")} == {6000}


ROOM = (
    'camera = "Box One"\npitch_um = "5 um"\ndistance_mm = 3000\npaper = "A3"\nwall = 5\nencoding = "linear"\n'
)


@pytest.fixture
def room(folder):
    """A room's file beside the photographs of its camera."""
    for path in folder.glob("b_*.dng"):
        path.unlink()
    (folder / "lensbench.toml").write_text(ROOM)
    return folder / "lensbench.toml"


def pitches(done):
    assert done.exit_code == 0, done.exception or done.output
    return {lens["camera"]: lens["pixel_pitch_um"] for lens in json.loads(done.stdout)["lenses"]}


def test_a_room_beside_the_photographs_stands_for_options_and_an_option_wins(lensbench, room, tmp_path):
    words = ("sweep", room.parent, "--out", tmp_path / "out", "--json")
    done = lensbench(*words)
    assert pitches(done) == {"Box One": 5.0}
    assert f"room: {room}" in done.stderr
    assert pitches(lensbench(*words, "--pitch-um", "6")) == {"Box One": 6.0}


def test_a_room_may_be_named(lensbench, room, tmp_path):
    named = room.rename(tmp_path / "attic.toml")
    words = ("sweep", room.parent, "--out", tmp_path / "out", "--json")
    assert pitches(lensbench(*words)) == {"Box One": 4.0}
    assert pitches(lensbench(*words, "--room", named)) == {"Box One": 5.0}


def test_a_room_names_the_camera_that_photographs_do_not_tell(lensbench, room, tmp_path):
    for path in list(room.parent.glob("a_*.dng")):
        path.rename(path.with_name(path.name.replace("a", "c")))
    assert pitches(lensbench("sweep", room.parent, "--out", tmp_path / "out", "--json")) == {"Box One": 5.0}


def test_photographs_of_another_camera_are_said(lensbench, room, tmp_path):
    room.write_text('camera = "Box Two"\n')
    done = lensbench("sweep", room.parent, "--out", tmp_path / "out")
    assert "the room is Box Two's, these photographs are Box One's" in done.stderr


def test_a_room_serves_chart_and_plan(room, tmp_path):
    asked = ("--room", str(room), "--out")
    chart = CliRunner().invoke(app, ["chart", *asked, str(tmp_path / "wall.pdf")])
    assert "5 pages A3" in chart.stdout
    chart = CliRunner().invoke(app, ["chart", "--wall", "3", *asked, str(tmp_path / "wall.pdf")])
    assert "3 pages A3" in chart.stdout
    plan = CliRunner().invoke(app, ["plan", "--focal", "35", "--widest", "4", *asked, str(tmp_path / "plan")])
    assert "a wall set" in plan.stdout
    assert "pages A3" in plan.stdout
    assert "Box One" in (tmp_path / "plan" / "shots.csv").read_text().splitlines()[1]


def test_a_length_is_no_rooms_file():
    plan = CliRunner().invoke(app, ["plan", "--focal", "35", "--widest", "4", "--room", "3m"])
    assert plan.exit_code == 2
    assert "a room's length is --room-m 3" in " ".join(plan.stderr.split())


@pytest.mark.parametrize(
    ("line", "says"),
    [
        (
            "pich_um = 4",
            "there is no key «pich_um»; did you mean pitch_um? (keys: camera, pitch_um, paper, wall, ",
        ),
        ("zone = 4", "there is no key «zone» (keys: "),
        ('pitch_um = "wide"', "pitch_um: «wide» is not a number: write 4.3"),
        ("pitch_um = 300", "pitch_um: 300 does not lie within 0.3 to 100"),
        ("wall = 2.5", "wall: «2.5» is not a whole number"),
        ("camera = 5", "camera is to be a text in quotes"),
        ("distance_mm = true", "distance_mm is to be a number"),
        ("pitch_um = ", "cannot be read"),
        ("pitch_um = 3,9", 'write lines such as camera = "Box One" or pitch_um = 3.9, with a point'),
        ('encoding = "film"', "encoding «film» is unknown"),
    ],
)
def test_what_a_room_cannot_hold_is_refused_by_name(room, tmp_path, line, says):
    room.write_text(line)
    for words in (["sweep", str(room.parent)], ["sweep", str(tmp_path), "--room", str(room)]):
        done = CliRunner().invoke(app, words)
        assert done.exit_code == 2 or isinstance(done.exception, SettingError)
        assert says in " ".join(done.output.split()) + str(done.exception)
    assert not list(tmp_path.glob("*-lensbench"))


def test_papers_are_listed(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    done = CliRunner().invoke(app, ["chart", "--list"])
    assert done.exit_code == 0
    # ISO 216 and ANSI/ASME Y14.1: sides of the papers.
    for paper in ("A4       297 x 210 mm", "A0       1189 x 841 mm", "Tabloid  432 x 279 mm"):
        assert paper in done.stdout
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("spelled", "sides_mm"),
    [
        ("APS-C", (23.5, 15.7)),
        ("full frame", (36.0, 24.0)),
        ("four-thirds", (17.3, 13.0)),
        ("36 x 24", (36.0, 24.0)),
    ],
)
def test_a_sensor_is_known_by_its_name_or_its_sides(spelled, sides_mm):
    # Common practice, no source: makers differ by some tenths of a millimetre.
    assert sensor_mm(spelled) == pytest.approx(sides_mm, abs=0.15)


def test_chart_and_plan_take_the_same_sensors(tmp_path):
    plan = CliRunner().invoke(
        app, ["plan", "--focal", "50", "--widest", "2", "--sensor", "aps-c", "--out", str(tmp_path / "plan")]
    )
    command = plan.stdout.partition("made by: lensbench ")[2].partition(")")[0].split()
    assert float(command[command.index("--sensor") + 1].partition("x")[0]) == pytest.approx(23.5)
    unlike = CliRunner().invoke(app, ["plan", "--focal", "50", "--widest", "2", "--sensor", "four-thirds"])
    assert "another shape than pictures of 6000 x 4000 px: give --size too" in str(
        unlike.exception or unlike.output
    )
    sides = [
        CliRunner()
        .invoke(app, ["chart", "--wall", "2", "--sensor", sensor, "--out", str(tmp_path / f"{number}.pdf")])
        .stdout.partition(": ")[2]
        for number, sensor in enumerate(("aps-c", "23.5x15.7"))
    ]
    assert sides[0] == sides[1] != ""
