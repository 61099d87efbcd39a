"""Print how surely each quality flag is raised where it must be, and how rarely where it must not.

    python tests/benchmarks/quality.py [--cases 40] [--clean 120] [--seed 1] [--only shake ...] [--out docs/quality.md]

No test run collects this: it takes about half an hour on one core.
"""

import argparse
import tempfile
from collections import Counter
from pathlib import Path

import cv2
import numpy as np
from quality_faults import FAIR_PERCENT, FAULTS, clean
from quality_scenes import flags_of
from quality_series import SERIES_FAULTS, clean_series
from quality_table import page

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
        result = clean(np.random.default_rng([seed, 900, n]), folder)
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


def main():
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--cases", type=int, default=40)
    options.add_argument("--clean", type=int, default=120)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--only", nargs="*", default=[])
    options.add_argument("--out", type=Path)
    given = options.parse_args()
    cv2.setNumThreads(1)
    wanted = {
        name: fault
        for name, fault in (FAULTS | SERIES_FAULTS).items()
        if not given.only or name in given.only
    }
    numbers = {name: number for number, name in enumerate(FAULTS | SERIES_FAULTS)}
    cases = {}
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        for name, fault in wanted.items():
            many = given.cases * (4 if name in SERIES_FAULTS else 1)
            cases[name] = drawn(fault, many, given.seed, numbers[name], folder)
            hits = sorted((round(case.size, 2), case.hit) for case in cases[name])
            print(name, *(f"{size}{'+' if hit else '-'}" for size, hit in hits), flush=True)
        alone = false_alarms(0 if given.only else given.clean, given.seed, folder)
    series = false_alarms_of_series(0 if given.only else given.clean, given.seed)
    text = page(cases, alone=alone, series=series, given=given, watched=WATCHED, fair_percent=FAIR_PERCENT)
    print(text)
    if given.out:
        given.out.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
