"""Plots drawn by a second process, while this one makes the rest of a report.

A plot's bytes are the same wherever it is drawn. This process draws what the other one has not begun when it is asked
for, and all where there is no other one, or it has died.
"""

import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures.process import BrokenProcessPool
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from typing import Final

from lensbench.report.draw import Plot
from lensbench.workers import USUAL_LIMIT_S, WorkersUnavailable, pool_of, server_runs

_WORTH_A_START: Final = 4
"""Plots for which it pays to start what workers are forked from, where none were wanted before."""


def drawn(plot: Plot) -> bytes:
    """Drawing of a plot, packed, made in this process."""
    from lensbench.report.draw.render import draw  # noqa: PLC0415  heavy: only for what was not drawn before

    return draw(plot).packed()


def worth_a_process(plots: Sequence[Plot]) -> bool:
    """Whether a second process is done with some of these before this one would be."""
    return len(plots) >= _WORTH_A_START or bool(plots and server_runs())


@contextmanager
def drawn_beside(plots: Sequence[Plot]) -> Iterator[Callable[[Plot], bytes]]:
    """What hands over the drawing of each of some plots, packed; ask for the last of them first."""
    if not worth_a_process(plots):
        yield drawn
        return
    with ExitStack() as stack:
        drawing = {}
        with suppress(WorkersUnavailable, BrokenProcessPool):
            pool = stack.enter_context(pool_of(1))
            for number, plot in enumerate(plots):
                claim = pool.folder / f"{number}.claim"
                drawing[plot.key] = claim, pool.submit(_drawn_by_claim, (plot, claim), number)

        def hand_over(plot: Plot) -> bytes:
            with suppress(WorkersUnavailable, BrokenProcessPool, OSError, KeyError):
                claim, future = drawing[plot.key]
                over_s = time.monotonic() + USUAL_LIMIT_S
                mine = _claims(claim)
                while not (mine or future.done()) and time.monotonic() < over_s:
                    pool.finished([future])
                if not mine and future.done():
                    return future.result().take()
            return drawn(plot)

        yield hand_over


def _drawn_by_claim(task: tuple[Plot, Path]) -> bytes:
    plot, claim = task
    return drawn(plot) if _claims(claim) else b""


def _claims(claim: Path) -> bool:
    """Whether this process is the first that wants to draw a plot; a future that is taken back can break a pool."""
    try:
        claim.touch(exist_ok=False)
    except FileExistsError:
        return False
    return True
