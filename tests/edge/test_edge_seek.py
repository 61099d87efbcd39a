"""Edges found without being told where: on a turned card, and none where there is none."""

import cv2
import numpy as np
import pytest
from made_pictures import blank_picture, card_picture, eight_bits

from lensbench.edge import measure_edges
from lensbench.edge.seek import find_edges
from lensbench.model.shot import Box, Samples


def cut(picture, box):
    part = picture[box.top : box.top + box.height, box.left : box.left + box.width]
    return Samples(
        box=box,
        channel="grey",
        values=part,
        present=np.ones(part.shape, bool),
        clipped=np.zeros(part.shape, bool),
    )


@pytest.mark.parametrize("turn", [3.0, 7.0, 20.0, -12.0])
def test_all_four_sides_of_a_turned_card_are_found_and_measured(turn):
    picture, blur = card_picture(turn_deg=turn)
    boxes = find_edges(eight_bits(picture))
    edges = measure_edges([cut(picture, box) for box in boxes])
    assert len(boxes) >= 4
    angles = {round(edge.angle_deg) for edge in edges}
    # The card's edges lie at the turn and a right angle from it.
    upright, lying = round(turn), round((turn + 180.0) % 180.0 - 90.0)
    assert angles == {upright, lying}
    for edge in edges:
        truth = blur.at(0.5, abs(edge.angle_deg))
        assert edge.mtf50_cypx == pytest.approx(truth, abs=max(0.02 * truth, 4.0 * edge.mtf50_sd_cypx))
        assert not [flag for flag in edge.flags if flag.severity.value == "reject"]


def test_boxes_lie_inside_the_picture_and_do_not_cover_each_other():
    picture, _ = card_picture()
    boxes = find_edges(eight_bits(picture))
    seen = np.zeros(picture.shape, int)
    for box in boxes:
        assert box.top >= 0
        assert box.left >= 0
        assert box.top + box.height <= picture.shape[0]
        assert box.left + box.width <= picture.shape[1]
        seen[box.top : box.top + box.height, box.left : box.left + box.width] += 1
    for box in boxes:
        shared = seen[box.top : box.top + box.height, box.left : box.left + box.width] > 1
        assert shared.mean() <= 0.5


def test_no_more_than_asked():
    picture, _ = card_picture()
    assert len(find_edges(eight_bits(picture), most=2)) == 2


def test_a_smaller_overview_gives_regions_of_the_whole_picture():
    picture, blur = card_picture(rows=900, cols=1200, half_height=240, half_width=330)
    small = cv2.resize(picture, None, fx=1 / 3, fy=1 / 3, interpolation=cv2.INTER_AREA)
    boxes = find_edges(eight_bits(small), factor=3)
    edges = measure_edges([cut(picture, box) for box in boxes])
    assert len(boxes) >= 4
    assert max(box.left + box.width for box in boxes) > 400
    for edge in edges:
        assert edge.mtf50_cypx == pytest.approx(blur.at(0.5, edge.angle_deg), rel=0.04)


@pytest.mark.parametrize(
    "picture",
    [
        blank_picture(),
        np.full((400, 500), 0.5),
        np.random.default_rng(3).uniform(size=(400, 500)),
        card_picture(turn_deg=0.0)[0],
        card_picture(half_height=6.0, half_width=5.0)[0],
    ],
    ids=["paper", "flat", "noise", "card along the axes", "card too small"],
)
def test_none_where_there_is_none(picture):
    assert find_edges(eight_bits(picture)) == []


def test_a_low_step_is_no_edge_to_measure():
    picture, _ = card_picture()
    assert find_edges(eight_bits(0.5 + 0.02 * picture)) == []


@pytest.mark.parametrize("shape", [(1, 1), (5, 900), (30, 30)])
def test_tiny_pictures(shape):
    assert find_edges(np.full(shape, 90, np.uint8)) == []


def test_a_blurred_edge_is_found_too():
    picture, _ = card_picture(snr=200.0)
    soft = cv2.GaussianBlur(picture, None, 4.0)
    assert len(find_edges(eight_bits(soft))) >= 2


def test_the_box_is_a_record():
    assert all(isinstance(box, Box) for box in find_edges(eight_bits(card_picture()[0])))
