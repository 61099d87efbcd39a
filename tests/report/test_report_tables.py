"""The tables have the promised columns, hold numbers as numbers, and no cell runs as a formula."""

import csv
import dataclasses
import io

import pandas as pd
import pytest
from invented_shoot import invented_comparison, invented_shots, planned

from lensbench.model.shot import Metadata, RejectedShot, Veil
from lensbench.model.sweep import EDGES_COLUMNS, SHOTS_COLUMNS, SweepShot
from lensbench.report.out.tables import as_csv, compare_table, edges_table, shots_table


@pytest.fixture(scope="module")
def shots():
    return invented_shots()


def rows_of(table):
    return list(csv.DictReader(io.StringIO(as_csv(table).decode())))


def test_one_row_a_photograph_with_its_reason_when_it_was_not_used(shots):
    rows = rows_of(shots_table(shots))
    assert tuple(rows[0]) == SHOTS_COLUMNS
    assert len(rows) == len(shots)
    by_file = {row["file"]: row for row in rows}
    assert by_file["shoot/q-0099.dng"]["used"] == "no"
    assert by_file["shoot/q-0099.dng"]["reason"] == "no chart was found in the picture"
    assert by_file["shoot/q-0098.dng"]["used"] == "no"
    assert by_file["shoot/q-0001.dng"]["used"] == "yes"
    assert by_file["shoot/q-0099.dng"]["frame_mtf50_cypx"] == ""
    assert by_file["shoot/q-0018.dng"]["flags"] == "uneven_light"


def test_one_row_an_edge_with_a_region_that_can_be_measured_again(shots):
    rows = rows_of(edges_table(shots))
    assert tuple(rows[0]) == EDGES_COLUMNS
    assert rows[0]["roi"] == "2000, 3000, 100, 60"
    assert {row["direction"] for row in rows} == {"sagittal", "tangential"}
    assert float(rows[0]["overshoot_percent"]) == 0.4
    assert float(rows[0]["undershoot_percent"]) == -0.3


def test_figures_survive_the_way_through_the_file(shots):
    table = pd.read_csv(io.BytesIO(as_csv(shots_table(shots))))
    expected = [shot.result.summary["outer"].mtf50_cypx for shot in shots[:5]]
    assert table["outer_mtf50_cypx"][:5].to_numpy() == pytest.approx(expected, rel=1e-6)  # seven digits


def test_a_veil_stands_in_its_column(shots):
    veiled = dataclasses.replace(shots[0].result, veil=Veil(percent=3.25))
    (row,) = rows_of(shots_table([dataclasses.replace(shots[0], result=veiled)]))
    assert row["veil_percent"] == "325E-2"
    assert rows_of(shots_table(shots))[0]["veil_percent"] == ""


def test_a_hostile_name_does_not_become_a_formula():
    plan = planned("=1+1.dng", 35.0, 5.6, lens='=HYPERLINK("http://x.invalid")')
    plan = dataclasses.replace(plan, camera="+cmd", condition="@sum", metadata=Metadata(taken_at="-1"))
    shot = SweepShot(planned=plan, result=RejectedShot(path=plan.path, reason="=2"))
    (row,) = rows_of(shots_table([shot]))
    texts = [row[name] for name in ("file", "lens", "camera", "condition", "taken_at", "reason")]
    assert not [text for text in texts if text.startswith(tuple("=+-@"))]


def test_an_empty_sweep_still_has_its_columns():
    assert as_csv(edges_table([])).decode().strip().split(",") == list(EDGES_COLUMNS)
    assert as_csv(shots_table([])).decode().strip().split(",") == list(SHOTS_COLUMNS)


def test_a_comparison_has_one_row_a_setting_zone_and_unit():
    comparison = invented_comparison(unit="lwph", rows_lpmm=invented_comparison().pairs[0].rows[:3])
    rows = rows_of(compare_table(comparison))
    assert len(rows) == 24 + 3
    assert [row["unit"] for row in rows].count("lpmm") == 3
    assert {row["verdict"] for row in rows} <= {"first", "second", "equal", "cannot_tell"}
