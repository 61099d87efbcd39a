"""Focus: brackets and the peak through them; whether shots were focused anew, and whether their focus crept."""

from lensbench.focus.bracket import (
    Bracket,
    ThroughFocus,
    brackets_among,
    fit_through_focus,
    in_bracket,
    pupil_q,
)
from lensbench.focus.creep import LEAST_LOSS
from lensbench.focus.peak import fall_table
from lensbench.focus.session import SessionFocus, in_order, moved_px, session_focus
