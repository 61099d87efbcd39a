"""The page that `decision.py` writes."""

from collections.abc import Mapping

HEAD = """# How good the decisions are

{shoots} simulated shoots of figures a row. Every lens is a pupil with random defocus, astigmatism, coma and spherical
error, its MTF50 worked out at each stop by exact overlap integrals; the model that the study fits has no part in it.
The noise is that of one refocused shot, in percent of MTF50; six full stops from f/2.8 to f/16 and three shots a stop
where nothing else is said. «Flat» lenses have two or more stops within 3 % of the best, «peaked» ones have one; third
stops are sixteen from f/2.8 to f/16; the zoom has three positions with a floating widest opening. «A shot out of
focus» is one of eighteen, softer by 10 to 50 %, sifted as in a sweep. «Focus strays» has no even noise but losses that
go one way, 4 % on average at the widest stop, and is held against the lens in focus.

| shoots | true best in set, % | intervals that cover, % | at the best, % | told apart: set (exact) | ratio | \
with 3 % zone: set (exact) | ratio | loss, % | bias, % | «surely» right, % | «probably» right, % |
|---|---|---|---|---|---|---|---|---|---|---|---|
"""

FOOT = """
- *true best in set*: the truly best stop is among those named as good as the best. Aim: 95 or more.
- *intervals that cover*: stated 95 % intervals that hold the truth, over all stops. Aim: 93 to 97. *At the best*: that
  of the stop named the best.
- *told apart*: mean number of stops that can't be told from the best; in brackets the exact procedure's (Hsu's
  comparisons with the best on the means of the shots, the noise known). Aim: a ratio of 1.3 at most. It falls below 1
  where the curve lends each stop its neighbours' shots. *With 3 % zone*: the set as it is reported, with every stop
  within 3 % of the best, and the exact one widened alike.
- *loss*: how much softer the stop named the best is than the truly best one. Aim: 1 at most at 2 % and three shots.
- *bias*: reported value of the best less its true value. Aim: within 0.3.
- *«surely» right*: runs of stops said to be surely sharp enough (95, 90, 80 % of the best) that are so in every stop;
  a dash where nothing is called sure, as with one shot a setting. *«Probably» right*: stops of the wider run that are
  so.

## Where it falls short

- With one shot a setting, and with many stops of a flat curve, more intervals cover than are stated to (up to 98 %):
  they are a little too wide, because the curve is always granted an error of 0.4 %, which such lenses don't need. The
  sets stay within their aim.
- Where the focus strays by some percent, shots tell how sharp the lens came out, not how sharp it can be: every shot at
  the widest stops is softer than the lens, and no mean or median of them brings that back. There the intervals do not
  hold the lens in focus. Take focus brackets at such stops; the stop named and its set still hold.

"""


def row(name: str, found: Mapping[str, float]) -> str:
    """Give one row of the table."""
    cells = (
        name,
        _percent(found["inside"]),
        _percent(found["covered"]),
        _percent(found["value_covered"]),
        f"{found['told']:.2f} ({found['exact']:.2f})",
        f"{found['told'] / found['exact']:.2f}",
        f"{found['tied']:.2f} ({found['exact_tied']:.2f})",
        f"{found['tied'] / found['exact_tied']:.2f}",
        f"{100.0 * found['loss']:.2f}",
        f"{100.0 * found['bias']:+.2f}",
        _percent(found["sure"]),
        _percent(found["likely"]),
    )
    return f"| {' | '.join(cells)} |"


def _percent(share: float) -> str:
    return "–" if share != share else f"{100.0 * share:.1f}"  # noqa: PLR0124 - NaN alone differs from itself
