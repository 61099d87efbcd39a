"""Plots drawn by a second process are those that this one draws, also where the other one dies."""

import dataclasses
import multiprocessing

import pytest
from invented_shoot import invented_shots

from lensbench.report.draw import beside
from lensbench.report.draw.beside import drawn, drawn_beside
from lensbench.report.draw.curves import response_panel
from lensbench.sweep import find

pytestmark = pytest.mark.usefixtures("fine_files")


@pytest.fixture(scope="module")
def plots():
    shots = invented_shots()
    panel = response_panel(find(shots).lenses[0], shots, key="panel")
    return [dataclasses.replace(panel, key=f"panel-{number}") for number in range(2)]


@pytest.mark.parametrize("dies", [False, True])
def test_another_process_draws_the_same_and_its_death_costs_nothing(plots, dies, monkeypatch):
    monkeypatch.setattr(beside, "worth_a_process", bool)
    before = set(multiprocessing.active_children())
    with drawn_beside(plots) as hand_over:
        others = set(multiprocessing.active_children()) - before
        assert len(others) == 1
        for process in others if dies else ():
            process.kill()
        handed = {plot.key: hand_over(plot) for plot in reversed(plots)}
    assert handed == {plot.key: drawn(plot) for plot in plots}
    assert set(multiprocessing.active_children()) == before
