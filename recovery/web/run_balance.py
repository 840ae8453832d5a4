"""What a run's page says beside its volumes: its kind, its facts, its balance, what was measured of it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from typing import Any

from django.utils.translation import gettext as _

from inventory.models import Lab, Movement
from inventory.web.language import spoken
from recovery.models import QualityCheck, ReturnState, Run, RunSum
from recovery.rules.amounts import COVERAGE, part_of
from recovery.rules.kept_phrases import KEPT, said_again
from recovery.selectors.balances import RunBalance, run_balances
from recovery.selectors.run_amounts import NOT_MEASURED, UNACCOUNTED, sums_of
from recovery.selectors.run_facts import apparatus_of, asked, facts_now
from recovery.templatetags.drawn import pair


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
            amount = _("not enough is told")
            if term.value_ul is not None:
                amount = plain(term.value_ul, term.u_ul, row.waterfall.k)
            found[row.solvent.pk, term.place].append(f"{spoken(term.words)}: {amount}")
    return {key: _("Expected: %(words)s.") % {"words": "; ".join(words)} for key, words in found.items()}


def plain(volume_ul: int, u_ul: float, k: float = COVERAGE) -> str:
    """As "12.50 ± 0.40 mL" with the expanded uncertainty, without marks."""
    return pair(volume_ul, u_ul, k).split(">")[1].split("<")[0]


def measured(sums: Iterable[RunSum], runs: Iterable[Run]) -> None:
    """Lay beside each sum how well it is known. runs: those that the sums are of."""
    known = sums_of([(run.pk, run.place_id) for run in runs])
    for row in sums:
        row.measured = known.get((row.run_id, row.solvent_id), NOT_MEASURED)  # type: ignore[attr-defined]


def readings_known(rows: Iterable[Movement]) -> None:
    """Lay beside each reading how well it is known, as balances count it."""
    for row in rows:
        part = part_of(row.volume_ul, row.u_volume_ul or 0, row.as_entered)
        row.shown_u_ul = part.u_ul  # type: ignore[attr-defined]


def lost_known(losses: Iterable[Movement], rows: Iterable[RunBalance]) -> None:
    """What is booked as unaccounted is the difference of all that was measured, and as uncertain as that."""
    rest = {row.solvent.pk: row.balance.unexplained.u_ul for row in rows}
    for loss in losses:
        if UNACCOUNTED in {loss.source.kind, loss.destination.kind}:
            loss.shown_u_ul = rest.get(loss.solvent_id)  # type: ignore[attr-defined]
