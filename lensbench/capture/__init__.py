"""Before and beside the camera: the plan of a shoot, the check of a shot, the profile of a print.

A part is loaded when a name of it is first used: a check needs no PDF, and a plan no photograph.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from lensbench.capture.checklist import chart_sentence as chart_sentence
    from lensbench.capture.checklist import checklist_pdf as checklist_pdf
    from lensbench.capture.checklist import distance_rows as distance_rows
    from lensbench.capture.checklist import figures_sentence as figures_sentence
    from lensbench.capture.checklist import headline as headline
    from lensbench.capture.checklist import tolerance_rows as tolerance_rows
    from lensbench.capture.plan import Exposure as Exposure
    from lensbench.capture.plan import Place as Place
    from lensbench.capture.plan import ShootPlan as ShootPlan
    from lensbench.capture.plan import counted_names as counted_names
    from lensbench.capture.plan import make_plan as make_plan
    from lensbench.capture.plan import quick_plan as quick_plan
    from lensbench.capture.plan import table_shots as table_shots
    from lensbench.capture.plan import table_text as table_text
    from lensbench.capture.plan_book import PlanBook as PlanBook
    from lensbench.capture.plan_book import PlanFile as PlanFile
    from lensbench.capture.plan_book import outstanding_table as outstanding_table
    from lensbench.capture.print_profile import keep_profile as keep_profile
    from lensbench.capture.print_profile import kept_profile as kept_profile
    from lensbench.capture.print_profile import profile_from_distances as profile_from_distances
    from lensbench.capture.print_profile import profile_from_scan as profile_from_scan
    from lensbench.capture.session import Follower as Follower
    from lensbench.capture.session import Session as Session
    from lensbench.capture.session import What as What
    from lensbench.capture.session import follow as follow
    from lensbench.capture.standing import BEHIND_CAMERA_MM as BEHIND_CAMERA_MM
    from lensbench.capture.standing import CameraGear as CameraGear
    from lensbench.capture.standing import LensGear as LensGear
    from lensbench.capture.standing import PrintGear as PrintGear

_PARTS: Final = {
    "checklist": "chart_sentence checklist_pdf distance_rows figures_sentence headline tolerance_rows",
    "plan": "Exposure Place ShootPlan counted_names make_plan quick_plan table_shots table_text",
    "print_profile": "keep_profile kept_profile profile_from_distances profile_from_scan",
    "plan_book": "PlanBook PlanFile outstanding_table",
    "session": "Follower Session What follow",
    "standing": "BEHIND_CAMERA_MM CameraGear LensGear PrintGear",
}
"""File -> the names that it gives to this door."""


def __getattr__(name: str) -> Any:
    for part, names in _PARTS.items():
        if name in names.split():
            return getattr(import_module(f"{__name__}.{part}"), name)
    raise AttributeError(f"module '{__name__}' has no attribute {name!r}")
