"""The SFR of each zone, shot by shot: what a sweep leaves behind so that it can be told later what an eye would see.

`responses.csv` has one row for each photograph and zone. Edges are weighted as for the zone's MTF50: sagittal and
tangential equally, the frame by area.
"""

import csv
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Final

import numpy as np

from lensbench.errors import SweepError
from lensbench.records import ZONES, ShotResult
from lensbench.shot.zones import mean_by_zone
from lensbench.units import FloatArray

__all__ = ["RESPONSES_COLUMNS", "RESPONSE_CYPX", "Responses", "read_responses", "zone_responses"]

RESPONSE_CYPX: Final[FloatArray] = np.linspace(0.0, 1.0, 41)
"""Frequencies of the SFR that is kept, every 0.025. [cycles/pixel]"""
RESPONSES_COLUMNS: Final = ("file", "zone", *(f"sfr_at_{at:.3f}_cypx" for at in RESPONSE_CYPX))
_MOST_BYTES: Final = 200_000_000

Responses = Mapping[tuple[str, str], FloatArray]
"""File (as `shots.csv` has it) and zone -> SFR at `RESPONSE_CYPX`."""


def zone_responses(result: ShotResult) -> dict[str, FloatArray]:
    """Give the mean SFR of every zone of a shot, and of the frame; a zone without edges is left out."""
    curves = {
        id(one.edge): np.interp(RESPONSE_CYPX, one.edge.frequency_cypx, one.edge.sfr, right=math.nan)
        for one in result.edges
        if one.edge.frequency_cypx.size > 1
    }
    found = {zone: np.full(RESPONSE_CYPX.size, math.nan) for zone in ZONES}
    for place in range(RESPONSE_CYPX.size):
        means = mean_by_zone(
            result.edges,
            result.size_px,
            figure=lambda edge, place=place: curves[id(edge)][place] if id(edge) in curves else None,
        )
        for zone, value in means.items():
            found[zone][place] = value
    return {zone: sfr for zone, sfr in found.items() if np.isfinite(sfr[:2]).all()}


def read_responses(path: Path) -> dict[tuple[str, str], FloatArray]:
    """Read `responses.csv`; nothing where a sweep of an older version left none.

    Raises
    ------
    SweepError
        It cannot be read, or its columns are others.
    """
    if not path.is_file():
        return {}
    try:
        if path.stat().st_size > _MOST_BYTES:
            raise SweepError(f"{path}: larger than {_MOST_BYTES // 1_000_000} MB, which no sweep writes")
        with path.open(encoding="utf-8-sig", newline="") as stream:
            reader = csv.DictReader(stream)
            if tuple(reader.fieldnames or ()) != RESPONSES_COLUMNS:
                raise SweepError(f"{path}: its columns are not those of a sweep; run the sweep again")
            return {(row["file"], row["zone"]): _curve(row) for row in reader}
    except OSError as error:
        raise SweepError(f"{path}: cannot be read ({error.strerror}); run the sweep again") from error
    except (UnicodeDecodeError, csv.Error) as error:
        raise SweepError(f"{path}: damaged; run the sweep again") from error


def _curve(row: Mapping[str, str]) -> FloatArray:
    return np.array([_number(row[name]) for name in RESPONSES_COLUMNS[2:]])


def _number(cell: str | None) -> float:
    try:
        return float(cell or "nan")
    except ValueError:
        return math.nan
