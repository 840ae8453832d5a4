"""What a deed is: one thing that may be done with a container, with its form and the one service it calls."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from django.utils.translation import gettext_lazy

from inventory.models import Container
from inventory.web.desk import Desk, DeskForm

Make = Callable[[Desk, Container, Any], DeskForm]
CarryOut = Callable[[Desk, Container, Any], str]

# Deed → what the button that carries it out says it does; on the container's page a word is enough.
SENDS = {
    "draw": gettext_lazy("Record the draw"),
    "put-in": gettext_lazy("Record what was put in"),
    "test": gettext_lazy("Record the test"),
    "sign": gettext_lazy("Record what was seen"),
    "open": gettext_lazy("Record the opening"),
    "weigh": gettext_lazy("Record the weight"),
    "count": gettext_lazy("Record the count"),
    "move": gettext_lazy("Record its new place"),
    "pour": gettext_lazy("Record the pouring"),
    "set-aside": gettext_lazy("Bar it from use"),
    "discard": gettext_lazy("Record that it was handed over"),
    "check": gettext_lazy("Record the check"),
    "inhibitor": gettext_lazy("Record the inhibitor"),
    "peroxides-out": gettext_lazy("Record the treatment"),
    "dried": gettext_lazy("Record that it was dried"),
    "into-waste": gettext_lazy("Record that it went into waste"),
}


@dataclass(frozen=True)
class Deed:
    """title: on its page. button: on the container's page. grave: asks for a second look.

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

    @property
    def sends(self) -> Any:
        """What the button on its own page does."""
        return SENDS[self.key]
