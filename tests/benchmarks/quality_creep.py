"""Sessions by invented lenses whose focus creeps or is not found anew: what is seen of it, and where nothing is.

The lenses are pupils (`afternoons`), whose sharpness over focus comes from overlap integrals.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import pages
from afternoons import (
    FAST,
    FOUR,
    FULL,
    Afternoon,
    Glass,
    Session,
    fast,
    flat,
    photographed,
    sweep_shots,
    usual,
)

from lensbench.focus import session_focus
from lensbench.model.sweep import Refocusing

COST = 0.05
_FURTHEST_UM = 250.0
_HALVINGS = 9


@dataclass(frozen=True, kw_only=True)
class Kind:
    """One kind of session."""

    name: str
    lens: str
    how: Afternoon


def _kind(name: str, lens: str = "usual", **how: object) -> Kind:
    return Kind(name=name, lens=lens, how=Afternoon(**how))


CREEPING = (
    _kind("focused once, four stops", "four", anew="session"),
    _kind("focused once, stop by stop", anew="session"),
    _kind("focused once, f/1.4", "fast", anew="session"),
    _kind("focused once, a flat lens", "flat", anew="session"),
    _kind("focused once, 5 shots a stop", anew="session", shots=(5, 5)),
    _kind("focused once, 2 shots a stop", anew="session", shots=(2, 2)),
    _kind("focused once, through the stops in turn", anew="session", in_turn=True),
    _kind("focused anew, the focus creeps besides", focus_sd_um=4.0),
)
NOT_ANEW = (
    _kind("once a stop, 8 um, four stops", "four", anew="stop", focus_sd_um=8.0),
    _kind("once a stop, 8 um", anew="stop", focus_sd_um=8.0),
    _kind("once a stop, 8 um, f/1.4", "fast", anew="stop", focus_sd_um=8.0),
    _kind("once a stop, 4 um", anew="stop"),
    _kind("once for all stops, 15 um off", anew="session", off_um=15.0),
)
SOUND = (
    _kind("four stops", "four"),
    _kind("focus scatters by 4 um"),
    _kind("by 8 um, heavy tails", focus_sd_um=8.0, tail_dof=3.0),
    _kind("to one side, 8 um", focus_sd_um=8.0, one_sided=True),
    _kind("even noise 2 %", focus_sd_um=1.0, even_sd=0.02),
    _kind("a flat lens", "flat", even_sd=0.01),
    _kind("f/1.4, focus shift, focused wide open", "fast", wide_open=True),
    _kind("shake with the shutter time", shake_px=0.4),
)


@cache
def lenses(kind: str, count: int, seed: int) -> tuple[Glass, ...]:
    """So many lenses of a kind."""
    random = np.random.default_rng([seed, 31])
    make = {"usual": usual, "fast": fast, "flat": flat, "four": usual}[kind]
    stops = {"fast": FAST, "four": FOUR}.get(kind, FULL)
    return tuple(make(random, stops) for _ in range(count))


def crept_by(glass: Glass, how: Afternoon, random: np.random.Generator, cost: float) -> Session | None:
    """A session whose creep costs the stop that loses most so much of its mean MTF50; None where none does."""
    seed = int(random.integers(2**31))

    def taken(creep_um: float) -> Session:
        return photographed(glass, replace(how, creep_um=creep_um), np.random.default_rng(seed))

    still = taken(0.0)

    def lost(session: Session) -> float:
        losses = []
        for place in session.tested:
            own = session.place == place
            figures = [
                glass.log_zones(int(place), one.focus_um[own])[:, 3].mean() for one in (session, still)
            ]
            losses.append(-np.expm1(figures[0] - figures[1]))
        return float(max(losses))

    low_um, high_um = 0.0, _FURTHEST_UM
    if lost(taken(high_um)) < cost:
        return None
    for _ in range(_HALVINGS):
        middle_um = 0.5 * (low_um + high_um)
        low_um, high_um = (middle_um, high_um) if lost(taken(middle_um)) < cost else (low_um, middle_um)
    return taken(high_um)


def sessions(
    kind: Kind, pool: Sequence[Glass], count: int, seed: int, cost: float = 0.0
) -> Iterator[Session]:
    """So many sessions of a kind."""
    random = np.random.default_rng([seed, *kind.name.encode()])
    while count:
        glass = pool[random.integers(len(pool))]
        session = crept_by(glass, kind.how, random, cost) if cost else photographed(glass, kind.how, random)
        if session is not None:
            count -= 1
            yield session


def lines(*, shoots: int, pupils: int, kinds: int, seed: int) -> Iterator[str]:
    """Tables of creeps found, of focus not found anew, and of false alarms, worst first."""

    def told(kind: Kind, cost: float = 0.0) -> tuple[float, float, float]:
        focuses = [
            session_focus(sweep_shots(one))
            for one in sessions(kind, lenses(kind.lens, pupils, seed), shoots, seed, cost)
        ]
        shares = [
            np.mean([bool(focus.creep) for focus in focuses]),
            np.mean([focus.refocusing is Refocusing.CONTRADICTED for focus in focuses]),
            np.mean([focus.refocusing is Refocusing.AGREED for focus in focuses]),
        ]
        return tuple(100.0 * float(share) for share in shares)

    yield f"## The focus over a session: {shoots} sessions a row, {pupils} pupils of a kind"
    yield from ("", *pages.head("the focus creeps", "found where it costs 5 %, %", "10 %, %"))
    found = [(kind.name, told(kind, COST)[0], told(kind, 2.0 * COST)[0]) for kind in CREEPING[:kinds]]
    yield from pages.worst_first(
        (least, pages.row(name, f"{least:.0f}", f"{more:.0f}")) for name, least, more in found
    )
    columns = ("«creeps», %", "«one focus a stop», %", "«refocused», %")
    yield from ("", *pages.head("not focused anew", *columns))
    yield from pages.worst_first(_row(kind, told(kind), best_first=1.0) for kind in NOT_ANEW[:kinds])
    yield from ("", *pages.head("focused anew: false alarms", *columns))
    yield from pages.worst_first(_row(kind, told(kind), best_first=-1.0) for kind in SOUND[:kinds])


def _row(kind: Kind, shares: tuple[float, float, float], *, best_first: float) -> tuple[float, str]:
    merit = best_first * (shares[0] + shares[1])
    return merit, pages.row(kind.name, *(f"{share:.1f}" for share in shares))
