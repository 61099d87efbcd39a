"""Numbers from the command line that are none: `nan` and infinity pass every limit of an option."""

from collections.abc import Callable
from functools import wraps
from math import isinf, isnan
from typing import ParamSpec

from lensbench.errors import SettingError

__all__ = ["finite"]

Given = ParamSpec("Given")


def finite(command: Callable[Given, None], *, endless: tuple[str, ...] = ()) -> Callable[Given, None]:
    """Give a command that refuses options that are no number, and infinite ones but those named.

    Raises
    ------
    SettingError
        With the option's name; raised by the command given back.
    """

    @wraps(command)
    def guarded(*args: Given.args, **kwargs: Given.kwargs) -> None:
        for name, value in kwargs.items():
            if isinstance(value, float) and (isnan(value) or (isinf(value) and name not in endless)):
                raise SettingError(f"--{name.replace('_', '-')} {value}: give a number")
        command(*args, **kwargs)

    return guarded
