"""Before and beside the camera: the plan of a shoot, the check of a shot, the profile of a print."""

from lensbench.capture.checklist import (
    chart_sentence,
    checklist_pdf,
    distance_rows,
    headline,
    print_sentence,
    tolerance_rows,
)
from lensbench.capture.gear import CameraGear, LensGear
from lensbench.capture.plan import Exposure, Place, ShootPlan, make_plan, quick_plan
from lensbench.capture.plan_table import (
    PlanBook,
    PlanFile,
    counted_names,
    outstanding_table,
    table_shots,
    table_text,
)
from lensbench.capture.print_profile import (
    keep_profile,
    kept_profile,
    profile_from_distances,
    profile_from_scan,
)
from lensbench.capture.session import Follower, Session, What, follow, without_doubles
from lensbench.capture.standing import PrintGear

__all__ = [
    "CameraGear",
    "Exposure",
    "Follower",
    "LensGear",
    "Place",
    "PlanBook",
    "PlanFile",
    "PrintGear",
    "Session",
    "ShootPlan",
    "What",
    "chart_sentence",
    "checklist_pdf",
    "counted_names",
    "distance_rows",
    "follow",
    "headline",
    "keep_profile",
    "kept_profile",
    "make_plan",
    "outstanding_table",
    "print_sentence",
    "profile_from_distances",
    "profile_from_scan",
    "quick_plan",
    "table_shots",
    "table_text",
    "tolerance_rows",
    "without_doubles",
]
