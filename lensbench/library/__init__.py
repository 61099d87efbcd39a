"""Measured lenses in one file, and advice from them: which lens, which stop, for a focal length or a picture."""

from lensbench.library.advise import Advice, AdviceCaution, LeftOut, LensAdvice, advise
from lensbench.library.curve import Lack, LensCurve, curve_at
from lensbench.library.intake import KeptSession, sessions_of_sweep
from lensbench.library.picture import LensPlan, PicturePlan, StopPlan, plan_picture
from lensbench.library.scene import Wanted
from lensbench.library.store import Library, chosen, usual_place
from lensbench.library.transport import document_of, sessions_of_file

__all__ = [
    "Advice",
    "AdviceCaution",
    "KeptSession",
    "Lack",
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
    "document_of",
    "plan_picture",
    "sessions_of_file",
    "sessions_of_sweep",
    "usual_place",
]
