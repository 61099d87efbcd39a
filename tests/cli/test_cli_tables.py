"""Tables with commas in the wrong places are refused with their line, by every command that reads one."""

import shutil

import pytest
from commands import lensbench

pytestmark = pytest.mark.usefixtures("no_pictures")


@pytest.fixture(scope="module")
def shoot(tmp_path_factory):
    """Two raw photographs of the chart at f/4 and two at f/8."""
    out = tmp_path_factory.mktemp("shoot") / "raw"
    done = lensbench(
        "simulate", "--out", out, "--stops", "4,8", "--size", "580x870", "--pitch-um", "8", "--workers", "1"
    )
    assert done.returncode == 0
    return out


HEAD = "file,lens,f_number,focal_length_mm\n"
SPLIT = HEAD + "shot_0001.dng,Old 50/2,2.8,50\nshot_0002.dng,Old 50/2,2,8,50\n"


@pytest.fixture(scope="module")
def measured(tmp_path_factory, shoot):
    """What a sweep kept of these photographs, so that a further one need not measure or draw them anew."""
    place = tmp_path_factory.mktemp("measured")
    rows = [f"{path.name},Old 50/2,2.8,50\n" for path in sorted(shoot.glob("*.dng"))]
    (place / "shots.csv").write_text(HEAD + "".join(rows))
    done = lensbench("sweep", shoot, "--shots", place / "shots.csv", "--out", place / "report")
    assert done.returncode == 0
    return place / "report" / "measured"


def commands(shoot, table, out):
    return {
        "sweep": ("sweep", shoot, "--shots", table, "--out", out, "--workers", "1"),
        "effect": ("effect", shoot, "--by", "f_number", "--shots", table, "--out", out, "--workers", "1"),
        "check": ("check", shoot, "--plan", table),
    }


@pytest.mark.parametrize("command", ["sweep", "effect", "check"])
def test_a_comma_as_decimal_sign_is_refused_with_its_line(tmp_path, shoot, command):
    table = tmp_path / "shots.csv"
    table.write_text(SPLIT)
    done = lensbench(*commands(shoot, table, tmp_path / "out")[command])
    assert done.returncode == 2
    assert done.stdout == ""
    assert done.stderr.count("\n") == 1
    for part in ("shots.csv", "line 3", "5 cells", "4 columns", "decimal", "2.8"):
        assert part in done.stderr
    assert not (tmp_path / "out" / "report.html").exists()


@pytest.mark.parametrize(
    ("head", "row", "told"),
    [
        ("file,f_number", "shot_0001.dng,4,", "3 cells"),
        ("file;f_number", "shot_0001.dng;4;8", "3 cells"),
        ("file,focal_length_mm", '"shot_0001.dng","1,250"', "1250 or 1.25"),
        ("file,f_number", "shot_0001.dng;5,6", "semicolon"),
        ("file,f_number", "shot_0001.dng,2_8", "not a number: write 2.8"),
        ("file,f_number", 'shot_0001.dng,"11"5', "a quote stands"),
        ("file,lens,f_number", 'shot_0001.dng,"Old 50/2,4\nshot_0002.dng,Old 50/2",4', "close its quote"),
        ("file,lens,f_number", 'shot_0001.dng,"Old 50/2,4\nshot_0002.dng,,4', "a quote stands"),
    ],
)
def test_what_could_be_misread_is_refused(tmp_path, shoot, head, row, told):
    table = tmp_path / "shots.csv"
    table.write_text(f"{head}\n{row}\n")
    for words in commands(shoot, table, tmp_path / "out").values():
        done = lensbench(*words)
        assert done.returncode == 2
        assert "shots.csv" in done.stderr
        assert "line 2" in done.stderr
        assert told in done.stderr


def test_a_column_that_stands_twice_is_refused(tmp_path, shoot):
    table = tmp_path / "shots.csv"
    table.write_text("file,f_number,f_number\nshot_0001.dng,4,8\n")
    for words in commands(shoot, table, tmp_path / "out").values():
        done = lensbench(*words)
        assert done.returncode == 2
        assert "«f_number» stands twice" in done.stderr


@pytest.mark.parametrize(
    "text",
    [
        "file,lens,f_number,focal_length_mm\n{}.dng,Old 50/2,2.8,50\n",
        'file,lens,f_number,focal_length_mm\n{}.dng,Old 50/2,"2,8",50\n',
        "file;lens;f_number;focal_length_mm\n{}.dng;Old 50/2;2,8;50,0\n",
        "file,lens,f_number,focal_length_mm,use\n{}.dng,Old 50/2,2.8,50\n",
        'file, "lens", "f_number", "focal_length_mm"\n{}.dng, "Old 50/2", "2.8", "50"\n',
        "File\tLens\tF_Number\tFocal_Length_mm\n{}\tOld 50/2\tf/2,8\t50mm\n",
    ],
    ids=["point", "quotes", "semicolons", "fewer cells", "spaces before quotes", "tabs, no ending"],
)
def test_what_is_clear_is_understood(tmp_path, shoot, measured, text):
    names = [path.stem for path in sorted(shoot.glob("*.dng"))]
    head, row = text.splitlines()
    table = tmp_path / "shots.csv"
    table.write_text("\n".join([head, *(row.format(name) for name in names), ""]))
    shutil.copytree(measured, tmp_path / "out" / "measured")
    done = lensbench("sweep", shoot, "--shots", table, "--out", tmp_path / "out", "--workers", "1")
    assert done.returncode == 0
    report = (tmp_path / "out" / "shots.csv").read_text()
    assert report.count("Old 50/2,") == 4
    assert report.count(",28E-1,28E-1,50,50,") == 4
