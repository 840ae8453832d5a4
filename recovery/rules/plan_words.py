"""What a plan says beside its figures."""

from __future__ import annotations

from inventory.rules.phrases import Phrase

__all__ = ["LIMIT_PASSED", "NOT_A_CLEARANCE", "only_next_due"]

NOT_A_CLEARANCE = Phrase("A plan clears nothing: each charge asks the gate again when it is made.")
LIMIT_PASSED = Phrase("By this check a limit is passed: change room, hood or amount before you begin.")


def only_next_due(most: int) -> Phrase:
    """Where there are more bottles than are looked at."""
    return Phrase("only the {most} bottles next due were looked at", most=most)
