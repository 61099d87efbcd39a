"""What the blur is made of: the columns of edges.csv and the sentence of the report, from the physical reading."""

import csv
import dataclasses
import io

import pytest
from invented_shoot import invented_lens, invented_shots

from lensbench.model.shot import PhysicalFit, ShotResult
from lensbench.model.sweep import EDGES_COLUMNS, PHYSICAL_COLUMNS, SweepFindings
from lensbench.report.out.tables import as_csv, edges_table
from lensbench.report.page.document import Fold
from lensbench.report.page.sweep import sweep_report
from lensbench.report.text.answer import holds_for
from lensbench.report.text.blur import blur_sentences, lens_blur_sentence


def reading(**changes):
    parts = {
        "fits": True,
        "mtf50_cypx": 0.25,
        "mtf50_sd_cypx": 0.001,
        "diffraction_q": 0.77,
        "defocus_disc_px": 2.0,
        "gaussian_sigma_px": 0.31,
        "reduced_chi2": 1.0,
    }
    return PhysicalFit(**(parts | changes))


def with_readings(shots, *, failing=0):
    """Every edge reads the same, but that the model does not hold for the first `failing` of a photograph."""
    read = []
    for shot in shots:
        if isinstance(shot.result, ShotResult):
            edges = tuple(
                dataclasses.replace(
                    one,
                    edge=dataclasses.replace(
                        one.edge, physical=reading(fits=number >= failing, gaussian_sigma_px=0.31)
                    ),
                )
                for number, one in enumerate(shot.result.edges)
            )
            result = dataclasses.replace(shot.result, edges=edges)
            shot = dataclasses.replace(shot, result=result)  # noqa: PLW2901
        read.append(shot)
    return read


@pytest.fixture(scope="module")
def shots():
    return invented_shots()


def test_the_table_of_edges_gains_columns_only_where_they_were_asked_for(shots):
    rows = list(csv.DictReader(io.StringIO(as_csv(edges_table(with_readings(shots[:2]))).decode())))
    assert tuple(rows[0]) == (*EDGES_COLUMNS, *PHYSICAL_COLUMNS)
    assert rows[0]["physical_fits"] == "yes"
    assert float(rows[0]["defocus_disc_px"]) == 2.0
    plain = csv.DictReader(io.StringIO(as_csv(edges_table(shots[:2])).decode()))
    assert tuple(plain.fieldnames) == EDGES_COLUMNS


def test_the_report_says_what_blurs_at_the_best_stop(shots):
    """Sigmas of equal MTF50: 0.77 x 0.18739/0.40397 = 0.357; 2 x 0.18739/0.70508 = 0.532."""
    said = lens_blur_sentence(invented_lens(), with_readings(shots))
    assert said.startswith("At f/5.6 and 35 mm most of the blur comes from focus")
    assert "diffraction 0.36 px" in said
    assert "focus 0.53 px (a disc 2.00 px wide)" in said
    assert "all else 0.31 px" in said


def test_it_stands_before_the_limits(shots):
    lens = invented_lens()
    findings = SweepFindings(lenses=(lens,), version="0.1.0", method="refined")
    said, limits = in_full(findings, with_readings(shots))
    assert "most of the blur" in said.sentences[-1]
    assert limits.sentences == (holds_for(lens.basis),)
    assert "blur" not in "".join(in_full(findings, shots)[0].sentences)


def in_full(findings, shots):
    """The blocks of the answer in full sentences."""
    (part, *_) = sweep_report(findings, shots).blocks
    (fold,) = (
        block for block in part.blocks if isinstance(block, Fold) and block.title == "The answer in full"
    )
    return fold.blocks


def test_edges_that_do_not_fit_are_left_out_and_counted(shots):
    said = lens_blur_sentence(invented_lens(), with_readings(shots, failing=3))
    edges = len(shots[0].result.edges)
    assert f"{3 * (edges - 3)} of {3 * edges} edges" in said  # three repeats
    assert "diffraction 0.36 px" in said


def test_most_edges_of_another_shape_are_said_to_be_so(shots):
    said = lens_blur_sentence(invented_lens(), with_readings(shots, failing=40))
    assert "not one that a lens out of focus could make" in said
    assert "diffraction" not in said


def test_nothing_is_said_without_a_reading_or_without_a_best(shots):
    assert lens_blur_sentence(invented_lens(), shots) == ""
    assert lens_blur_sentence(invented_lens(best=None), with_readings(shots)) == ""


@pytest.mark.parametrize(
    ("changes", "largest"),
    [
        ({}, "focus"),
        ({"diffraction_q": 2.0}, "diffraction"),
        ({"gaussian_sigma_px": 0.9}, "lens faults"),
        ({"diffraction_q": 0.3, "defocus_disc_px": 0.5, "gaussian_sigma_px": 0.1}, "the pixel itself"),
    ],
)
def test_the_largest_part_is_named(changes, largest):
    assert f"Most comes from {largest}" in blur_sentences(reading(**changes))[1]


def test_a_shape_outside_the_model_is_not_told_apart():
    assert blur_sentences(reading(fits=False)) == []
