"""The page of the benchmark of quality flags: sizes at which faults are found, hits, false alarms."""

from pathlib import Path

import numpy as np
import pages

UNITS = {
    "shake": ("length of the movement", "px"),
    "tilted": ("turn of the camera at f/2.8 to f/5.6", "degrees"),
    "sharpened": ("strength of the sharpening (gain in MTF50 below)", ""),
    "white_clipped": ("paper in the centre above white", "stops"),
    "underexposed": ("paper in the centre below a fifth of white", "stops"),
    "uneven_light": ("rise from the centre to the corner's distance", "%"),
    "low_snr": ("20 over the SNR in the centre", ""),
    "screened_print": ("ripple of the dots on the sensor over the edge's step", "%"),
    "too_near": ("25 over the distance in focal lengths", ""),
    "misfocus": ("MTF50 lost by one shot of fifteen", "%"),
    "drift (focus)": ("MTF50 lost from first to last of eight shots", "%"),
    "drift (place)": ("way from first to last of six shots", "px"),
    "print_blurred": ("10-90 % rise of the print's edges", "mm"),
    "mixed_settings (light)": ("one shot darker than the others", "stops"),
}
WORDS = Path(__file__).with_name("quality_words.md")


def rising(cases):
    """Give sizes in order, and the share of hits as it rises with them: pooling of adjacent violators."""
    ordered = sorted(cases, key=lambda case: case.size)
    blocks = []
    for case in ordered:
        blocks.append([float(case.hit), 1, case.size])
        while len(blocks) > 1 and blocks[-2][0] >= blocks[-1][0]:
            share, many, size = blocks.pop()
            blocks[-1] = [
                (blocks[-1][0] * blocks[-1][1] + share * many) / (blocks[-1][1] + many),
                blocks[-1][1] + many,
                size,
            ]
    sizes = np.array([case.size for case in ordered])
    shares = np.concatenate([np.full(many, share) for share, many, _ in blocks])
    return sizes, shares


def size_found(cases, share):
    """Give the least size from which so large a share is found; None where none is."""
    sizes, shares = rising(cases)
    reached = np.flatnonzero(shares >= share)
    return None if reached.size == 0 else float(sizes[reached[0]])


def fair_hits(cases, fair_percent):
    """Give hits and number of the cases that cost what must be found."""
    fair = [case for case in cases if 0.9 * fair_percent <= case.cost_percent <= 1.1 * fair_percent]
    return sum(case.hit for case in fair), len(fair)


def _size(value, unit):
    return "not found" if value is None else f"{value:.2g} {unit}".strip()


def _row(name, cases, fair_percent):
    what, unit = UNITS[name]
    half, most = (_size(size_found(cases, share), unit) for share in (0.5, 0.9))
    hits, fair = fair_hits(cases, fair_percent)
    told = f"{hits} of {fair} ({100.0 * hits / fair:.0f} %)" if fair >= 5 else ""
    share = hits / fair if fair >= 5 else np.inf  # without enough cases last
    return share, pages.row(f"`{name}`", what, len(cases), half, most, told)


def lines(drawn, *, alone, series, cases, clean, seed, watched, fair_percent):
    """Lines of the page."""
    yield from WORDS.read_text(encoding="utf-8").strip().splitlines()
    yield from ("", f"{cases} cases a fault (four times as many of series), seed {seed}.", "")
    found = ("found at 50 %", "at 90 %", f"hits where it costs {fair_percent:.0f} %")
    yield from pages.head("flag", "size of the fault", "cases", *found)
    yield from pages.worst_first(_row(name, cases_of, fair_percent) for name, cases_of in drawn.items())
    raised, failed = alone
    count = clean - len(failed)
    yield from ("", f"## False alarms: {count} photographs without fault", "")
    yield f"Raised on a photograph without fault, of {count}: {_counted(raised, watched)}."
    if failed:
        yield f"{len(failed)} could not be measured: {'; '.join(sorted(set(failed)))}"
    flags, rejected, shots = series
    yield from ("", f"## False alarms: {clean} series without fault, {shots} shots", "")
    counted = _counted(flags, ("drift", "mixed_settings", "print_blurred"))
    yield f"Raised on a series: {counted}. Shots rejected as out of focus: {rejected} of {shots}."


def _counted(raised, names):
    return ", ".join(f"`{name}` {raised[name]}" for name in names)
