"""What a type checker sees of `import lensbench`: it runs in no test, but is checked with the package by mypy."""

from typing import assert_type

import lensbench
from lensbench.door.library import AdviceResult
from lensbench.model.sweep import SweepFindings

photo: lensbench.PhotoResult = lensbench.measure("a.dng")
assert_type(lensbench.sweep("shots").findings, SweepFindings)
assert_type(lensbench.Library().advise(50.0), AdviceResult)
# An ignore that is not needed is an error, so this one shows that a wrong name is seen.
lensbench.compare(["a", "b"], print_height="tall")  # type: ignore[call-arg]
