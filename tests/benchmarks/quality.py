"""Print how surely each quality flag is raised where it must be, and how rarely where it must not.

The whole table takes about half an hour on one core.
"""

import tempfile
from collections import Counter
from pathlib import Path

import cv2
import numpy as np
import pages
from quality_creep import lines as focus_lines
from quality_faults import FAIR_PERCENT, FAULTS
from quality_faults import clean as clean_photograph
from quality_scenes import flags_of
from quality_series import SERIES_FAULTS, clean_series
from quality_table import lines

WATCHED = (
    "shake", "tilted", "sharpened", "white_clipped", "underexposed", "uneven_light", "low_snr", "screened_print",
    "too_near", "tone_curve", "curved", "few_targets",
)  # fmt: skip


def drawn(fault, count, seed, number, folder):
    """Draw the cases of one fault; those that no size makes costly enough are left out."""
    cases = [fault(np.random.default_rng([seed, number, n]), n, folder) for n in range(count)]
    return [case for case in cases if case is not None]


def false_alarms(count, seed, folder):
    """Give how often each flag stands on photographs without fault, how many there were, and what failed."""
    raised, failed = Counter(), []
    for n in range(count):
        result = clean_photograph(np.random.default_rng([seed, 900, n]), folder)
        if isinstance(result, str):
            failed.append(result)
        else:
            raised.update(flags_of(result) & set(WATCHED))
    return raised, failed


def false_alarms_of_series(count, seed):
    raised, rejected, shots = Counter(), 0, 0
    for n in range(count):
        flags, out, taken = clean_series(np.random.default_rng([seed, 901, n]))
        raised.update(flags)
        rejected += out
        shots += taken
    return raised, rejected, shots


def page(*, cases, clean, faults, shoots, pupils, seed):
    """The page; the first `faults` of one photograph, and of a series."""
    cv2.setNumThreads(1)
    numbers = {name: number for number, name in enumerate(FAULTS | SERIES_FAULTS)}
    drawn_cases = {}
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        for name, fault in [*list(FAULTS.items())[:faults], *list(SERIES_FAULTS.items())[:faults]]:
            count = cases * (4 if name in SERIES_FAULTS else 1)
            drawn_cases[name] = drawn(fault, count, seed, numbers[name], folder)
            hits = sorted((round(case.size, 2), case.hit) for case in drawn_cases[name])
            pages.shown([f"{name} " + " ".join(f"{size}{'+' if hit else '-'}" for size, hit in hits)])
        alone = false_alarms(clean, seed, folder)
    series = false_alarms_of_series(clean, seed)
    amounts = {"cases": cases, "clean": clean, "seed": seed}
    yield from lines(
        drawn_cases, alone=alone, series=series, watched=WATCHED, fair_percent=FAIR_PERCENT, **amounts
    )
    yield from ("", *focus_lines(shoots=shoots, pupils=pupils, kinds=faults, seed=seed))


TABLE = pages.Table(
    page=page,
    full={"cases": 15, "clean": 60, "faults": 99, "shoots": 300, "pupils": 24, "seed": 1},
    tiny={"cases": 1, "clean": 1, "faults": 1, "shoots": 2, "pupils": 1},
)
