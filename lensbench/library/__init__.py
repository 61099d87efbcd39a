"""Measured lenses in one file, and advice from them: which lens, which stop, for a focal length or a picture."""

from lensbench.library.advise import Advice, AdviceCaution, LeftOut, LensAdvice, advise
from lensbench.library.curve import Lack, LensCurve, curve_at, measured_curve, pocket_rows
from lensbench.library.picture import LensPlan, PicturePlan, StopPlan, plan_picture
from lensbench.library.scene import Wanted
from lensbench.library.store import Library, chosen, sessions_of_sweep, usual_place
from lensbench.model.measured import KeptSession
