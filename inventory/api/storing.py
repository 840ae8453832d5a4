"""What writes that change where something stands have in common: an override in, warnings out."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from inventory.access import Caller
from inventory.api.fields import Body, NoteField
from inventory.services.storage import Override, StorageWarning


class Overriding(Body):
    """A body that may carry a supervisor's reason against a storage rule that refuses."""

    override_reason = NoteField(
        max_length=500, help_text="Why a storage rule that refuses may be overridden; needs `safety.loosen`."
    )


def override_of(caller: Caller, data: dict[str, Any]) -> Override:
    """The override in a body, taken out of it."""
    return Override(data.pop("override_reason", ""), allowed=caller.may("safety.loosen"))


def warnings_out(warnings: Iterable[StorageWarning]) -> list[dict[str, Any]]:
    return [warning.plain() for warning in warnings]
