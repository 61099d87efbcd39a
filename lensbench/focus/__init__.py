"""Focus brackets: shots with the focus moved a step further each, and the peak through them."""

from lensbench.focus.bracket import (
    Bracket,
    ThroughFocus,
    brackets_among,
    fit_through_focus,
    in_bracket,
    pupil_q,
)
from lensbench.focus.peak import fall_table
