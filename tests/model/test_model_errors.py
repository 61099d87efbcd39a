"""Every error a user can meet has one root, and is a ValueError for those who use the library."""

import pytest

from lensbench.model import errors

OWN = [
    value
    for value in vars(errors).values()
    if isinstance(value, type) and issubclass(value, Exception) and value.__module__ == errors.__name__
]
BRANCHES = sorted(error.__name__ for error in OWN if error is not errors.LensError)


@pytest.mark.parametrize("name", BRANCHES)
def test_one_root(name):
    branch = getattr(errors, name)
    assert issubclass(branch, errors.LensError)
    assert issubclass(branch, ValueError)
    with pytest.raises(errors.LensError, match="shot_07"):
        raise branch("shot_07: nothing to measure")


def test_the_drawn_tree_names_every_branch():
    assert errors.__doc__ is not None
    assert [name for name in BRANCHES if name not in errors.__doc__] == []
