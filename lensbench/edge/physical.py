"""The physical reading of an edge: what diffraction and the pixel demand, and how much blur was added to them."""

import numpy as np

from lensbench.edge.aperture import Aperture
from lensbench.edge.blur_fit import BlurFit, fit_blur
from lensbench.edge.edge_model import DISC, VARIANCE
from lensbench.edge.goodness import Verdict, judge_fit
from lensbench.edge.refined import RefinedFit
from lensbench.flags import Remark, remark
from lensbench.records import PhysicalFit

__all__ = ["Aperture", "read_physical"]

_IN_WORDS = {
    "sharpened": "crisper than diffraction and the pixel allow",
    "lopsided": "its two sides differ",
    "moved": "too straight a slope, as from shake or a double image",
}


def read_physical(refined: RefinedFit, aperture: Aperture) -> tuple[PhysicalFit, tuple[Remark, ...]]:
    """Read the edge in one region by the physical model.

    Parameters
    ----------
    refined : RefinedFit
        The region's samples without specks, its line and its noise.
    aperture : Aperture
        The known f-number and pixel.

    Returns
    -------
    PhysicalFit, remarks
        The remark `outside_model` where the model does not hold.

    Raises
    ------
    EdgeError
        Too few distances from the edge are sampled.
    """
    fit = fit_blur(refined.points, refined.line, refined.noise, aperture)
    verdict = judge_fit(fit)
    reading = PhysicalFit(
        fits=verdict.fits,
        mtf50_cypx=fit.mtf50_cypx,
        mtf50_sd_cypx=fit.mtf50_sd_cypx,
        diffraction_q=aperture.q,
        defocus_disc_px=float(np.sqrt(fit.parameters[DISC])),
        gaussian_sigma_px=float(np.sqrt(fit.parameters[VARIANCE])),
        reduced_chi2=fit.reduced_chi2,
    )
    return reading, () if verdict.fits else (remark("outside_model", _seen(verdict, fit)),)


def _seen(verdict: Verdict, fit: BlurFit) -> str:
    return f"{_IN_WORDS[verdict.kind]}; {verdict.describe()}, misfit {fit.reduced_chi2:.2f} times the noise"
