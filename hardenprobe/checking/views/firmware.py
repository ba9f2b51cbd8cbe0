"""Versions that devices state, and which of two is the later one. The order is declared, never guessed."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date
from typing import Literal

LONGEST = 64  # characters of a version
FIELDS, DATE, LIST = "fields", "date", "list"


def later(version: str, floor: str, order: str, known: tuple[str, ...] = ()) -> int | None:
    """Compare a version with a floor.

    Args:
        order: fields (numbers between anything else, first first), date (year, month, day) or list (`known`, oldest first).

    Returns:
        Below zero where it is older, zero where it is the same, above zero where it is later; None where it cannot be determined.

    >>> later("5.10.0", "5.2.0", "fields")
    1
    >>> later("20240115", "2025-01-01", "date")
    -1
    >>> later("Rel B", "Rel C", "list", ("Rel A", "Rel B", "Rel C"))
    -1
    """
    left: object
    right: object
    if order == LIST:
        if version not in known or floor not in known:
            return None
        left, right = known.index(version), known.index(floor)
    elif order == DATE:
        left, right = day(version), day(floor)
    else:
        left, right = fields(version), fields(floor)
    if not left and order != LIST or not right and order != LIST:
        return None
    return (left > right) - (left < right)  # type: ignore[operator]


def fields(text: str) -> tuple[int, ...]:
    """The numbers in a version, without zeros at the end; empty where there is none.

    >>> fields("V1.02.000b7")
    (1, 2, 0, 7)
    """
    numbers = [int(n) for n in re.findall(r"[0-9]{1,18}", text[:LONGEST])]
    while len(numbers) > 1 and numbers[-1] == 0:
        numbers.pop()
    return tuple(numbers)


def day(text: str) -> date | None:
    """The first date in a version, written year first; None where there is none.

    >>> day("build 2024.1.15 rc")
    datetime.date(2024, 1, 15)
    """
    found = re.search(r"(\d{4})[-./_ ]?(\d{1,2})[-./_ ]?(\d{1,2})", text[:LONGEST], re.ASCII)
    if found is None:
        return None
    try:
        return date(*map(int, found.groups()))
    except ValueError:
        return None


@dataclass(frozen=True, kw_only=True)
class MinimumVersion:
    """The oldest version that a model may run.

    Attributes:
        model: Regular expression, found in what the device calls itself.
        component: Which of several firmwares.
        version: Regular expression with one group, the version, found in what the device states.
        order: fields (numbers), date (year, month, day) or list (`known`, oldest first).
    """

    model: str
    floor: str
    component: str = "firmware"
    version: str = r"(?i)firmware[ :]+([^ ;,]+)"
    order: Literal["fields", "date", "list"] = "fields"
    known: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        """Raise ValueError where the rule could never be applied."""
        for key in ("model", "version"):
            try:
                pattern = re.compile(getattr(self, key))
            except re.error as exc:
                raise ValueError(f"{key} is no regular expression: {exc}") from None
        if pattern.groups != 1:
            raise ValueError(f"version must have one group, the version itself, and has {pattern.groups}")
        if later(self.floor, self.floor, self.order, self.known) is None:
            raise ValueError(f"the floor {self.floor!r} itself cannot be read as {self.order}")
