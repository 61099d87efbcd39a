"""What does a little extra blur cost, such as a filter's or an unsteady tripod's?

The same edge is drawn through a lens with and without an extra Gaussian blur of a tenth to a half pixel. MTF50 falls
as the squares of the blurs add up: a small blur costs next to nothing, a large one shows.
"""

import numpy as np

from lensbench import optics


def main() -> None:
    """Print the loss of MTF50 by closed forms, exact and by the rule of squares."""
    q = optics.diffraction_q(f_number=5.6, pixel_pitch_um=4.0, wavelength_um=0.55)

    def mtf50_cypx(extra_sigma_px: float) -> float:
        return optics.frequency_at(
            lambda f: (
                optics.diffraction_mtf(f, q)
                * optics.pixel_mtf(f)
                * optics.gaussian_mtf(f, np.hypot(0.4, extra_sigma_px))
            ),
            0.5,
        )

    alone = mtf50_cypx(0.0)
    print(f"without: MTF50 {alone:.4f} cy/px")
    for sigma_px in (0.1, 0.2, 0.3, 0.5):
        with_blur = mtf50_cypx(sigma_px)
        squares = 1.0 / np.sqrt(1.0 + (sigma_px / optics.gaussian_sigma_px(alone)) ** 2)
        print(
            f"with a blur of {sigma_px} px: {with_blur:.4f} cy/px, {100 * (with_blur / alone - 1):+.1f} % "
            f"(rule of squares {100 * (squares - 1):+.1f} %)"
        )


if __name__ == "__main__":
    main()
