"""Thumbnails: five pieces of the photograph itself, where they say, and nothing of the rest is read."""

from dataclasses import dataclass, field, replace
from math import erf, sqrt

import numpy as np
import pytest
from printed_photograph import page_of, photograph_page, write_tiff

from lensbench.chart.find import find_chart
from lensbench.chart.layout.sheet import sheet
from lensbench.model.shot import Box, Overview, Place, Samples, Thumbnail
from lensbench.photo import open_photo
from lensbench.shot.thumbnails import thumbnails

SIZE = (1100, 1500)


@pytest.fixture(scope="module")
def page(tmp_path_factory):
    """A photograph of the printed page, and its light."""
    folder = tmp_path_factory.mktemp("page")
    light = photograph_page(
        page_of(sheet("A3"), folder), SIZE, aim_mm=(3.0, -4.0), m=0.045, yaw=1.0, pitch=0.0, roll=2.0
    )
    return write_tiff(folder / "a.tif", light), light


@dataclass
class Watched:
    """A picture of one colour's sites that counts what is cut from it."""

    light: np.ndarray
    present: np.ndarray
    cut_px: int = 0
    boxes: list = field(default_factory=list)

    @property
    def size_px(self):
        return self.light.shape

    def cut(self, box: Box) -> Samples:
        self.boxes.append(box)
        there = slice(box.top, box.top + box.height), slice(box.left, box.left + box.width)
        values = np.where(self.present[there], self.light[there], -9.0)
        return Samples(
            box=box,
            channel="green",
            values=values,
            present=self.present[there],
            clipped=np.zeros(values.shape, bool),
        )

    def overview(self, max_px: int) -> Overview:
        raise AssertionError(f"the whole picture was looked at, in {max_px} pixels")


def test_only_five_small_pieces_are_read(page):
    path, light = page
    chart = find_chart(open_photo(path, encoding="linear"))
    watched = Watched(light=light, present=np.ones(light.shape, bool))
    kept = thumbnails(watched, chart)
    assert [thumbnail.box for thumbnail in kept] == watched.boxes
    assert all((box.height, box.width) == (64, 64) for box in watched.boxes)
    assert sum(len(thumbnail.codes) for thumbnail in kept) == 5 * 64 * 64


def test_a_corner_that_the_chart_does_not_reach_is_left_out(page):
    chart = find_chart(open_photo(page[0], encoding="linear"))
    seen = replace(chart, targets=tuple(t for t in chart.targets if t.crossing_px[1] < SIZE[1] / 2))
    places = [thumbnail.place for thumbnail in thumbnails(Watched(page[1], np.ones(SIZE, bool)), seen)]
    assert Place.UPPER_LEFT in places
    assert not {Place.UPPER_RIGHT, Place.LOWER_RIGHT} & set(places)


def test_a_raw_files_other_sites_are_bridged_without_fraying_an_edge(page):
    """A blurred level edge over green's checkerboard: along it nothing changes, so bridging adds nothing."""
    chart = find_chart(open_photo(page[0], encoding="linear"))
    rows = np.arange(SIZE[0])
    profile = np.array([0.5 + 0.4 * erf((row % 40 - 20) / (0.6 * sqrt(2))) for row in rows])
    light = np.repeat(profile[:, None], SIZE[1], axis=1)
    sites = (rows[:, None] + np.arange(SIZE[1])) % 2 == 0
    for thumbnail in thumbnails(Watched(light, sites), chart):
        step = thumbnail.bright_level - thumbnail.dark_level
        seen = thumbnail.dark_level + step * thumbnail.light
        box = thumbnail.box
        true = light[box.top : box.top + box.height, box.left : box.left + box.width]
        inside = np.s_[1:-1, 1:-1]  # at its border a piece has one neighbour less
        within = np.clip(true, thumbnail.dark_level - 0.35 * step, thumbnail.bright_level + 0.35 * step)
        assert np.abs(seen - within)[inside].max() < 1.7 / 255 * step


def test_damaged_codes_are_refused():
    # The record's own form: one byte a pixel.
    with pytest.raises(ValueError, match="11 codes for 3 x 4"):
        Thumbnail(
            place=Place.CENTRE,
            target="a",
            box=Box(top=0, left=0, height=3, width=4),
            codes=bytes(11),
            dark_level=0.1,
            bright_level=0.9,
        )
