"""Plots drawn by a second process are those that this one draws, also where the other one dies."""

import dataclasses
import multiprocessing
from contextlib import nullcontext

import pytest
from invented_shoot import invented_shots

from lensbench.report.draw import beside
from lensbench.report.draw.beside import drawer_early, drawn, drawn_beside
from lensbench.report.draw.curves import response_panel
from lensbench.sweep import find

pytestmark = pytest.mark.usefixtures("fine_files")


@pytest.fixture(scope="module")
def plots():
    shots = invented_shots()
    panel = response_panel(find(shots).lenses[0], shots, key="panel")
    return [dataclasses.replace(panel, key=f"panel-{number}") for number in range(2)]


@pytest.mark.parametrize(("early", "dies"), [(False, False), (True, False), (True, True)])
def test_another_process_draws_the_same_and_its_death_costs_nothing(plots, early, dies, monkeypatch):
    monkeypatch.setattr(beside, "worth_a_process", bool)
    before = set(multiprocessing.active_children())
    with drawer_early() as start, nullcontext(start() if early else None), drawn_beside(plots) as hand_over:
        others = set(multiprocessing.active_children()) - before
        assert len(others) == 1
        for process in others if dies else ():
            process.kill()
        handed = {plot.key: hand_over(plot) for plot in reversed(plots)}
    assert handed == {plot.key: drawn(plot) for plot in plots}
    assert set(multiprocessing.active_children()) == before
