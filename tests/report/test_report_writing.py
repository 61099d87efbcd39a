"""A sweep leaves the promised files, each whole, and never among the photographs."""

import dataclasses
import json
import os
from pathlib import Path

import pytest
from invented_shoot import LENS, invented_comparison, invented_findings, invented_shots

from lensbench.model.errors import SettingError
from lensbench.model.shot import RejectedShot
from lensbench.model.sweep import SweepFindings
from lensbench.report.out.write import check_output_folder, write_compare, write_files, write_sweep
from lensbench.storage.store import read_sweep

LIST = ".lensbench-report-files.json"


def test_a_sweep_leaves_the_promised_files_and_no_others(sweep_folder):
    names = {str(path.relative_to(sweep_folder)) for path in sweep_folder.rglob("*") if path.is_file()}
    plots = {name for name in names if name.startswith("plots")}
    tables = {"edges.csv", "shots.csv", "sweep.json", "shots.msgpack.gz"}
    assert names - plots == {"report.html", "report.pdf", "card.pdf", "findings.json", *tables, LIST}
    assert len(plots) == 5
    assert all(name.endswith(".png") for name in plots)


def test_the_findings_hold_the_keys_of_the_contract(sweep_folder):
    findings = json.loads((sweep_folder / "findings.json").read_text(encoding="utf-8"))
    (lens,) = findings["lenses"]
    # The keys of the project's contract, written out by hand.
    assert set(lens) >= {"lens", "camera", "shots", "rejected", "best", "by_focal_length", "condition"}
    assert set(lens["best"]) >= {"focal_length_mm", "f_number", "zone", "mtf50_cypx", "ci95_cypx", "tied"}
    assert {"focal_length_mm", "f_number"} <= set(lens["best"]["tied"][0])
    focal = lens["by_focal_length"][1]
    assert set(focal) >= {"focal_length_mm", "best_f_number", "tied_f_numbers", "zones", "curve"}
    assert (focal["focal_length_mm"], focal["best_f_number"]) == (35.0, 5.6)
    assert focal["tied_f_numbers"] == [4.0, 5.6, 8.0]
    assert set(focal["zones"]) == {"inner", "middle", "outer", "frame"}
    zone_keys = {"mtf50_cypx", "ci95_cypx", "edges", "sagittal_cypx", "tangential_cypx"}
    assert set(focal["zones"]["outer"]) >= zone_keys
    assert set(focal["curve"][0]) >= {"f_number", "zone", "mtf50_cypx", "ci95_cypx", "shots"}
    assert set(lens["rejected"][0]) == {"photo", "reason"}


def test_a_comparison_leaves_its_files(compare_folder):
    names = {path.name for path in compare_folder.iterdir()}
    assert names == {"report.html", "report.pdf", "comparison.csv", "comparison.json", "plots", LIST}
    pair = json.loads((compare_folder / "comparison.json").read_text(encoding="utf-8"))["pairs"][0]
    assert pair["first"] == LENS


def test_a_failed_write_keeps_the_old_file_and_leaves_nothing_behind(tmp_path, monkeypatch):
    path = tmp_path / "report.html"
    write_files({"report.html": b"old"}, tmp_path)
    before = sorted(each.name for each in tmp_path.iterdir())

    def full_disk(handle):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full_disk)
    with pytest.raises(SettingError, match=r"cannot be written to .*No space left on device"):
        write_files({"report.html": b"new"}, tmp_path)
    assert path.read_bytes() == b"old"
    assert sorted(each.name for each in tmp_path.iterdir()) == before


def test_a_second_run_replaces_the_first_and_removes_plots_that_no_longer_hold(tmp_path):
    findings = invented_findings()
    write_sweep(findings, [], tmp_path)
    foreign = tmp_path / "plots" / "mine.png"
    foreign.write_bytes(b"kept")
    first = {path.name for path in (tmp_path / "plots").iterdir()}
    (lens,) = findings.lenses
    fewer = dataclasses.replace(lens, by_focal_length=())
    write_sweep(SweepFindings(lenses=(fewer,)), [], tmp_path)
    assert {path.name for path in (tmp_path / "plots").iterdir()} == {"mine.png"}
    assert {"lens-1-strips.png"} < first


@pytest.mark.parametrize("out", [".", "report", "deep/er"])
def test_the_folder_of_photographs_is_never_written_to(tmp_path, out):
    with pytest.raises(SettingError, match="never written to"):
        check_output_folder(tmp_path / out, inputs=[tmp_path])
    check_output_folder(tmp_path.parent / "elsewhere", inputs=[tmp_path])


def test_a_link_into_the_photographs_is_seen_through(tmp_path):
    (tmp_path / "photos").mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "photos")
    with pytest.raises(SettingError, match="never written to"):
        check_output_folder(tmp_path / "link" / "report", inputs=[tmp_path / "photos"])


def test_writing_a_sweep_beside_its_photographs_is_refused_before_anything_is_written(tmp_path):
    shots = [
        dataclasses.replace(
            shot, planned=dataclasses.replace(shot.planned, path=tmp_path / shot.planned.path.name)
        )
        for shot in invented_shots()[:2]
    ]
    with pytest.raises(SettingError, match="never written to"):
        write_sweep(invented_findings(), shots, tmp_path / "report")
    assert list(tmp_path.iterdir()) == []


def test_a_file_in_the_place_of_the_folder_is_named(tmp_path):
    (tmp_path / "report").write_text("a file")
    with pytest.raises(SettingError, match="is a file; name a folder"):
        check_output_folder(tmp_path / "report", inputs=[])


def test_a_compared_sweep_is_not_overwritten(tmp_path):
    comparison = invented_comparison()
    lenses = tuple(dataclasses.replace(lens, folder=str(tmp_path)) for lens in comparison.lenses)
    with pytest.raises(SettingError, match="one of the sweeps compared"):
        write_compare(dataclasses.replace(comparison, lenses=lenses), Path(tmp_path))


def test_another_studys_report_is_not_mixed_with(tmp_path):
    write_compare(invented_comparison(), tmp_path)
    before = sorted(path.name for path in tmp_path.iterdir())
    with pytest.raises(
        SettingError, match=r"comparison.json, the report of another study \(comparison\); name"
    ):
        write_sweep(invented_findings(), [], tmp_path)
    assert sorted(path.name for path in tmp_path.iterdir()) == before
    check_output_folder(tmp_path, study="comparison")


def test_the_report_is_written_last(tmp_path):
    written = write_sweep(invented_findings(by_focal_length=()), [], tmp_path)
    assert written[-1].name == "report.html"


def test_the_smallest_sweep_and_unknown_values_are_reported_all_the_same(tmp_path):
    # One photograph of a lens without contacts: no focal length, no interval, no smooth curve.
    nan = float("nan")
    focal = invented_findings().lenses[0].by_focal_length[0]
    point = dataclasses.replace(focal.curve[0], ci95_cypx=(nan, nan), shots=1)
    zones = {zone: dataclasses.replace(figure, ci95_cypx=(nan, nan)) for zone, figure in focal.zones.items()}
    only = dataclasses.replace(
        focal, focal_length_mm=None, curve=(point,), smooth={}, zones=zones, best_f_number=point.f_number
    )
    findings = invented_findings(
        by_focal_length=(only,),
        condition=(),
        rejected=(),
        pixel_pitch_um=None,
        size_px=None,
        shot_sd_percent=nan,
    )
    unplaced = (RejectedShot(path=Path("a/notes.dng"), reason="not a photograph"),)
    write_sweep(dataclasses.replace(findings, unplaced=unplaced), [], tmp_path)
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert "unknown focal length" in page
    assert "not a photograph" in page
    assert "nan" not in page
    assert (
        json.loads((tmp_path / "findings.json").read_text(encoding="utf-8"))["lenses"][0]["size_px"] is None
    )


def test_what_a_sweep_wrote_can_be_read_back_for_a_comparison(sweep_folder):
    (lens,) = read_sweep(sweep_folder)
    assert lens.lens == LENS
    assert lens.sensor_data
    assert lens.best is not None
    assert (lens.best.setting.focal_length_mm, lens.best.setting.f_number) == (35.0, 5.6)
    assert (lens.pixel_pitch_um, lens.size_px) == (4.0, (4000, 6000))
