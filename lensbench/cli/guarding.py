"""Numbers from the command line, and what only looks like them: `nan` passes every limit of an option."""

from collections.abc import Callable
from functools import wraps
from math import inf, isinf, isnan
from typing import ParamSpec

from lensbench.errors import SettingError

__all__ = ["finite", "numbers_in"]

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
            if isinstance(value, float) and _endless(value) and not (isinf(value) and name in endless):
                raise SettingError(f"--{name.replace('_', '-')} {value}: give a number")
        command(*args, **kwargs)

    return guarded


def numbers_in(
    text: str,
    option: str,
    *,
    mark: str = ",",
    count: int | None = None,
    limits: tuple[float, float] = (-inf, inf),
) -> list[float]:
    """Read numbers with a mark between them, each within the limits and none of them infinite.

    Raises
    ------
    SettingError
        Something else stands there, or another count of numbers, with the option's name.
    """
    try:
        numbers = [float(part) for part in text.lower().split(mark) if part.strip()]
    except ValueError:
        numbers = []
    if not numbers or (count is not None and len(numbers) != count) or any(map(_endless, numbers)):
        wanted = f"{count} numbers" if count else "numbers"
        raise SettingError(f"{option} {text}: give {wanted} with «{mark}» between them.")
    if strange := [number for number in numbers if not limits[0] <= number <= limits[1]]:
        raise SettingError(
            f"{option} {text}: {strange[0]:g} does not lie within {limits[0]:g} to {limits[1]:g}."
        )
    return numbers


def _endless(number: float) -> bool:
    return isinf(number) or isnan(number)
