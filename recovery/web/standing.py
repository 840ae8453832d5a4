"""What stands over a bottle's own pages: its gravest verdict, what to do with it, what is offered plainly."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from inventory.models import Container
from inventory.rules.levels import RANK, Level, Use, allows
from inventory.rules.verdict import Verdict
from inventory.services.due_telling import told_in
from inventory.services.facts import containers_with
from inventory.services.verdicts import judged
from inventory.web.desk import Desk
from recovery.web.deed import Deed

# What somebody in front of the shelf asks, in that order.
ASKED: tuple[Use, ...] = ("draw", "distil", "open", "move", "keep")
# What a run asks of what goes into it.
OF_A_RUN: tuple[Use, ...] = ("draw", "distil")


def headline(held: Container, verdicts: Mapping[Use, Verdict], today: date) -> dict[str, Any]:
    """The gravest verdict on the bottle, and what to do with it in the words of the due list."""
    said = told_in(verdicts, held, today)
    return {
        # What speaks against distilling alone stands at that use.
        "worst": max((verdicts[u] for u in ASKED if u != "distil"), key=lambda v: RANK[v.level]),
        "stands": said.verdict,
        "advice": said.advice,
        "ask_first": said.ask_first,
        "alone": said.alone,
    }


def before_a_run(desk: Desk, found: Container | None) -> dict[str, Any]:
    """What whoever starts a run with a bottle has to know of it; nothing of one that never held anything."""
    if found is None or found.lot_id is None:
        return {}
    (held,) = containers_with([found.pk])
    _due, verdicts = judged(held, desk.today)
    return {**headline(held, verdicts, desk.today), "answers": [verdicts[use] for use in OF_A_RUN]}


def offered(deeds: Sequence[Deed], first: Deed | None, level: Level) -> dict[str, list[Deed]]:
    """Buttons that stand open, and those that are folded because the verdict speaks against what they record.

    first: the one whose form stands on the page already. level: the gravest of the bottle.
    """
    others = [deed for deed in deeds if deed is not first]
    plain = [deed for deed in others if _stands_open(deed, level)]
    return {"plain": plain, "folded": [deed for deed in others if deed not in plain]}


def _stands_open(deed: Deed, level: Level) -> bool:
    if deed.leaves_alone or allows(level, "open"):
        return True
    return deed.key == "move" and allows(level, "move")
