"""Files are written whole or not at all, and never over a file of another kind."""

import errno
import os
import shutil
import time
from pathlib import Path

import pytest
from typer.testing import CliRunner

from lensbench.capture.print_profile import keep_profile
from lensbench.cli.main import app
from lensbench.model.errors import SettingError
from lensbench.model.shot import PrintProfile
from lensbench.storage.files import (
    check_kind,
    data_folder,
    holds_newer,
    probe_folder,
    write_beside,
    write_whole,
)

PHOTOGRAPH = b"II*\x00 a photograph"


def lensbench(*words):
    return CliRunner().invoke(app, [str(word) for word in words])


@pytest.mark.parametrize("name", ["shot.dng", "shot.pdf", "link.pdf", "folder.pdf", "chart"])
def test_a_chart_is_never_drawn_over_anything_but_a_chart(tmp_path, name):
    (tmp_path / "shot.dng").write_bytes(PHOTOGRAPH)
    (tmp_path / "shot.pdf").write_bytes(PHOTOGRAPH)
    (tmp_path / "link.pdf").symlink_to("shot.dng")
    (tmp_path / "folder.pdf").mkdir()
    before = sorted(tmp_path.iterdir())
    for further in ([], ["--wall", "5"]):
        done = lensbench("chart", "--out", tmp_path / name, *further)
        assert isinstance(done.exception, SettingError)
    assert sorted(tmp_path.iterdir()) == before
    assert (tmp_path / "shot.dng").read_bytes() == (tmp_path / "shot.pdf").read_bytes() == PHOTOGRAPH


def test_an_older_chart_and_an_empty_file_may_go(tmp_path):
    (tmp_path / "Chart.PDF").touch()
    for further in ([], ["--wall", "5"], ["--solid"]):
        before = (tmp_path / "Chart.PDF").read_bytes()
        assert lensbench("chart", "--out", tmp_path / "Chart.PDF", *further).exit_code == 0
        assert (tmp_path / "Chart.PDF").read_bytes() != before


def test_a_print_profile_is_never_kept_over_other_json(tmp_path):
    findings = tmp_path / "findings.json"
    findings.write_text('{"lenses": []}')
    profile = PrintProfile(
        name="a",
        made_from="a scan",
        edge_sigma_mm=0.1,
        edge_sigma_sd_mm=0.01,
        **dict.fromkeys(("frequency_cymm", "mtf", "mtf_sd")),
    )
    with pytest.raises(SettingError, match="is no print profile; name another file"):
        keep_profile(profile, str(findings))
    assert findings.read_text() == '{"lenses": []}'


@pytest.mark.parametrize("name", ["shots.csv", "report.html"])
def test_a_report_goes_over_no_file_that_is_of_no_report(tmp_path, name):
    (tmp_path / "plan").mkdir()
    (tmp_path / "plan" / name).write_text("filled by hand")
    (tmp_path / "shots").mkdir()
    for command in (["sweep"], ["effect", "--by", "iso"]):
        done = lensbench(*command, tmp_path / "shots", "--out", tmp_path / "plan")
        assert isinstance(done.exception, SettingError)
        assert f"holds a {name} that is of no earlier report" in str(done.exception)


def test_what_fails_half_way_leaves_the_older_file_and_nothing_else(tmp_path):
    path = tmp_path / ("a" * 240 + ".json")  # hardly room for a longer passing name: 255 bytes at most
    write_whole(path, b"old")

    def stopped():
        with write_beside(path) as passing:
            passing.write_bytes(b"half")
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        stopped()
    assert path.read_bytes() == b"old"
    assert [each.name for each in tmp_path.iterdir()] == [path.name]


def test_an_account_without_a_home_is_one_sentence(monkeypatch):
    monkeypatch.delenv("HOME", raising=False)
    monkeypatch.setattr(
        os.path, "expanduser", lambda path: path
    )  # what it gives for an account that is not known
    with pytest.raises(SettingError, match="no home folder is known here"):
        data_folder("APPDATA")


def test_a_folder_is_tried_before_any_work(tmp_path, monkeypatch):
    probe_folder(tmp_path / "new" / "deep")
    assert list(tmp_path.iterdir()) == []
    (tmp_path / "file").touch()
    for place in (tmp_path / "file" / "below", "/proc/nothing"):
        with pytest.raises(SettingError, match="cannot be written"):
            probe_folder(type(tmp_path)(place))

    def full(path, content):
        path.touch()
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(type(tmp_path), "write_bytes", full)
    with pytest.raises(SettingError, match="No space left on device"):
        probe_folder(tmp_path / "new")
    assert [each.name for each in tmp_path.iterdir()] == ["file"]


def test_only_the_kind_counts_where_no_ending_is_asked_for(tmp_path):
    path = tmp_path / "any"
    path.write_bytes(b"MINE and more")
    check_kind(path, begins=b"MINE", what="mine")
    with pytest.raises(SettingError, match="is not yours"):
        check_kind(path, begins=b"YOURS", what="yours")


def test_a_folder_holds_newer_files_only_where_one_came_after_the_last_run(tmp_path):
    photographs, kept = tmp_path / "shots" / "day 1", tmp_path / "kept.json"
    photographs.mkdir(parents=True)
    (photographs / "a.dng").write_bytes(PHOTOGRAPH)
    assert holds_newer(tmp_path / "shots", kept)  # nothing is kept
    time.sleep(0.02)  # a tick of the file system's clock
    kept.write_text("{}")
    assert not holds_newer(tmp_path / "shots", kept)
    time.sleep(0.02)
    copied = shutil.copy2(photographs / "a.dng", photographs / "b.dng")
    assert Path(copied).stat().st_mtime_ns < kept.stat().st_mtime_ns
    assert holds_newer(tmp_path / "shots", kept)
