"""The pupil's functions against published closed forms and independently derived numbers."""

import exact_pupils
import numpy as np
import pytest

from lensbench import optics

NU = np.array([0.1, 0.2, 0.3, 0.4, 0.5])
NU_WIDE = np.array([0.1, 0.25, 0.5, 0.75, 0.9])
SIX_DIGITS = 6e-7  # reference figures are rounded to six decimals


# Goodman, Introduction to Fourier Optics: the closed form; its inverse found by bisection (derived).
@pytest.mark.parametrize(
    ("level", "nu"),
    [
        (0.8, 0.157736),
        (0.7, 0.237882),
        (0.5, 0.403973),
        (0.3, 0.585137),
        (0.2, 0.687049),
        (0.1, 0.805384),
        (0.05, 0.878339),
        (0.09, 0.818845),
    ],
)
def test_circular_pupil_levels(level, nu):
    assert optics.frequency_at(optics.circular_mtf, level) == pytest.approx(nu, abs=SIX_DIGITS)


def test_cutoff_stands_at_one_over_q():
    # Goodman: nothing passes above 1/(wavelength x f-number).
    q = optics.diffraction_q(f_number=8.0, pixel_pitch_um=4.0, wavelength_um=0.55)
    assert q == pytest.approx(1.1)
    frequency = np.array([0.0, 0.999 / q, 1.0 / q, 1.5 / q, -0.3])
    mtf = optics.diffraction_mtf(frequency, q)
    assert mtf[0] == 1.0
    assert mtf[1] > 0.0
    assert np.all(mtf[2:4] == 0.0)
    assert mtf[4] == optics.diffraction_mtf(0.3, q)


# Derived by quadrature from the Struve form of the line spread (Goodman's pupil).
@pytest.mark.parametrize(
    ("x", "esf"),
    [
        (0.1, 0.584142980),
        (0.25, 0.701049720),
        (0.5, 0.845445086),
        (1.0, 0.939089140),
        (1.22, 0.945834176),
        (2.0, 0.968396307),
        (5.0, 0.987163820),
    ],
)
def test_diffraction_edge_spread(x, esf):
    q = 1.7
    assert exact_pupils.diffraction_esf(x * q, q) == pytest.approx(esf, abs=2e-9)
    assert exact_pupils.diffraction_esf(-x * q, q) == pytest.approx(1.0 - esf, abs=2e-9)


def test_diffraction_edge_spread_is_half_at_the_edge_and_has_its_tail():
    assert exact_pupils.diffraction_esf(0.0, 0.8) == 0.5
    # Tail of the Struve form, 2/(pi^3 x); its oscillation falls faster than the tail.
    assert (1.0 - exact_pupils.diffraction_esf(300.0, 1.0)) == pytest.approx(
        2.0 / (np.pi**3 * 300.0), rel=2e-3
    )


def test_diffraction_rise_distance():
    # Derived: 10-90 % rise 1.332870 and rise x MTF50 0.538443, in wavelengths x f-number.
    position = np.linspace(-1.0, 1.0, 20_001)
    esf = exact_pupils.diffraction_esf(position, 1.0)
    rise = np.interp(0.9, esf, position) - np.interp(0.1, esf, position)
    assert rise == pytest.approx(1.332870, abs=2e-6)
    assert rise * 0.403973 == pytest.approx(0.538443, abs=2e-6)


def test_diffraction_line_spread_is_the_slope_of_the_edge_spread():
    q, step = 1.3, 1e-4
    position = np.array([-3.1, -0.4, 1e-7, 0.2, 0.9, 2.5])
    slope = (
        exact_pupils.diffraction_esf(position + step, q) - exact_pupils.diffraction_esf(position - step, q)
    ) / (2 * step)
    # 1e-5: the edge spread is good to 2e-9, over a step of 2e-4.
    assert exact_pupils.diffraction_lsf(position, q) == pytest.approx(slope, abs=2e-5)
    # Derived: peak 8/(3 pi) = 0.848826 in units of wavelength x f-number.
    assert exact_pupils.diffraction_lsf(0.0, q) * q == pytest.approx(0.848826, abs=SIX_DIGITS)
    assert exact_pupils.diffraction_lsf(2e-4, 1.0) == pytest.approx(
        exact_pupils.diffraction_lsf(0.0, 1.0), rel=1e-6
    )


# O'Neill 1956, evaluated by quadrature (derived); galsim gives the same, see test_optics_against_galsim.
@pytest.mark.parametrize(
    ("epsilon", "mtf", "nu50"),
    [
        (0.3, [0.819133, 0.644812, 0.487734, 0.381490, 0.337082], 0.291262),
        (0.5, [0.746205, 0.497624, 0.305892, 0.241442, 0.223596], 0.199027),
    ],
)
def test_obscured_pupil(epsilon, mtf, nu50):
    assert exact_pupils.obscured_mtf(NU, epsilon) == pytest.approx(np.array(mtf), abs=SIX_DIGITS)
    found = optics.frequency_at(lambda nu: exact_pupils.obscured_mtf(nu, epsilon), 0.5)
    assert found == pytest.approx(nu50, abs=SIX_DIGITS)


def test_obscured_pupil_limits():
    whole = np.linspace(0.0, 1.2, 25)
    assert exact_pupils.obscured_mtf(whole, 0.0) == pytest.approx(optics.circular_mtf(whole))
    assert exact_pupils.obscured_mtf(0.0, 0.4) == pytest.approx(1.0)
    with pytest.raises(ValueError, match=r"epsilon is 1\.2"):
        exact_pupils.obscured_mtf(0.3, 1.2)


# Hopkins 1955; values derived by quadrature and spot-checked by a two-dimensional autocorrelation.
HOPKINS = {
    0.25: ([0.838860, 0.658579, 0.501570, 0.379422, 0.287468], 0.301125),
    0.5: ([0.742089, 0.434819, 0.229264, 0.125691, 0.084609], 0.176517),
    1.0: ([0.426646, -0.014414, -0.069515, -0.036887, -0.020072], 0.089484),
}


@pytest.mark.parametrize("waves", sorted(HOPKINS))
def test_defocused_pupil(waves):
    otf, nu50 = HOPKINS[waves]
    assert optics.defocused_diffraction_otf(NU, waves) == pytest.approx(np.array(otf), abs=SIX_DIGITS)
    found = optics.frequency_at(lambda nu: optics.defocused_diffraction_otf(nu, waves), 0.5)
    assert found == pytest.approx(nu50, abs=SIX_DIGITS)


def test_defocus_broadcasts_and_vanishes_in_focus():
    waves = np.array([0.0, 0.25, 1.0])[:, None]
    table = optics.defocused_diffraction_otf(NU, waves)
    assert table.shape == (3, 5)
    assert table[0] == pytest.approx(optics.circular_mtf(NU), abs=1e-10)
    assert table[2] == pytest.approx(np.array(HOPKINS[1.0][0]), abs=SIX_DIGITS)
    assert np.all(optics.defocused_diffraction_otf(np.array([1.0, 1.3]), 0.7) == 0.0)


# Derived: focus shifts, in wavelength x f-number^2, that cost 1, 2 and 5 % of MTF50 (with q: pixel included).
@pytest.mark.parametrize(
    ("q", "shifts"),
    [(None, (0.371, 0.525, 0.832)), (1.1, (0.415, 0.588, 0.937)), (0.55, (0.537, 0.763, 1.22))],
)
def test_focus_tolerance(q, shifts):
    def mtf50(shift):
        def system(frequency):
            lens = optics.defocused_diffraction_otf(frequency * (q or 1.0), shift / 8.0)
            return lens * optics.pixel_mtf(frequency) if q else lens

        return optics.frequency_at(system, 0.5)

    for shift, loss in zip(shifts, (0.01, 0.02, 0.05), strict=True):
        # 2 % of the loss: the shifts are rounded to three digits, and the loss goes with their square.
        assert 1.0 - mtf50(shift) / mtf50(0.0) == pytest.approx(loss, rel=0.02)


# Overlap integral, agreed on by four optics libraries to their own accuracy; modulus.
ABERRATED = [
    ({}, 0.0, [0.872889, 0.685038, 0.391002, 0.144294, 0.037386]),
    ({"w20_waves": 0.25}, 0.0, [0.838860, 0.575899, 0.287468, 0.122274, 0.036028]),
    ({"w20_waves": 0.5}, 77.0, [0.742089, 0.317332, 0.084609, 0.069899, 0.032161]),
    ({"coma_rms_waves": 0.1}, 0.0, [0.724680, 0.379665, 0.207970, 0.112303, 0.034922]),
    ({"coma_rms_waves": 0.1}, 90.0, [0.813294, 0.524983, 0.280290, 0.130921, 0.037044]),
    ({"coma_rms_waves": 0.1, "coma_deg": 20.0}, 65.0, [0.768475, 0.455023, 0.248955, 0.121203, 0.035960]),
    ({"astigmatism_rms_waves": 0.1}, 0.0, [0.840204, 0.580024, 0.291207, 0.123107, 0.036082]),
    ({"astigmatism_rms_waves": 0.1}, 90.0, [0.840204, 0.580024, 0.291207, 0.123107, 0.036082]),
    (
        {"astigmatism_rms_waves": 0.1, "astigmatism_deg": -30.0},
        15.0,
        [0.834109, 0.525173, 0.160886, 0.045012, 0.019474],
    ),
]


@pytest.mark.parametrize(("terms", "azimuth", "modulus"), ABERRATED)
def test_aberrated_pupil(terms, azimuth, modulus):
    otf = exact_pupils.aberrated_otf(NU_WIDE, exact_pupils.Wavefront(**terms), azimuth_deg=azimuth)
    assert np.abs(otf) == pytest.approx(np.array(modulus), abs=SIX_DIGITS)


def test_aberrated_pupil_keeps_the_sign_of_defocus():
    # The same four libraries: one wave of defocus, signed.
    otf = exact_pupils.aberrated_otf(NU_WIDE, exact_pupils.Wavefront(w20_waves=1.0))
    signed = [0.426646, -0.068308, -0.020072, -0.010144, 0.019487]
    assert otf.real == pytest.approx(np.array(signed), abs=SIX_DIGITS)
    assert otf.imag == pytest.approx(np.zeros(5), abs=1e-12)
    assert exact_pupils.aberrated_otf(0.0, exact_pupils.Wavefront(coma_rms_waves=0.2)) == pytest.approx(
        1.0, abs=1e-12
    )


def test_small_spherical_aberration_follows_the_strehl_ratio():
    # Marechal, as in Born and Wolf: the volume under the OTF falls to exp(-(2 pi rms)^2) for small errors.
    nu = np.linspace(0.0, 1.0, 401)
    bad = np.trapezoid(
        exact_pupils.aberrated_otf(nu, exact_pupils.Wavefront(spherical_rms_waves=0.03)).real * nu, nu
    )
    good = np.trapezoid(optics.circular_mtf(nu) * nu, nu)
    assert bad / good == pytest.approx(np.exp(-((2.0 * np.pi * 0.03) ** 2)), abs=2e-4)
