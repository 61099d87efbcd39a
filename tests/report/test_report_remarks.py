"""Remarks on the shooting: what a few edges raise by chance is none."""

from dataclasses import replace

import pytest
from invented_shoot import invented_findings, invented_shots

from lensbench.model.errors import remark
from lensbench.model.shot import ShotResult
from lensbench.report.page.sweep import sweep_report


def flagged(shots, every):
    """The shots, with the flag on one of so many edges."""
    count = 0
    for shot in shots:
        if not isinstance(shot.result, ShotResult):
            yield shot
            continue
        edges = []
        for edge in shot.result.edges:
            raised = (remark("odd_shape", "misfit"),) if count % every == 0 else ()
            edges.append(replace(edge, edge=replace(edge.edge, flags=raised)))
            count += 1
        yield replace(shot, result=replace(shot.result, edges=tuple(edges)))


@pytest.mark.parametrize(("every", "told"), [(100, False), (20, True)])
def test_odd_edges_are_told_only_where_they_are_more_than_by_chance(every, told):
    # By definition: told from more than 2 % of the edges on.
    report = sweep_report(invented_findings(), list(flagged(invented_shots(), every)))
    assert ("double image" in repr(report)) is told
