"""What a deed is: one thing that may be done with a container, with its form and the one service it calls."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from inventory.models import Container
from inventory.web.desk import Desk, DeskForm

Make = Callable[[Desk, Container, Any], DeskForm]
CarryOut = Callable[[Desk, Container, Any], str]


@dataclass(frozen=True)
class Deed:
    """title: on its page. button: on the container's page and on its own. grave: asks for a second look.

    before: what to know first. leaves_alone: nobody touches the container for it.
    """

    key: str
    title: Any
    button: Any
    permission: str
    make: Make
    carry_out: CarryOut
    grave: bool = False
    needs_content: bool = True
    leaves_alone: bool = False
    before: Any = ""
