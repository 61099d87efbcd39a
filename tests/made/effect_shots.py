"""Invented shots for effects: figures are given, no pictures; times run on by ten seconds a shot."""

import dataclasses
import math
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
from invented_shots import planned, result

from lensbench.model.shot import Metadata
from lensbench.model.sweep import SweepShot

FIRST = datetime.fromisoformat("2026-03-14T10:00:00")


def edges_with(measured, *, snr, overshoot_percent):
    """The same edges with a noise and an overshoot of their own, and an SFR of a Gaussian of the shot's MTF50."""
    frequency = np.linspace(0.0, 1.0, 81)

    def changed(chart_edge):
        edge = dataclasses.replace(
            chart_edge.edge,
            snr=snr,
            dark_level=0.1,
            bright_level=0.6,
            overshoot_percent=overshoot_percent,
            undershoot_percent=0.0,
            frequency_cypx=frequency,
            sfr=np.exp(-math.log(2.0) * (frequency / chart_edge.edge.mtf50_cypx) ** 2),
            sfr_sd=np.full(81, 0.002),
        )
        return dataclasses.replace(chart_edge, edge=edge)

    return dataclasses.replace(measured, edges=tuple(changed(one) for one in measured.edges))


def shot(
    number, mtf50_cypx, *, condition="", f_number=5.6, snr=80.0, overshoot_percent=1.0, folder="shots", **told
):
    """One shot; `told` are fields of the result (magnification) or of the metadata (iso, exposure_s)."""
    path = Path(f"{folder}/shot_{number:03d}.dng")
    known = {name: told.pop(name) for name in ("iso", "exposure_s") if name in told}
    taken_at = (FIRST + timedelta(seconds=10 * number)).isoformat()
    metadata = Metadata(camera="Box One", lens="Fennel", f_number=f_number, taken_at=taken_at, **known)
    measured = edges_with(
        result(path, mtf50_cypx, metadata=metadata, **told), snr=snr, overshoot_percent=overshoot_percent
    )
    plan = dataclasses.replace(planned(path, f_number, condition=condition), metadata=metadata)
    return SweepShot(planned=plan, result=measured)


def series(conditions, *, effect, sd=0.01, drift=0.0, seed=0, mtf50_cypx=0.25, **told):
    """Shots in the order of the conditions; `effect` gives each condition's change as a share."""
    random = np.random.default_rng(seed)
    return [
        shot(
            number,
            mtf50_cypx * (1.0 + effect[condition]) * math.exp(drift * number + sd * random.normal()),
            condition=condition,
            **told,
        )
        for number, condition in enumerate(conditions, start=1)
    ]
