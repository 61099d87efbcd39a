"""A run in which nothing is new says what the last one said and leaves its files; anything else goes the whole way."""

import os
import sys
from pathlib import Path

import pytest
from invented_shots import result
from typer.testing import CliRunner

from lensbench import photo, shot
from lensbench.cli.main import app
from lensbench.model.errors import ChartError, SettingError, UnreadableError
from lensbench.model.shot import Metadata
from lensbench.storage import standing
from lensbench.storage.files import Listing, sole_writer
from lensbench.storage.standing import Said, Standing
from lensbench.sweep.run import Running

pytestmark = pytest.mark.usefixtures("no_pictures")

CURVE = {2.8: 0.22, 4.0: 0.28, 5.6: 0.30}


def told(path):
    return Metadata(camera="Box One", lens="Fennel", f_number=float(path.stem[:-1]), focal_length_mm=35.0)


def measured(path, options=None, **further):
    """A sharpness that follows the stop; `x` holds no chart, and `y` can't be read this time."""
    if path.stem[-1] == "x":
        raise ChartError(f"{path.name}: no chart in the picture")
    if path.stem[-1] == "y":
        raise UnreadableError(f"{path.name}: the file cannot be read (timed out)")
    return result(
        path, CURVE[float(path.stem[:-1])] * (1.0 + 0.001 * int(path.stem[-1])), metadata=told(path)
    )


class Runs:
    """Runs of the command over one folder, which holds a file without a chart."""

    def __init__(self, place: Path) -> None:
        self.place, self.folder, self.out = place, place / "shots", place / "report"
        self.table = place / "shots.csv"
        self.table.write_text("file,camera\n2.80.dng,Box One\n")
        self.folder.mkdir()
        for name in [f"{stop:g}{repeat}" for stop in CURVE for repeat in (0, 1)] + ["5.6x"]:
            (self.folder / f"{name}.dng").write_bytes(name.encode())

    def run(self, *words: str):
        words = ("sweep", self.folder, "--out", self.out, "--shots", self.table, "--strict", *words)
        return CliRunner().invoke(app, [str(word) for word in words])

    @property
    def page(self) -> int:
        """Number of the page's file, a new one whenever it is written."""
        return (self.out / "report.html").stat().st_ino


@pytest.fixture
def runs(monkeypatch, tmp_path):
    """Invented photographs, measured in this process; files of just now are not in doubt."""
    monkeypatch.setattr(photo, "read_metadata", told)
    monkeypatch.setattr(shot, "measure_shot", measured)
    monkeypatch.setattr(
        Running.__init__, "__kwdefaults__", Running.__init__.__kwdefaults__ | {"in_process": True}
    )
    monkeypatch.setattr(standing, "SETTLED_NS", 0)
    return Runs(tmp_path)


def test_it_says_the_same_with_the_same_status_and_leaves_every_file(runs):
    first, page = runs.run(), runs.page
    assert first.exit_code == 3  # --strict, and one photograph is rejected
    assert "Report: " in first.stdout
    assert "rejected: 5.6x.dng" in first.stderr
    again = runs.run()
    assert runs.page == page
    assert (again.stdout, again.stderr, again.exit_code) == (first.stdout, first.stderr, 3)
    (runs.out / "measured" / ".standing.json").unlink()
    whole = runs.run()
    assert runs.page != page
    assert (again.stdout, again.stderr, again.exit_code) == (whole.stdout, whole.stderr, whole.exit_code)


def test_another_option_and_what_may_come_out_otherwise_another_time_go_the_whole_way(runs):
    runs.run()
    page = runs.page
    (runs.folder / "5.6y.dng").write_bytes(b"y")
    assert "cannot be read" in runs.run("--tie", "widest").stderr
    assert runs.page != page
    page = runs.page
    assert "cannot be read" in runs.run("--tie", "widest").stderr
    assert runs.page != page


@pytest.fixture
def place(tmp_path, monkeypatch):
    """A folder of photographs, its table, and a report with a kept result; files of just now are not in doubt."""
    monkeypatch.setattr(standing, "SETTLED_NS", 0)
    (tmp_path / "shots" / "deep").mkdir(parents=True)
    for name in ("a.dng", "b.dng", "deep/c.jpg"):
        (tmp_path / "shots" / name).write_bytes(name.encode())
    (tmp_path / "elsewhere.dng").write_bytes(b"elsewhere")
    (tmp_path / "shots" / "linked.dng").symlink_to(tmp_path / "elsewhere.dng")
    (tmp_path / "shots.csv").write_text("file,f_number\na.dng,4\n")
    (tmp_path / "report" / "measured").mkdir(parents=True)
    (tmp_path / "report" / "measured" / f"{'a' * 40}.shot.gz").write_bytes(b"kept")
    files = {"edges.csv": b"edges", "plots/a.png": b"plot", "report.html": b"page"}
    Listing(folder=tmp_path / "report", what="report").write(files)
    return tmp_path


def a_run(place, asked="sweep"):
    return Standing(
        out=place / "report",
        kept=place / "report" / "measured",
        asked=asked,
        folders=(place / "shots",),
        tables=(place / "shots.csv",),
    )


SAID = Said(lines=[("Fennel: set f/5.6", False), ("rejected: x.dng", True)], status=3)
CHANGES = {
    "a photograph was touched": lambda place: os.utime(place / "shots/a.dng"),
    "one was written to": lambda place: (place / "shots/deep/c.jpg").write_bytes(b"deep/d.jpg"),
    "one came": lambda place: (place / "shots/d.dng").write_bytes(b"d"),
    "one went": lambda place: (place / "shots/a.dng").unlink(),
    "one has another name": lambda place: (place / "shots/a.dng").rename(place / "shots/d.dng"),
    "a link came": lambda place: (place / "shots/e.dng").symlink_to(place / "shots/a.dng"),
    "the file behind a link was written to": lambda place: (place / "elsewhere.dng").write_bytes(
        b"erehwesle"
    ),
    "a link to a folder came": lambda place: (place / "shots/more").symlink_to(
        place, target_is_directory=True
    ),
    "the folder is not there": lambda place: (place / "shots").rename(place / "other"),
    "the table changed": lambda place: (place / "shots.csv").write_text("file,f_number\na.dng,8\n"),
    "a file of the report is missing": lambda place: (place / "report/edges.csv").unlink(),
    "a plot was changed": lambda place: (place / "report/plots/a.png").write_bytes(b"plop"),
    "the page is write-protected": lambda place: (place / "report/report.html").chmod(0o444),
    "the list of files is damaged": lambda place: (place / "report/.lensbench-report-files.json").write_text(
        "{}"
    ),
    "a kept result is missing": lambda place: kept_in(place).unlink(),
    "a kept result was written to": lambda place: kept_in(place).write_bytes(b"tpek"),
    "what was said is damaged": lambda place: (place / "report/measured/.standing.json").write_text("{}"),
    "it rests on nothing": lambda place: (place / "report/measured/.standing.json").write_text(
        '{"rests_on": "", "said": {"lines": [], "status": 0}}'
    ),
    "a file came beside the report": lambda place: (place / "report/effect.json").write_text("mine"),
}


def kept_in(place):
    return place / "report" / "measured" / f"{'a' * 40}.shot.gz"


@pytest.mark.parametrize("change", CHANGES)
def test_nothing_is_said_again_where(place, change):
    run = a_run(place)
    assert run.said() is None
    run.keep(SAID, inputs=run.inputs())
    assert run.said() == SAID
    CHANGES[change](place)
    assert run.said() is None


def test_nothing_is_said_again_for_another_wish_program_or_library(place, monkeypatch):
    run = a_run(place)
    run.keep(SAID, inputs=run.inputs())
    assert a_run(place, "sweep --tie widest").said() is None
    library = place / "site" / "numpy-99.0.dist-info"
    library.mkdir(parents=True)
    with monkeypatch.context() as patch:
        patch.setattr(sys, "path", [*sys.path, str(library.parent)])
        assert run.said() is None
    assert run.said() == SAID
    monkeypatch.setattr(standing, "program_fingerprint", lambda: "another program")
    assert run.said() is None


def test_files_that_changed_during_the_run_or_just_before_it_are_in_doubt(place, monkeypatch):
    run, before = a_run(place), a_run(place).inputs()
    (place / "shots" / "a.dng").write_bytes(b"other")
    run.keep(SAID, inputs=before)
    assert not (run.kept / ".standing.json").exists()
    monkeypatch.setattr(standing, "SETTLED_NS", 3_600_000_000_000)
    assert run.inputs() == ""
    run.keep(SAID, inputs="")
    assert not (run.kept / ".standing.json").exists()


def test_another_run_in_the_folder_is_told_of_as_ever(place):
    run = a_run(place)
    run.keep(SAID, inputs=run.inputs())
    words = ("sweep", place / "shots", "--out", place / "report")
    with sole_writer(place / "report"):
        again = CliRunner().invoke(app, [str(word) for word in words])
    assert isinstance(again.exception, SettingError)
    assert "another run is writing there" in str(again.exception)
