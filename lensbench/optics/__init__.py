"""Optics in closed form: what a pupil, a pixel, a defocus and a distance do to an edge."""

from lensbench.optics.blur import (
    circular_mtf,
    defocus_mtf,
    defocused_diffraction_otf,
    diffraction_mtf,
    diffraction_q,
    esf_from_mtf,
    frequency_at,
    gaussian_mtf,
    gaussian_sigma_px,
    motion_mtf,
    pixel_mtf,
)
from lensbench.optics.budget import (
    RISE_10_90_SIGMAS,
    BlurParts,
    LensBlur,
    allowed_mtf50_cypx,
    blur_parts,
    variance_in_focus_px2,
)
from lensbench.optics.distances import (
    GREEN_UM,
    blur_disc_mm,
    chart_depth_mm,
    chart_distance_mm,
    focus_shift_for_loss_um,
    magnification,
    magnification_at_chart_distance,
    object_distance_mm,
    print_blur_px,
    tilt_deg_for_focus_shift,
    working_f_number,
    working_q,
)
