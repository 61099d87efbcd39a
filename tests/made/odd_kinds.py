"""The odd edges by name: each kind draws its lens at random, and its edge at any angle, side and offset."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from exact_edges import Mask, Scene, sites
from odd_edges import (
    Chain,
    ExponentialLine,
    Gaussian,
    Ghost,
    HalfHalo,
    Mixture,
    OddEdge,
    Pupil,
    RoundExponential,
    Spread,
    Trail,
)
from ragged_edges import RaggedEdge

Random = np.random.Generator

REGIONS: dict[str, tuple[int, int, str]] = {
    "100x60": (100, 60, "all"),
    "60x40": (60, 40, "all"),
    "41x41 green": (41, 41, "bayer green"),
    "25x25 green": (25, 25, "bayer green"),
}
"""Length along the edge and width across it, and the sites that hold samples."""

NEAREST_DEG, FURTHEST_DEG = 3.0, 42.0
"""From the picture's axes."""


def drawn_scene(region: str, rng: Random) -> Scene:
    """An edge near either axis, leaning to either side, bright on either side; the region lies along it."""
    height, width, _ = REGIONS[region]
    lean = float(rng.uniform(NEAREST_DEG, FURTHEST_DEG) * rng.choice([-1.0, 1.0]))
    lies = bool(rng.integers(2))
    return Scene(
        angle_deg=lean - np.copysign(90.0, lean) if lies else lean,
        height=width if lies else height,
        width=height if lies else width,
        offset_px=float(rng.uniform(-0.7, 0.7)),
        flipped=bool(rng.integers(2)),
    )


def present_of(region: str, scene: Scene) -> Mask:
    """Where the region has samples."""
    return sites(REGIONS[region][2], scene.height, scene.width)


def drawn_good_lens(rng: Random) -> Spread:
    """A good lens: diffraction at about f/4 to f/9 on pixels of 4 um, and a little Gaussian blur."""
    return Chain(
        parts=(Pupil(q=float(rng.uniform(0.5, 1.2))), Gaussian(sigma_px=float(rng.uniform(0.15, 0.7))))
    )


def _haloed(share: float, halo: Spread) -> Callable[[Random], Spread]:
    """A good lens whose halo takes a share of the light."""

    def drawn(rng: Random) -> Spread:
        core = drawn_good_lens(rng)
        return Mixture(parts=((1.0 - share, core), (share, Chain(parts=(core, halo)))))

    return drawn


def without_halo(edge: OddEdge) -> OddEdge:
    """The same edge of the lens alone."""
    assert isinstance(edge.spread, Mixture)
    return replace(edge, spread=edge.spread.parts[0][1])


def _pupil(**waves: float) -> Callable[[Random], Spread]:
    """An aberrated pupil on pixels of any size, its azimuth drawn."""

    def drawn(rng: Random) -> Spread:
        q, azimuth = float(rng.uniform(0.4, 0.9)), float(rng.uniform(0.0, 360.0))
        return replace(Pupil(q=q, azimuth_deg=azimuth), **waves)  # type: ignore[arg-type]

    return drawn


def in_green_light(pupil: Pupil) -> Mixture:
    """One lens over the band of a green filter: waves shrink and diffraction grows with the wavelength."""
    ratios = np.array([0.88, 0.94, 1.0, 1.06, 1.12])
    shares = np.exp(-0.5 * np.square((ratios - 1.0) / 0.065))
    parts = []
    for ratio, share in zip(ratios, shares / shares.sum(), strict=True):
        waves = {name: getattr(pupil, name) / ratio for name in ("w20", "w40", "w60", "coma", "astigmatism")}
        own = Pupil(q=pupil.q * ratio, azimuth_deg=pupil.azimuth_deg, stop=pupil.stop, cut=pupil.cut, **waves)
        parts.append((float(share), own))
    return Mixture(parts=tuple(parts))


def _doubled(share: float, shift_px: float) -> Callable[[Random], Spread]:
    """A good lens behind a pane: a second image to either side."""
    return lambda rng: Chain(
        parts=(drawn_good_lens(rng), Ghost(share=share, shift_px=shift_px * float(rng.choice([-1.0, 1.0]))))
    )


def _half_haloed(rng: Random) -> Spread:
    side = float(rng.choice([-1.0, 1.0]))
    return Chain(parts=(drawn_good_lens(rng), HalfHalo(share=0.2, sigma_px=10.0 * side)))


def _any_coma(rng: Random) -> Spread:
    return _pupil(coma=float(rng.uniform(0.3, 1.5)))(rng)


def _any_astigmatism(rng: Random) -> Spread:
    waves = float(rng.uniform(0.4, 1.5))
    return _pupil(astigmatism=waves, w20=-waves * float(rng.uniform(0.0, 1.0)))(rng)


def _mirror(rng: Random) -> Spread:
    defocus = float(rng.uniform(-0.4, 0.4))
    return Pupil(q=float(rng.uniform(0.8, 1.8)), stop=0.45, w20=defocus)


def _cats_eye(rng: Random) -> Spread:
    """Clipped by a second rim as in the corner of a fast lens, a little out of focus, with coma."""
    return Pupil(
        q=float(rng.uniform(0.4, 0.9)),
        cut=(float(rng.uniform(0.8, 1.1)), float(rng.uniform(0.4, 0.9))),
        w20=float(rng.uniform(-1.0, 1.0)),
        coma=float(rng.uniform(0.0, 0.5)),
        azimuth_deg=float(rng.uniform(0.0, 360.0)),
    )


def _green(rng: Random) -> Spread:
    """All aberrations at once in green light."""
    w20, w40, coma, astigmatism = rng.uniform([-1.0, -1.0, 0.0, 0.0], [1.0, 1.0, 1.0, 0.6])
    return in_green_light(
        Pupil(
            q=float(rng.uniform(0.4, 0.9)), w20=w20, w40=w40, coma=coma, astigmatism=astigmatism,
            azimuth_deg=float(rng.uniform(0.0, 360.0)),
        )
    )  # fmt: skip


SPREADS: dict[str, Callable[[Random], Spread]] = {
    "halo 10 % sigma 3 px": _haloed(0.10, Gaussian(sigma_px=3.0)),
    "halo 10 % sigma 5 px": _haloed(0.10, Gaussian(sigma_px=5.0)),
    "halo 20 % sigma 10 px": _haloed(0.20, Gaussian(sigma_px=10.0)),
    "halo 10 % sigma 20 px": _haloed(0.10, Gaussian(sigma_px=20.0)),
    "halo exponential 10 % scale 3 px": _haloed(0.10, RoundExponential(scale_px=3.0)),
    "halo exponential 20 % scale 8 px": _haloed(0.20, RoundExponential(scale_px=8.0)),
    "spherical 1 wave, defocus -0.6": _pupil(w40=1.0, w20=-0.6),
    "spherical 2 waves, defocus -2": _pupil(w40=2.0, w20=-2.0),
    "sixth order 4, -5, 1.2 waves": _pupil(w60=4.0, w40=-5.0, w20=1.2),
    "coma 0.3 to 1.5 waves": _any_coma,
    "coma 1 wave": _pupil(coma=1.0),
    "astigmatism 0.4 to 1.5 waves": _any_astigmatism,
    "mirror, stop 0.45": _mirror,
    "clipped pupil": _cats_eye,
    "mixed aberrations, green light": _green,
    "tail 60 % of 2.5 px, one-sided": lambda rng: Chain(
        parts=(drawn_good_lens(rng), Trail(share=0.6, scale_px=2.5))
    ),
    "tail 30 % of 2.5 px, one-sided": lambda rng: Chain(
        parts=(drawn_good_lens(rng), Trail(share=0.3, scale_px=2.5))
    ),
    "exponential line, 0.4 to 2 px": lambda rng: ExponentialLine(scale_px=float(rng.uniform(0.4, 2.0))),
    "double image 3 % at 4 px": _doubled(0.03, 4.0),
    "double image 10 % at 4 px": _doubled(0.10, 4.0),
    "double image 5 % at 6 px": _doubled(0.05, 6.0),
    "double image 3 % at 8 px": _doubled(0.03, 8.0),
    "one-sided halo 20 % sigma 10 px": _half_haloed,
}
"""How a lens of each kind is drawn."""

RAGGED_PX = {"ragged 0.1 px": 0.1, "ragged 0.2 px": 0.2, "ragged 0.4 px": 0.4}

KINDS = (*SPREADS, *RAGGED_PX)


def drawn_edge(kind: str, region: str, rng: Random) -> OddEdge | RaggedEdge:
    """One edge of a kind in a region."""
    scene = drawn_scene(region, rng)
    if kind in SPREADS:
        return OddEdge(spread=SPREADS[kind](rng), scene=scene)
    return RaggedEdge(
        sigma_px=float(rng.uniform(0.45, 1.0)),
        scene=scene,
        ragged_px=RAGGED_PX[kind],
        correlation_px=float(np.exp(rng.uniform(np.log(2.0), np.log(20.0)))),
        seed=int(rng.integers(2**31)),
    )
