"""What a run's page says beside its volumes: its kind, its facts, its balance, what was measured of it."""

from __future__ import annotations

from collections import defaultdict
from typing import Any

from django.utils.translation import gettext as _

from inventory.models import Lab
from inventory.templatetags.amounts import ml
from inventory.web.language import spoken
from recovery.models import QualityCheck, ReturnState, Run
from recovery.rules.kept_phrases import KEPT, said_again
from recovery.selectors.balances import RunBalance, run_balances
from recovery.selectors.run_facts import apparatus_of, asked, facts_now

UL_PER_ML = 1000


def known_of(lab: Lab, run: Run) -> dict[str, Any]:
    """What a run was told to be. run: with its kind and room at hand."""
    facts = facts_now([run.pk]).get(run.pk, {})
    return {
        "used": [name for _pk, name, _kind in apparatus_of([run.pk]).get(run.pk, [])],
        "facts": list(facts.values()),
        "missing": [one for one in asked(lab, run.kind, facts) if not one.told],
        "states": states_of(run),
        "quality": list(_checks(run)),
        "planned": planned_of(run),
    }


def planned_of(run: Run) -> Any:
    """The plan that a run was drafted from, in the language of the page; None without one."""
    plan = run.plan or {}
    return said_again(plan.get("planned"), plan.get(KEPT, {}))


def states_of(run: Run) -> dict[Any, ReturnState]:
    """Entry → whether what came back by it is wet or dried: the newest word."""
    return {row.entry: row for row in ReturnState.objects.filter(run=run).order_by("id")}


def _checks(run: Run) -> Any:
    standing = QualityCheck.objects.filter(run=run, withdraws=None, withdrawn_by=None)
    return standing.select_related("container").order_by("happened_at", "id")


def balances_of(lab: Lab, run: Run) -> list[RunBalance]:
    """Of each solvent that was charged; none of a run from an older log moved any stock."""
    return [row for row in run_balances(lab=lab, run=run) if row.balance.charged.volume_ul > 0]


def prompts(rows: list[RunBalance]) -> dict[tuple[int, str], str]:
    """Solvent and kind of place → what is expected to have gone there, for somebody who closes a run."""
    found: dict[tuple[int, str], list[str]] = defaultdict(list)
    for row in rows:
        for term in row.prediction.terms:
            if not term.place:
                continue
            amount = _("not enough is told") if term.value_ul is None else plain(term.value_ul, term.u_ul)
            found[row.solvent.pk, term.place].append(f"{spoken(term.words)}: {amount}")
    return {key: _("Expected: %(words)s.") % {"words": "; ".join(words)} for key, words in found.items()}


def plain(volume_ul: int, u_ul: float) -> str:
    """As "12.5 mL ± 0.4 mL", without marks."""
    return " ± ".join(ml(round(value)).split(">")[1].split("<")[0] for value in (volume_ul, u_ul))
