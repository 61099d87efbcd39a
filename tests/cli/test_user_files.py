"""Nothing of the user's is deleted or written over, whatever it is called: driven through the commands alone."""

import hashlib
import json
import re
import shutil
from pathlib import Path

import pytest
from commands import lensbench

pytestmark = pytest.mark.usefixtures("no_pictures")

NAMED_LIKE_OURS = (
    "pair-1.png",
    "pair-of-shoes.png",
    "effect-of-filter.png",
    "lens-1-zoom.png",
    "lens-9-stops-of-bus.png",
)
PLAN = ("plan", "--focal", "50", "--widest", "2", "--out")


def contents(*folders):
    """Every file, folder and link below some folders, with what it holds."""
    found = {}
    for folder in folders:
        for path in sorted(folder.rglob("*")):
            found[path] = path.readlink() if path.is_symlink() else path.is_file() and path.read_bytes()
    return found


def assert_refused(done, *, names=""):
    """Wrong usage, told in one sentence that names the place and the way out."""
    assert done.returncode == 2, done.stderr
    assert done.stdout == ""
    assert len(done.stderr.strip().split("\n")) == 1
    assert done.stderr.startswith("lensbench: ")
    assert names in done.stderr
    assert re.search("name a|another --out", done.stderr)


@pytest.fixture(scope="module")
def shoot(tmp_path_factory):
    """Shots of two invented lenses at one focal length, and the reports on each: copy, don't change."""
    place = tmp_path_factory.mktemp("shoot")
    camera = (
        "--size",
        "440x660",
        "--pitch-um",
        "10",
        "--cfa",
        "mono",
        "--focus-spread-um",
        "1",
        "--workers",
        "1",
    )
    settings = ("--stops", "4,8", "--focal-lengths", "35", "--repeats", "1")
    for lens in ("sorrel", "fennel"):
        assert (
            lensbench("simulate", "--out", lens, "--lens", lens, *camera, *settings, at=place).returncode == 0
        )
        assert lensbench("sweep", lens, "--out", f"{lens}-report", at=place).returncode == 0
    return place


@pytest.fixture
def precious(tmp_path):
    """Pictures of the user's that bear names like our plots'."""

    def put(folder):
        folder.mkdir(parents=True, exist_ok=True)
        for name in NAMED_LIKE_OURS:
            (folder / name).write_bytes(b"\x89PNG my own " + name.encode())

    return put


@pytest.mark.parametrize("command", [("sweep",), ("effect", "--by", "f_number")])
@pytest.mark.parametrize("folder", ["plots", "measured", "plots/monday", "measured/monday"])
def test_photographs_where_the_reports_own_files_go_are_refused(shoot, precious, tmp_path, command, folder):
    shutil.copytree(shoot / "sorrel", tmp_path / folder)
    precious(tmp_path / folder)
    before = contents(tmp_path)
    assert_refused(lensbench(*command, folder, "--out", ".", at=tmp_path), names=folder)
    assert contents(tmp_path) == before


@pytest.mark.parametrize("out", ["shots", "shots/result", "link/result", "shots/../shots"])
def test_the_folder_of_photographs_and_all_below_it_stay_as_they_are(shoot, tmp_path, out):
    shutil.copytree(shoot / "sorrel", tmp_path / "shots")
    (tmp_path / "link").symlink_to("shots")
    before = contents(tmp_path)
    assert_refused(lensbench("sweep", "shots", "--out", out, at=tmp_path), names="never written to")
    assert contents(tmp_path) == before


def test_photographs_behind_a_link_into_the_reports_own_files_are_refused(shoot, tmp_path):
    shutil.copytree(shoot / "sorrel", tmp_path / "result" / "plots")
    (tmp_path / "shots").symlink_to("result/plots")
    before = contents(tmp_path)
    assert_refused(lensbench("sweep", "shots", "--out", "result", at=tmp_path))
    assert contents(tmp_path) == before


def test_a_comparison_leaves_pictures_that_no_report_put_there(shoot, precious, tmp_path):
    precious(tmp_path / "X" / "plots")
    before = contents(tmp_path)
    reports = [shoot / "sorrel-report", shoot / "fennel-report"]
    assert lensbench("compare", *reports, "--out", "X", at=tmp_path).returncode == 0
    after = contents(tmp_path)
    assert {path: after[path] for path in before} == before
    made = {path.name for path in after if path.parent.name == "plots"} - set(NAMED_LIKE_OURS)
    assert len(made) == 2
    assert (tmp_path / "X" / "report.html").exists()


@pytest.mark.parametrize("place", ["plots", "measured"])
def test_sweeps_that_lie_where_the_reports_own_files_go_are_refused(shoot, tmp_path, place):
    for lens in ("sorrel", "fennel"):
        shutil.copytree(shoot / f"{lens}-report", tmp_path / place / lens)
    before = contents(tmp_path)
    done = lensbench("compare", f"{place}/sorrel", f"{place}/fennel", "--out", ".", at=tmp_path)
    assert_refused(done, names=f"{place}/sorrel")
    assert contents(tmp_path) == before


@pytest.mark.parametrize("link", ["plots", "measured"])
@pytest.mark.parametrize("command", ["sweep", "effect", "compare"])
def test_nothing_is_deleted_or_written_through_a_link(shoot, precious, tmp_path, command, link):
    precious(tmp_path / "mine")
    (tmp_path / "X").mkdir()
    (tmp_path / "X" / link).symlink_to(tmp_path / "mine")
    before = contents(tmp_path)
    words = {
        "sweep": ("sweep", shoot / "sorrel"),
        "effect": ("effect", shoot / "sorrel", "--by", "f_number"),
        "compare": ("compare", shoot / "sorrel-report", shoot / "fennel-report"),
    }[command]
    done = lensbench(*words, "--out", "X", at=tmp_path)
    if (command, link) == ("compare", "measured"):  # a comparison measures nothing
        assert done.returncode == 0
        assert contents(tmp_path).items() >= before.items()
        return
    assert_refused(done, names=f"X/{link}")
    assert contents(tmp_path) == before


def test_a_link_in_an_earlier_report_is_refused_too(shoot, tmp_path):
    shutil.copytree(shoot / "sorrel-report", tmp_path / "X")
    (tmp_path / "X" / "plots").rename(tmp_path / "kept")
    (tmp_path / "X" / "plots").symlink_to(tmp_path / "kept")
    before = contents(tmp_path)
    assert_refused(lensbench("sweep", shoot / "sorrel", "--out", "X", at=tmp_path))
    assert contents(tmp_path) == before


@pytest.mark.parametrize(
    "name", ["findings.json", "comparison.json", "report.html", "report.pdf", "edges.csv"]
)
@pytest.mark.parametrize("with_kept", [False, True])
def test_files_of_no_earlier_report_are_not_written_over(shoot, tmp_path, name, with_kept):
    (tmp_path / "X").mkdir()
    (tmp_path / "X" / name).write_text("written by hand")
    if with_kept:  # the results that a sweep left when it was stopped
        shutil.copytree(shoot / "sorrel-report" / "measured", tmp_path / "X" / "measured")
    before = contents(tmp_path)
    assert_refused(lensbench("sweep", shoot / "sorrel", "--out", "X", at=tmp_path), names=name)
    assert contents(tmp_path) == before


def test_other_things_in_a_folder_called_measured_get_no_company(shoot, tmp_path):
    (tmp_path / "measured").mkdir()
    (tmp_path / "measured" / "temperatures.csv").write_text("20,21\n")
    before = contents(tmp_path)
    done = lensbench("sweep", shoot / "sorrel", "--out", ".", at=tmp_path)
    assert_refused(done, names="temperatures.csv")
    assert contents(tmp_path) == before


def test_two_lenses_then_one_leave_no_old_plot_and_all_that_is_the_users(shoot, precious, tmp_path):
    shots = [shoot / "sorrel", shoot / "fennel"]
    for shots_of_one in shots:  # measured before
        shutil.copytree(f"{shots_of_one}-report/measured", tmp_path / "X" / "measured", dirs_exist_ok=True)
    assert lensbench("sweep", *shots, "--out", "X", at=tmp_path).returncode == 0
    plots = tmp_path / "X" / "plots"
    first = {path.name for path in plots.iterdir()}
    changed = min(name for name in first if name.startswith("lens-2-"))
    (plots / changed).write_bytes(b"\x89PNG drawn on by the user")
    precious(plots)
    before = contents(plots)
    assert lensbench("sweep", shots[0], "--out", "X", at=tmp_path).returncode == 0
    second = {path.name for path in plots.iterdir()}
    assert {name for name in second if name.startswith("lens-2-")} == {changed}
    assert {name for name in first if name.startswith("lens-1-")} <= second
    for name in (*NAMED_LIKE_OURS, changed):
        assert (plots / name).read_bytes() == before[plots / name]
    assert len(json.loads((tmp_path / "X" / "findings.json").read_text())["lenses"]) == 1


def test_a_plot_that_is_needed_is_not_put_over_the_users_and_work_resumes_once_it_is_moved(shoot, tmp_path):
    name = "lens-1-strips.png"
    assert (shoot / "sorrel-report" / "plots" / name).exists()
    mine = tmp_path / "X" / "plots" / name
    mine.parent.mkdir(parents=True)
    mine.write_bytes(b"mine")
    assert_refused(
        lensbench("sweep", shoot / "sorrel", "--out", "X", "--workers", "1", at=tmp_path), names=name
    )
    assert mine.read_bytes() == b"mine"
    assert not (tmp_path / "X" / "report.html").exists()
    mine.rename(tmp_path / "mine.png")
    assert lensbench("sweep", shoot / "sorrel", "--out", "X", at=tmp_path).returncode == 0
    assert mine.read_bytes().startswith(b"\x89PNG")
    assert (tmp_path / "mine.png").read_bytes() == b"mine"


@pytest.mark.parametrize("name", ["shots.csv", "report.html"])
@pytest.mark.parametrize("protected", [False, True])
def test_what_the_user_changed_or_protected_in_a_report_is_kept(shoot, tmp_path, name, protected):
    shutil.copytree(shoot / "sorrel-report", tmp_path / "X")
    file = tmp_path / "X" / name
    if protected:
        file.chmod(0o444)
    else:
        file.write_text(file.read_text(encoding="utf-8") + "my remark\n", encoding="utf-8")
    before = contents(tmp_path)
    # Only one of the shots, so that the report would differ.
    (tmp_path / "shots").mkdir()
    photographs = sorted((shoot / "sorrel").glob("*.dng"))
    for path in photographs[:-1]:
        shutil.copy(path, tmp_path / "shots")
    before = contents(tmp_path)
    done = lensbench("sweep", "shots", "--out", "X", at=tmp_path)
    assert_refused(done, names=f"X/{name}")
    assert contents(tmp_path) == before


def test_an_untouched_report_is_renewed(shoot, tmp_path):
    shutil.copytree(shoot / "sorrel-report", tmp_path / "X")
    shutil.copytree(shoot / "fennel-report" / "measured", tmp_path / "X" / "measured", dirs_exist_ok=True)
    assert lensbench("sweep", shoot / "fennel", "--out", "X", at=tmp_path).returncode == 0
    assert "Fennel" in (tmp_path / "X" / "report.html").read_text(encoding="utf-8")
    (lens,) = json.loads((tmp_path / "X" / "findings.json").read_text())["lenses"]
    assert lens["lens"].startswith("Fennel")


def test_a_list_that_leads_elsewhere_deletes_nothing_there(shoot, tmp_path):
    shutil.copytree(shoot / "sorrel-report", tmp_path / "X")
    treasure = tmp_path / "treasure.png"
    treasure.write_bytes(b"treasure")
    told = hashlib.sha256(b"treasure").hexdigest()
    lists = [path for path in (tmp_path / "X").glob(".*.json") if "report" in path.name]
    assert len(lists) == 1
    forged = json.loads(lists[0].read_text())
    outside = ["../treasure.png", "plots/../../treasure.png", str(treasure), "plots/../treasure.png"]
    forged["files"] |= {name: [told] for name in outside}
    lists[0].write_text(json.dumps(forged))
    lensbench("sweep", shoot / "sorrel", "--out", "X", at=tmp_path)
    assert treasure.read_bytes() == b"treasure"
    lists[0].write_text("spoiled")
    before = contents(tmp_path)
    assert_refused(lensbench("sweep", shoot / "sorrel", "--out", "X", at=tmp_path))
    assert contents(tmp_path) == before


@pytest.mark.parametrize("further", [(), ("--wall", "5")])
def test_a_chart_goes_over_no_other_pdf(tmp_path, further):
    (tmp_path / "mine.pdf").write_bytes(b"%PDF-1.7\nof another program\nstartxref\n9\n%%EOF\n")
    for name in ("noted.pdf", "chart.pdf"):
        assert lensbench("chart", "--out", name, at=tmp_path).returncode == 0
    with (tmp_path / "noted.pdf").open("ab") as file:  # ISO 32000-1, 7.5.6: notes are appended
        file.write(b"\n9 0 obj\n<</Type/Annot>>\nendobj\nxref\n0 0\ntrailer\n<<>>\nstartxref\n9\n%%EOF\n")
    shutil.copy(tmp_path / "chart.pdf", tmp_path / "remarked.pdf")
    with (tmp_path / "remarked.pdf").open("ab") as file:
        file.write(b"% my own remark\n%%EOF\n")
    assert lensbench(*PLAN, "plan", at=tmp_path).returncode == 0
    (tmp_path / "link.pdf").symlink_to("plan/checklist.pdf")
    before = contents(tmp_path)
    for name in ("mine.pdf", "noted.pdf", "remarked.pdf", "plan/checklist.pdf", "link.pdf"):
        assert_refused(lensbench("chart", "--out", name, *further, at=tmp_path), names=name)
    assert contents(tmp_path) == before


def test_a_chart_goes_over_an_older_chart(tmp_path):
    for further in ((), ("--wall", "5"), ("--paper", "A3"), ("--solid",)):
        before = (tmp_path / "chart.pdf").read_bytes() if further else b""
        assert lensbench("chart", "--out", "chart.pdf", *further, at=tmp_path).returncode == 0
        assert (tmp_path / "chart.pdf").read_bytes() not in (before, b"")


@pytest.mark.parametrize("further", [(), ("--quick",), ("--replace",)])
@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("checklist.pdf", b"%PDF-1.7\nof another program\nstartxref\n9\n%%EOF\n"),
        ("checklist.pdf", b"no PDF at all"),
        ("shots.csv", b"day,notes\nmonday,rain\n"),
        ("shots.csv", b"file,f_number,condition\n,5.6,my own table\n"),
    ],
)
def test_a_plan_goes_over_no_file_of_the_users(tmp_path, further, name, content):
    if further == ("--replace",) and content.startswith(b"file,"):
        pytest.skip("a table of shots is what --replace is for")
    (tmp_path / "X").mkdir()
    (tmp_path / "X" / name).write_bytes(content)
    before = contents(tmp_path)
    assert_refused(lensbench(*PLAN, "X", *further, at=tmp_path), names=name)
    assert contents(tmp_path) == before


def test_a_plan_is_made_anew_until_the_user_writes_into_it(tmp_path):
    assert lensbench(*PLAN, "X", at=tmp_path).returncode == 0
    assert lensbench(*PLAN, "X", "--quick", at=tmp_path).returncode == 0
    table = tmp_path / "X" / "shots.csv"
    table.write_text(table.read_text().replace(",2,", ",2.2,", 1))
    before = contents(tmp_path)
    assert_refused(lensbench(*PLAN, "X", at=tmp_path), names="shots.csv")
    assert contents(tmp_path) == before
    assert lensbench(*PLAN, "X", "--replace", at=tmp_path).returncode == 0
    assert contents(tmp_path) != before


def test_a_plan_and_a_report_in_one_folder_do_not_take_each_others_table(shoot, tmp_path):
    assert lensbench(*PLAN, "X", at=tmp_path).returncode == 0
    before = contents(tmp_path)
    assert_refused(lensbench("sweep", shoot / "sorrel", "--out", "X", at=tmp_path), names="shots.csv")
    assert contents(tmp_path) == before
    shutil.copytree(shoot / "sorrel-report", tmp_path / "Y")
    before = contents(tmp_path)
    for further in ((), ("--replace",)):
        assert_refused(lensbench(*PLAN, "Y", *further, at=tmp_path), names="shots.csv")
    assert contents(tmp_path) == before


@pytest.mark.parametrize("command", [("demo",), ("simulate", "--size", "760x1140")])
def test_a_folder_that_holds_anything_gets_no_invented_shoot(tmp_path, command):
    (tmp_path / "X").mkdir()
    (tmp_path / "X" / ".0123456789ab.dng").write_bytes(b"mine")
    before = contents(tmp_path)
    assert_refused(lensbench(*command, "--out", "X", at=tmp_path))
    assert contents(tmp_path) == before


def test_a_library_goes_over_no_other_file(shoot, tmp_path):
    (tmp_path / "mine.json").write_text('{"mine": 1}')
    (tmp_path / "mine.sqlite").write_bytes(b"no database")
    report = Path(shoot / "sorrel-report")
    assert lensbench("library", "add", report, "--library", "kept.sqlite", at=tmp_path).returncode == 0
    mine = contents(tmp_path)
    exported = ("library", "export", "mine.json", "--library", "kept.sqlite")
    for further in ((), ("--replace",)):
        assert_refused(lensbench(*exported, *further, at=tmp_path), names="mine.json")
    assert lensbench("library", "add", report, "--library", "mine.sqlite", at=tmp_path).returncode == 1
    assert contents(tmp_path)[tmp_path / "mine.json"] == mine[tmp_path / "mine.json"]
    assert (tmp_path / "mine.sqlite").read_bytes() == b"no database"


@pytest.mark.parametrize("how", ["link", "protected"])
def test_a_plan_that_is_not_to_be_written_is_not_filled(shoot, tmp_path, how):
    plan = tmp_path / "plan.csv"
    (tmp_path / "elsewhere.csv").write_text("file,f_number\n,4\n")
    if how == "link":
        plan.symlink_to("elsewhere.csv")
    else:
        plan.write_text("file,f_number\n,4\n")
        plan.chmod(0o444)
    before = contents(tmp_path)
    assert_refused(
        lensbench("check", shoot / "sorrel", "--plan", plan, "--fill", at=tmp_path), names="plan.csv"
    )
    assert contents(tmp_path) == before
    assert plan.is_symlink() == (how == "link")


def test_a_plan_without_new_shots_stays_as_it_was_written(shoot, tmp_path):
    plan = tmp_path / "plan.csv"
    plan.write_text("file;f_number;condition\n;64;none is at this stop\n")
    before = contents(tmp_path)
    lensbench("check", shoot / "sorrel", "--plan", plan, "--fill", at=tmp_path)
    assert contents(tmp_path) == before


def test_a_kept_result_is_not_put_over_a_link(shoot, tmp_path):
    assert lensbench("sweep", shoot / "sorrel", "--out", "X", at=tmp_path).returncode == 0
    kept = min((tmp_path / "X" / "measured").glob("*.shot.gz"))
    kept.unlink()
    kept.symlink_to(tmp_path / "elsewhere.gz")
    assert lensbench("sweep", shoot / "sorrel", "--out", "X", at=tmp_path).returncode == 0
    assert kept.is_symlink()
    assert not (tmp_path / "elsewhere.gz").exists()


def test_a_demo_takes_no_files_place(tmp_path):
    (tmp_path / "notes").write_text("mine")
    assert_refused(lensbench("demo", "--out", "notes", at=tmp_path), names="notes")
    assert (tmp_path / "notes").read_text() == "mine"
