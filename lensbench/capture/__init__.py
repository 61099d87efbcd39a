"""Before and beside the camera: the plan of a shoot, the check of a shot, the profile of a print.

A part is loaded when a name of it is first used: a check needs no PDF, and a plan no photograph.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from lensbench.capture.checklist import (
        chart_sentence,
        checklist_pdf,
        distance_rows,
        figures_sentence,
        headline,
        tolerance_rows,
    )
    from lensbench.capture.plan import (
        Exposure,
        Place,
        ShootPlan,
        counted_names,
        make_plan,
        quick_plan,
        table_shots,
        table_text,
    )
    from lensbench.capture.plan_book import PlanBook, PlanFile, outstanding_table
    from lensbench.capture.print_profile import (
        keep_profile,
        kept_profile,
        profile_from_distances,
        profile_from_scan,
    )
    from lensbench.capture.session import Follower, Session, What, follow
    from lensbench.capture.standing import BEHIND_CAMERA_MM, CameraGear, LensGear, PrintGear

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
