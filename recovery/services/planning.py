"""Where a plan that is asked for in plain values is worked out.

What a plan is asked with and how its answer is written stands once, with the API, which hands its reader
over when its addresses are loaded. Pages ask here in the same words, so a draft keeps the same whoever made
it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date
from typing import Any, TypeVar

from recovery.services.plans import Plan

#: caller, what is asked, today → the plan, and asked and planned as a draft keeps them
Reader = Callable[[Any, Mapping[str, Any], date], tuple[Plan, dict[str, Any]]]
R = TypeVar("R", bound=Reader)
_READERS: list[Reader] = []


def plans_read_by(reader: R) -> R:
    """Hand over what reads plans. The newest counts."""
    _READERS[:] = [reader]
    return reader


def plan_asked(caller: Any, asked: Mapping[str, Any], today: date) -> tuple[Plan, dict[str, Any]]:
    """The plan, and {"asked", "planned"} as JSON. Raises InputError naming the member of `asked`."""
    return _READERS[0](caller, asked, today)
