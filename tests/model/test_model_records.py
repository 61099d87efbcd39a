"""Records are frozen, named and empty where nothing was measured."""

import dataclasses
import math

import numpy as np
import pytest

from lensbench.model import shot
from lensbench.model.errors import remark

CLASSES = [
    value
    for value in vars(shot).values()
    if isinstance(value, type) and dataclasses.is_dataclass(value) and value.__module__ == shot.__name__
]


@pytest.mark.parametrize("record", CLASSES, ids=lambda record: record.__name__)
def test_every_record_is_frozen_and_takes_names_only(record):
    settings = record.__dataclass_params__
    assert settings.frozen
    assert "__slots__" in vars(record)
    assert all(field.kw_only for field in dataclasses.fields(record))


@pytest.mark.parametrize("record", CLASSES, ids=lambda record: record.__name__)
def test_records_with_arrays_are_not_compared(record):
    # Comparing arrays gives an array, which is neither true nor false.
    holds_arrays = any("ndarray" in str(field.type) for field in dataclasses.fields(record))
    assert not (holds_arrays and record.__dataclass_params__.eq)


def test_a_box_writes_itself_as_the_command_line_takes_it():
    assert str(shot.Box(top=12, left=34, height=56, width=78)) == "12,34,56,78"


def test_an_edge_that_was_not_measured():
    edge = shot.Edge(
        roi=shot.Box(top=0, left=0, height=9, width=7),
        channel="green",
        angle_deg=math.nan,
        flags=(remark("no_edge"),),
    )
    assert not edge.measured
    assert math.isnan(edge.mtf10_cypx)
    assert edge.frequency_cypx.shape == (0,)
    assert dataclasses.replace(edge, mtf50_cypx=0.3).measured


def test_default_arrays_are_not_shared():
    box = shot.Box(top=0, left=0, height=9, width=7)
    first, second = (shot.Edge(roi=box, channel="red", angle_deg=1.0) for _ in range(2))
    assert first.sfr is not second.sfr
    assert isinstance(first.sfr, np.ndarray)


def test_zones_and_directions_bear_the_names_that_reports_show():
    assert shot.ZONES == ("inner", "middle", "outer", "frame")
    assert [str(direction) for direction in shot.Direction] == ["sagittal", "tangential", "oblique"]
