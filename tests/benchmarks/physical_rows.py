"""Rows on the physical reading: against the bound of its own model, and whether it knows when that does not hold."""

import importlib.util
import itertools

import numpy as np
import numpy.typing as npt
from exact_edges import BRIGHT, DARK, Blur, Scene, esf_values, noisy, photon_variance
from speed_rows import best_ms, frame_edges
from table_row import Effort, Row

from lensbench.edge.fit import fit_refined
from lensbench.edge.region import RefinedFit
from lensbench.edge.samples import points_of
from lensbench.model.shot import Samples

Array = npt.NDArray[np.float64]

SNRS = (20.0, 50.0, 100.0, 200.0)
SCENE = Scene(angle_deg=6.0, offset_px=0.17)
ROWS = (
    "`physical`: random error of MTF50 over the Cramer-Rao bound of its own model",
    "`physical`: false alarms where the model holds",
    "`physical`: says so where the model does not hold",
    "speed of `physical`",
)
TARGETS = ("at most 1.1 times", "at most 5 %", "at least 95 %", "at most 2 ms an edge")


def lens(q: float, disc_px: float, sigma_px: float) -> Blur:
    """An edge of the model: exact defocus whose geometric disc has this diameter, 8 q W20 (Hopkins), and a Gaussian."""
    return Blur(q=q, waves=disc_px / (8.0 * q), sigma_px=sigma_px)


INTERIOR = ((0.55, 3.0, 0.5), (0.8, 2.5, 0.8), (1.1, 4.0, 0.7), (1.54, 6.0, 0.9))
RIM = (
    lens(0.55, 0.0, 0.0),
    lens(1.1, 0.0, 0.0),
    lens(2.2, 0.0, 0.3),
    lens(0.8, 2.5, 0.0),
    lens(0.8, 0.0, 0.6),
)


def bound_cypx(q: float, disc_px: float, sigma_px: float, snr: float) -> float:
    """Cramer-Rao bound of MTF50 with position, angle, two levels and both squared blur sizes free."""

    def values(disc2: float, variance: float, angle_deg: float, offset_px: float) -> Array:
        scene = Scene(angle_deg=SCENE.angle_deg + angle_deg, offset_px=SCENE.offset_px + offset_px)
        return esf_values(lens(q, float(np.sqrt(disc2)), float(np.sqrt(variance))), scene).ravel()

    def mtf50(disc2: float, variance: float) -> float:
        return lens(q, float(np.sqrt(disc2)), float(np.sqrt(variance))).at(0.5, SCENE.angle_deg)

    place = np.array([disc_px**2, sigma_px**2, 0.0, 0.0])
    reach = np.diag([0.02 * disc_px**2, 0.02 * sigma_px**2, 0.01, 0.01])
    esf = values(*place)
    rates = [(values(*(place + d)) - values(*(place - d))) / (2.0 * d.max()) for d in reach]
    jacobian = np.stack([1.0 - esf, esf, *((BRIGHT - DARK) * rate for rate in rates)])
    information = jacobian / photon_variance(DARK + (BRIGHT - DARK) * esf, snr) @ jacobian.T
    slopes = [(mtf50(*(place + d)[:2]) - mtf50(*(place - d)[:2])) / (2.0 * d.max()) for d in reach[:2]]
    gradient = np.array([0.0, 0.0, *slopes, 0.0, 0.0])
    scale = 1.0 / np.sqrt(np.diag(information))
    solved = scale * np.linalg.solve(information * scale * scale[:, None], scale * gradient)
    return float(np.sqrt(gradient @ solved))


def readings(regions: list[Samples], q: float) -> list[tuple[float, float, bool]]:
    """MTF50, its stated sd, and whether the model is said to hold, for each region."""
    from lensbench.edge.lens_model import Aperture  # noqa: PLC0415
    from lensbench.edge.physical import read_physical  # noqa: PLC0415

    found = []
    for fit in fit_refined([points_of(region) for region in regions]):
        if not isinstance(fit, RefinedFit):
            raise fit
        reading, _ = read_physical(fit, Aperture(q=q))
        found.append((reading.mtf50_cypx, reading.mtf50_sd_cypx, reading.fits))
    return found


def physical_rows(effort: Effort) -> list[Row]:
    """All rows on it, or their absence."""
    if importlib.util.find_spec("lensbench.edge.physical") is None:
        return [
            Row(what=what, target=target, found="the physical reading is not there", passed=None)
            for what, target in zip(ROWS, TARGETS, strict=True)
        ]
    held, alarms = _bound_row(effort)
    return [held, _alarm_row(effort, alarms), _missed_row(effort), _speed_row(effort)]


def _bound_row(effort: Effort) -> tuple[Row, list[bool]]:
    """Pool the SNR classes of one edge: so many draws tell 1.1 from 1.0."""
    pooled, bias, covered, alarms = [], [], [], []
    for number, (q, disc_px, sigma_px) in enumerate(INTERIOR):
        blur, squares = lens(q, disc_px, sigma_px), []
        truth = blur.at(0.5, SCENE.angle_deg)
        clean = DARK + (BRIGHT - DARK) * esf_values(blur, SCENE)
        for snr in effort.thinned(SNRS):
            rng = np.random.default_rng([number, int(snr)])
            found = readings(noisy(clean, snr, rng, effort.draws), q)
            mtf50 = np.array([one[0] for one in found])
            squares.append(float(mtf50.var(ddof=1)) / bound_cypx(q, disc_px, sigma_px, snr) ** 2)
            bias.append(100.0 * (mtf50.mean() / truth - 1.0))
            covered += [abs(one[0] - truth) <= 1.96 * one[1] for one in found]
            alarms += [not one[2] for one in found]
        pooled.append(float(np.sqrt(np.mean(squares))))
    error = max(pooled) / np.sqrt(2.0 * effort.draws * len(effort.thinned(SNRS)))
    worst = lens(*INTERIOR[int(np.argmax(pooled))])
    row = Row(
        what=f"{ROWS[0]} ({len(INTERIOR)} edges, SNR 20 to 200)",
        target=TARGETS[0],
        found=f"{max(pooled):.2f} +- {error:.2f} (worst: {worst}), mean {np.mean(pooled):.2f}; mean departs by "
        f"{np.abs(bias).max():.2f} % at most; {100.0 * np.mean(covered):.1f} % within 1.96 stated sd",
        passed=bool(max(pooled) <= 1.1),
    )
    return row, alarms


def _alarm_row(effort: Effort, alarms: list[bool]) -> Row:
    told = [f"interior {100.0 * np.mean(alarms):.1f} %"]
    shares = [float(np.mean(alarms))]
    for number, blur in enumerate(effort.thinned(RIM)):
        clean = DARK + (BRIGHT - DARK) * esf_values(blur, SCENE)
        wrong = [
            not fits
            for snr in effort.thinned(SNRS)
            for *_, fits in readings(
                noisy(clean, snr, np.random.default_rng(number), effort.draws // 2), blur.q
            )
        ]
        told.append(f"{blur} {100.0 * np.mean(wrong):.1f} %")
        shares.append(float(np.mean(wrong)))
    return Row(
        what=ROWS[1],
        target=TARGETS[1],
        found=f"{100.0 * np.mean(shares):.1f} % ({', '.join(told)})",
        passed=bool(np.mean(shares) <= 0.05),
    )


def _misfits() -> dict[str, tuple[float, Array]]:
    """Edges outside the model, clean: sharpened, moved, seen twice."""
    q, disc_px, sigma_px = 0.8, 1.5, 0.4
    waves = disc_px / (8.0 * q)
    edges: dict[str, tuple[float, Array]] = {}
    for amount in (0.4, 0.8):
        blur = Blur(q=q, waves=waves, sigma_px=sigma_px, sharpening=amount)
        edges[f"sharpened by {amount:g}"] = q, esf_values(blur, SCENE)
    for length in (3.0, 5.0):
        blur = Blur(q=q, waves=waves, sigma_px=sigma_px, motion_px=length)
        edges[f"moved {length:g} px"] = q, esf_values(blur, SCENE)
    plain = esf_values(lens(q, disc_px, sigma_px), SCENE)
    for apart, share in ((2.5, 0.3), (5.0, 0.15)):
        shifted = Scene(angle_deg=SCENE.angle_deg, offset_px=SCENE.offset_px + apart)
        ghost = esf_values(lens(q, disc_px, sigma_px), shifted)
        edges[f"double image of {100.0 * share:g} % at {apart:g} px"] = (
            q,
            (1.0 - share) * plain + share * ghost,
        )
    return edges


def _missed_row(effort: Effort) -> Row:
    shares: dict[str, float] = {}
    for number, (name, (q, esf)) in enumerate(_misfits().items()):
        clean = DARK + (BRIGHT - DARK) * esf
        regions = itertools.chain.from_iterable(
            noisy(clean, snr, np.random.default_rng(number), effort.draws // 2) for snr in (50.0, 100.0)
        )
        shares[name] = float(np.mean([not fits for *_, fits in readings(list(regions), q)]))
    told = ", ".join(f"{name} {100.0 * share:.0f} %" for name, share in shares.items())
    mean = float(np.mean(list(shares.values())))
    return Row(
        what=f"{ROWS[2]}, SNR 50 and 100",
        target=TARGETS[2],
        found=f"{100.0 * mean:.1f} % ({told})",
        passed=bool(mean >= 0.95),
    )


def _speed_row(effort: Effort) -> Row:
    from lensbench.edge.lens_model import Aperture  # noqa: PLC0415
    from lensbench.edge.physical import read_physical  # noqa: PLC0415

    found = fit_refined([points_of(region) for region in frame_edges(max(40 // effort.thinning, 5))])
    fits = [fit for fit in found if isinstance(fit, RefinedFit)]
    aperture = Aperture(q=1.1)

    def read() -> None:
        for fit in fits:
            read_physical(fit, aperture)

    read()
    ms = best_ms(read, repeats=5) / len(fits)
    return Row(what=ROWS[3], target=TARGETS[3], found=f"{ms:.2f} ms, beside `refined`", passed=ms <= 2.0)
