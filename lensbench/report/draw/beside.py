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
from lensbench.workers import USUAL_LIMIT_S, Pool, WorkersUnavailable, pool_of, server_runs

_WORTH_A_START: Final = 4
"""Plots for which it pays to start what workers are forked from, where none were wanted before."""
_WAITING: Final[list[Pool]] = []
"""The second process, where it was started before anybody knew what to draw."""


@contextmanager
def drawer_early() -> Iterator[Callable[[], None]]:
    """What starts the second process, which then loads what draws; it ends with the block, drawings or none."""
    with ExitStack() as stack:

        def start() -> None:
            with suppress(WorkersUnavailable, BrokenProcessPool):
                pool = stack.enter_context(pool_of(1))
                pool.submit(_load, None, _LOADING)
                _WAITING.append(pool)

        try:
            yield start
        finally:
            _WAITING.clear()


def _load(_: None) -> None:
    from lensbench.report.draw import render  # noqa: F401, PLC0415


_LOADING: Final = -1
"""Number of that task; plots count from 0."""


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
            pool = _WAITING[0] if _WAITING else stack.enter_context(pool_of(1))
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
