"""The SFR of each zone, shot by shot: what a sweep leaves behind so that it can be told later what an eye would see.

`responses.csv` has one row for each photograph and zone. Edges are weighted as for the zone's MTF50: sagittal and
tangential equally, the thirds equally in the frame.
"""

import math
from collections.abc import Mapping
from functools import partial
from pathlib import Path
from typing import Final

import numpy as np

from lensbench.edge import RESPONSE_CYPX
from lensbench.model.errors import SettingError, SweepError, TableError, TextFileError
from lensbench.model.shot import ZONES, Edge, ShotResult
from lensbench.model.units import FloatArray
from lensbench.shot import mean_by_zone
from lensbench.storage.text import number_in, read_text, table_in

__all__ = ["RESPONSES_COLUMNS", "Responses", "read_responses", "zone_responses"]


RESPONSES_COLUMNS: Final = ("file", "zone", *(f"sfr_at_{at:.3f}_cypx" for at in RESPONSE_CYPX))
_MOST_BYTES: Final = 200_000_000
_FEWEST: Final = 2
_BEYOND_BELIEF: Final = 10.0
"""No SFR reaches so far, however sharpened."""

Responses = Mapping[tuple[str, str], FloatArray]
"""File (as `shots.csv` has it) and zone -> SFR at `RESPONSE_CYPX`."""


def zone_responses(result: ShotResult) -> dict[str, FloatArray]:
    """Give the mean SFR of every zone of a shot, and of the frame; a zone without edges is left out."""
    curves = {
        id(one.edge): np.interp(RESPONSE_CYPX, one.edge.frequency_cypx, one.edge.sfr, right=math.nan)
        for one in result.edges
        if one.edge.frequency_cypx.size > 1
    }
    columns = [
        mean_by_zone(result.edges, result.size_px, figure=partial(_at, curves, place))
        for place in range(RESPONSE_CYPX.size)
    ]
    found = {zone: np.array([column[zone] for column in columns]) for zone in ZONES}
    return {zone: sfr for zone, sfr in found.items() if np.isfinite(sfr[:_FEWEST]).all()}


def _at(curves: Mapping[int, FloatArray], place: int, edge: Edge) -> float | None:
    return float(curves[id(edge)][place]) if id(edge) in curves else None


def read_responses(path: Path) -> dict[tuple[str, str], FloatArray]:
    """Read `responses.csv`; nothing where a sweep of an older version left none.

    Raises
    ------
    SweepError
        It cannot be read, or a column is missing.
    SettingError
        A row has more cells than there are columns.
    """
    if not path.is_file():
        return {}
    try:
        table = table_in(read_text(path, most_bytes=_MOST_BYTES), columns=RESPONSES_COLUMNS)
        found = {(row["file"], row["zone"]): _curve(row) for _, row in table}
    except TableError as error:
        raise SettingError(f"{path}: {error}") from error
    except TextFileError as error:
        raise SweepError(f"{path}: {error}; run the sweep again") from error
    return {key: sfr for key, sfr in found.items() if np.isfinite(sfr[:_FEWEST]).all()}


def _curve(row: Mapping[str, str]) -> FloatArray:
    """Give the SFR up to the first cell that holds none."""
    sfr = np.array([number_in(row[name]) for name in RESPONSES_COLUMNS[2:]])
    sfr[np.abs(sfr) > _BEYOND_BELIEF] = math.nan
    return np.where(np.logical_or.accumulate(np.isnan(sfr)), math.nan, sfr)
