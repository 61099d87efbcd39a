"""A sweep's folder makes its report anew without the photographs and without the kept results."""

import dataclasses
import gzip
import os
import shutil
from pathlib import Path

import msgspec
import pytest
from many_shots import many_shots

import lensbench
from lensbench.model.errors import SettingError, SweepError
from lensbench.model.shot import RejectedShot
from lensbench.model.sweep import SweepShot
from lensbench.report.out.write import write_sweep
from lensbench.stats import Tie
from lensbench.storage.store import read_shots
from lensbench.sweep.decide import find


@pytest.fixture(scope="module")
def swept(tmp_path_factory) -> Path:
    """The folder that a sweep of two dozen shots left, one of them rejected, under a name that is no UTF-8."""
    *shots, last = many_shots(26)
    strange = Path(os.fsdecode(b"shoot/sch\xe4rfe.dng"))
    odd = SweepShot(
        planned=dataclasses.replace(last.planned, path=strange),
        result=RejectedShot(path=strange, reason=f"{strange.name}: no chart was found in the picture"),
    )
    folder = tmp_path_factory.mktemp("again") / "report"
    gone = RejectedShot(path=Path("shoot/gone.dng"), reason="it could not be fetched")
    findings = find([*shots, odd], tie=Tie.DEEPEST)
    findings = dataclasses.replace(
        findings, unplaced=(*findings.unplaced, gone), command="sweep sch\udce4rfe"
    )
    write_sweep(findings, [*shots, odd], folder)
    return folder


def contents(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def test_every_file_comes_out_as_it_was(swept, tmp_path):
    before = contents(swept)
    folder = tmp_path / "moved"
    shutil.copytree(swept, folder)
    for name in before:
        if name not in {"shots.msgpack.gz", "sweep.json", ".lensbench-report-files.json"}:
            (folder / name).unlink()
    done = lensbench.remake(folder)
    assert contents(folder) == before
    assert (done.findings.tie, done.findings.command) == ("deepest", "sweep sch\udce4rfe")
    assert [shot.reason for shot in done.rejected] == [
        "sch\udce4rfe.dng: no chart was found in the picture",
        "it could not be fetched",
    ]


@pytest.mark.parametrize("name", ["report.html", "edges.csv", "shots.msgpack.gz"])
def test_a_file_that_its_reader_changed_is_not_written_over(swept, tmp_path, name):
    folder = tmp_path / "report"
    shutil.copytree(swept, folder)
    (folder / name).write_bytes(b"my own")
    before = contents(folder)
    with pytest.raises(SettingError, match=f"{name} was changed"):
        lensbench.remake(folder)
    assert contents(folder) == before


def test_other_folders_are_told_which_one_is_wanted(compare_folder, tmp_path):
    with pytest.raises(SettingError, match="is no folder; give one that `lensbench sweep` wrote"):
        lensbench.remake(tmp_path / "absent")
    with pytest.raises(SettingError, match=r"another study \(comparison\).*compare the sweeps again"):
        lensbench.remake(compare_folder)
    with pytest.raises(
        SweepError, match=r"keeps no measured shots .*; give the folder that `lensbench sweep` wrote"
    ):
        lensbench.remake(tmp_path)
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(
    ("content", "reason"),
    [
        (b"\x1f\x8b\x08\x00", "damaged"),
        (b"no archive", "damaged"),
        (
            gzip.compress(msgspec.msgpack.encode({"format": {"name": "lensbench shots", "version": 1}})),
            "damaged",
        ),
        (
            gzip.compress(msgspec.msgpack.encode({"format": {"name": "lensbench shots", "version": 99}})),
            "of version 99",
        ),
    ],
    ids=("cut", "foreign", "empty", "later"),
)
def test_damaged_shots_and_those_of_another_version_are_refused(tmp_path, content, reason):
    (tmp_path / "shots.msgpack.gz").write_bytes(content)
    with pytest.raises(SweepError, match=f"{reason}.*run the sweep again"):
        read_shots(tmp_path)
