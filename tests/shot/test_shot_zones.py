"""The summary by zones: weights, intervals, and what is left out."""

from math import isnan, sqrt

import numpy as np
import pytest
from chart_edges import a_chart_edge, an_edge

from lensbench.model.shot import Direction
from lensbench.shot.zones import mean_by_zone, summarise

SIZE = (4000, 6000)
S, T, O = Direction.SAGITTAL, Direction.TANGENTIAL, Direction.OBLIQUE  # noqa: E741


def edges_of(*rows):
    return [
        a_chart_edge(an_edge(mtf50, sd=sd), height=height, direction=direction)
        for mtf50, sd, height, direction in rows
    ]


def test_sagittal_and_tangential_count_equally_whatever_their_number():
    summary = summarise(
        edges_of((0.30, 0, 0.1, S), (0.20, 0, 0.1, T), (0.22, 0, 0.2, T), (0.24, 0, 0.2, T)), SIZE
    )
    inner = summary["inner"]
    assert inner.sagittal_cypx == pytest.approx(0.30)
    assert inner.tangential_cypx == pytest.approx(0.22)
    assert inner.mtf50_cypx == pytest.approx(0.26)
    assert inner.edges == 4


def test_the_frame_is_the_plain_mean_of_its_thirds():
    rows = [(0.30, 0.001, 0.1, S), (0.30, 0.001, 0.1, T), (0.25, 0.001, 0.5, S), (0.25, 0.001, 0.5, T)]
    rows += [(0.10, 0.001, 0.9, S), (0.14, 0.001, 0.9, T)]
    summary = summarise(edges_of(*rows), SIZE)
    expected = (0.30 + 0.25 + 0.12) / 3
    assert summary["frame"].mtf50_cypx == pytest.approx(expected)
    assert summary["frame"].edges == 6
    assert summary["frame"].sagittal_cypx == pytest.approx((0.30 + 0.25 + 0.10) / 3)
    # One edge each: the interval is the stated sd alone, 1.96 times the root of the weighted variances.
    sd = sqrt(3 * (0.001 / 3) ** 2 / 2)
    low, high = summary["frame"].ci95_cypx
    assert high - low == pytest.approx(2 * 1.959964 * sd, rel=1e-3)


def test_the_interval_is_students_when_the_spread_rules():
    """Four edges: mean +- t(3) s / 2; t(3) at 97.5 % is 3.182 (Student's table)."""
    values = (0.20, 0.21, 0.23, 0.26)
    summary = summarise(edges_of(*((v, 0.001, 0.5, S) for v in values)), SIZE)
    half = 3.18245 * np.std(values, ddof=1) / 2
    assert summary["middle"].ci95_cypx == pytest.approx((0.225 - half, 0.225 + half), rel=1e-4)
    assert isnan(summary["middle"].tangential_cypx)


def test_an_interval_covers_the_truth_as_often_as_it_says():
    rng = np.random.default_rng(8)
    hits = 0
    for _ in range(400):
        noise = iter(rng.normal(0, 0.01, 8))
        edges = edges_of(
            *((0.25 + next(noise), 0.0, 0.5, direction) for direction in (S, S, S, S, T, T, T, T))
        )
        low, high = summarise(edges, SIZE)["middle"].ci95_cypx
        hits += low <= 0.25 <= high
    assert 0.92 <= hits / 400 <= 0.98


def test_rejected_unmeasured_and_oblique_edges_are_left_out():
    edges = [
        *edges_of((0.20, 0, 0.5, S), (0.20, 0, 0.5, T), (0.9, 0, 0.5, O), (float("nan"), 0, 0.5, S)),
        a_chart_edge(an_edge(0.9, flags=("clipped",)), height=0.5, direction=S),
        a_chart_edge(an_edge(0.2, flags=("outliers",)), height=0.5, direction=S),
    ]
    assert summarise(edges, SIZE)["middle"].mtf50_cypx == pytest.approx(0.20)
    assert summarise(edges, SIZE)["middle"].edges == 3


def test_oblique_edges_stand_in_where_there_is_nothing_else():
    summary = summarise(edges_of((0.20, 0, 0.01, O), (0.22, 0, 0.01, O)), SIZE)
    assert summary["inner"].mtf50_cypx == pytest.approx(0.21)
    assert summary["inner"].edges == 2
    assert isnan(summary["inner"].sagittal_cypx)
    assert isnan(summary["outer"].mtf50_cypx)


def test_there_is_no_frame_without_one_of_its_thirds():
    edges = edges_of(*((0.2, 0.001, height, way) for height in (0.1, 0.5) for way in (S, T)))
    for figure in (summarise(edges, SIZE)["frame"], summarise(edges[:2], SIZE)["frame"]):
        assert isnan(figure.mtf50_cypx)
        assert isnan(figure.ci95_cypx[0])
    assert isnan(mean_by_zone(edges, SIZE, figure=lambda edge: edge.mtf50_cypx)["frame"])
    edges += edges_of((0.2, 0.001, 0.9, S))
    whole = summarise(edges, SIZE)["frame"]
    assert whole.mtf50_cypx == pytest.approx(0.2)
    assert whole.sagittal_cypx == pytest.approx(0.2)
    assert isnan(whole.tangential_cypx)  # the outer third has none


def test_nothing_gives_nan():
    summary = summarise([], SIZE)
    assert list(summary) == ["inner", "middle", "outer", "frame"]
    assert all(isnan(figure.mtf50_cypx) and figure.edges == 0 for figure in summary.values())


def test_half_of_the_contrast_where_a_pixel_passes_nothing_is_an_error():
    """A square pixel's transfer is sinc(f), whose null lies at 1 cycle per pixel (derived)."""
    summary = summarise(edges_of((0.30, 0.01, 0.1, S), (2.7, 0.3, 0.1, S), (0.28, 0.01, 0.1, T)), SIZE)
    assert summary["inner"].edges == 2
    assert summary["inner"].mtf50_cypx == pytest.approx(0.29)
