"""Measured lenses in one file, and advice from them: which lens, which stop, for a focal length or a picture."""

from lensbench.library.advise import Advice, LeftOut, LensAdvice, advise
from lensbench.library.curve import LensCurve, curve_at, measured_curve
from lensbench.library.picture import plan_picture
from lensbench.library.picture_words import LensPlan, PicturePlan, StopPlan, shutter
from lensbench.library.scene import Wanted
from lensbench.library.store import Library, chosen, sessions_of_sweep, usual_place
from lensbench.model.measured import KeptSession

__all__ = [
    "Advice",
    "KeptSession",
    "LeftOut",
    "LensAdvice",
    "LensCurve",
    "LensPlan",
    "Library",
    "PicturePlan",
    "StopPlan",
    "Wanted",
    "advise",
    "chosen",
    "curve_at",
    "measured_curve",
    "plan_picture",
    "sessions_of_sweep",
    "shutter",
    "usual_place",
]
