"""What is to stay in the still, and the findings of a run that tell where the rules were not kept.

What has happened is booked as it happened and becomes a finding; leave for what is to come is the gate's.
"""

from __future__ import annotations

from collections.abc import Iterable

from inventory.models import Movement, PlaceKind, Solvent
from inventory.rules.errors import Conflict
from inventory.rules.phrases import Phrase
from inventory.services.safety import class_for_safety
from recovery.models import Clearance, Run

HEEL_NOT_KEPT = "heel-not-kept"
NOT_CLEARED_BACK = "distilled-without-clearance"
MORE_BACK = "more-back-than-out"
# A former went out of a run that was not to distil to where nobody can look for it: it may have boiled off.
FORMER_GONE = "former-not-accounted-for"
TO_ANSWER_FOR = (HEEL_NOT_KEPT, NOT_CLEARED_BACK, MORE_BACK, FORMER_GONE)
NEVER_TO_DRYNESS = Phrase("A peroxide former is never taken to dryness: peroxides collect in what is left.")
# What went there was in the still no more. Residue, waste and what nobody can name may have been its heel.
GONE = (PlaceKind.WATER_LAYER, PlaceKind.AIR, PlaceKind.PRODUCT, PlaceKind.REACTION)


def is_former(solvent: Solvent) -> bool:
    """Whether a solvent forms peroxides, or may: a class that is not known or not confirmed counts so."""
    return class_for_safety(solvent) != "none"


def refuse_to_dryness(run: Run) -> None:
    """Note that a run is meant to go to dryness. Raises Conflict when a former was charged to it."""
    if any(is_former(move.solvent) for move in standing(run) if move.kind == "charge"):
        raise never_to_dryness()
    Run.objects.filter(pk=run.pk).update(to_dryness=True)


def never_to_dryness() -> Conflict:
    return Conflict(
        "to_dryness",
        "never-to-dryness",
        NEVER_TO_DRYNESS,
        Phrase(
            "Stop while the heel is still in the still. If it has happened already, leave “to_dryness” out: "
            "what came back is booked as it is, and the run shows that the heel was not kept."
        ),
    )


def add_heel(run: Run, row: Clearance) -> None:
    """Let a run keep what a new clearance asks for, too."""
    sources = [run.heel_source] if run.heel_source else []
    if row.heel_ul and row.heel_source not in run.heel_source:
        sources.append(row.heel_source)
    _store_heel(run, run.heel_ul + row.heel_ul, sources)


def rewrite_heel(run: Run) -> None:
    """Work out what is to stay in the still from the clearances of the charges that stand, and store it."""
    entries = {move.entry for move in standing(run) if move.kind == "charge"}
    cleared = [row for row in Clearance.objects.filter(run=run).order_by("id") if row.entry in entries]
    sources = dict.fromkeys(row.heel_source for row in cleared if row.heel_ul)
    _store_heel(run, sum(row.heel_ul for row in cleared), sources)


def _store_heel(run: Run, heel_ul: int, sources: Iterable[str]) -> None:
    run.heel_ul, run.heel_source = heel_ul, " / ".join(sources)
    Run.objects.filter(pk=run.pk).update(heel_ul=run.heel_ul, heel_source=run.heel_source)


def note_heel(run: Run, *, may_be_mended: bool = False) -> None:
    """Less can be in the still than the heel: a finding, also once the run is closed."""
    if run.heel_ul == 0 and HEEL_NOT_KEPT not in run.findings:
        return
    short = run.heel_ul > 0 and left_at_most_ul(run) < run.heel_ul
    set_finding(run, HEEL_NOT_KEPT, short, may_be_mended=may_be_mended)


def note_uncleared(run: Run, *, may_be_mended: bool = False) -> None:
    """What became of formers in a run that was not to distil; mended when neither stands.

    They came back or boiled off; or they are unaccounted for or left in the product, and may have boiled off.
    """
    known = {NOT_CLEARED_BACK, FORMER_GONE}.intersection(run.findings)
    if run.distils and not known:
        return
    gone = [move for move in standing(run) if is_former(move.solvent)]
    for code, speaks in ((NOT_CLEARED_BACK, _back_or_boiled_off), (FORMER_GONE, _out_of_sight)):
        holds = any(speaks(move) for move in gone) and (code in known or not run.distils)
        set_finding(run, code, holds, may_be_mended=may_be_mended)


def _out_of_sight(move: Movement) -> bool:
    return move.destination.kind in (PlaceKind.UNACCOUNTED, PlaceKind.PRODUCT)


def _back_or_boiled_off(move: Movement) -> bool:
    """What is lost to the air leaves the rest concentrated, as distilling does."""
    return move.kind == "return" or move.destination.kind == PlaceKind.AIR


def left_at_most_ul(run: Run) -> int:
    """The most that can be, or have been, left in the still of all formers charged, in µl."""
    left_ul = 0
    for move in standing(run):
        if not is_former(move.solvent):
            continue
        if move.kind == "charge":
            left_ul += move.volume_ul
        elif move.kind == "return" or move.destination.kind in GONE:
            left_ul -= move.volume_ul
    return left_ul


def standing(run: Run) -> list[Movement]:
    """Movements into and out of a run that neither are reversals nor were reversed."""
    related = Movement.objects.select_related("solvent", "destination", "reversed_by").defer("solvent__facts")
    into, out_of = related.filter(destination_id=run.place_id), related.filter(source_id=run.place_id)
    every = sorted([*into, *out_of], key=lambda move: move.pk)
    return [move for move in every if move.reversal_of_id is None and not hasattr(move, "reversed_by")]


def set_finding(run: Run, code: str, holds: bool, *, may_be_mended: bool) -> None:
    """Add a finding to a run, or take one away that no longer holds, if it may be."""
    if holds == (code in run.findings) or not (holds or may_be_mended):
        return
    kept, unseen = ([known for known in codes if known != code] for codes in (run.findings, unseen_of(run)))
    run.findings = [*kept, code] if holds else kept
    run.unseen_findings = unseen_text([*unseen, code] if holds else unseen)
    Run.objects.filter(pk=run.pk).update(findings=run.findings, unseen_findings=run.unseen_findings)


def unseen_of(run: Run) -> list[str]:
    """The findings that nobody answered for yet."""
    return run.unseen_findings.split()


def unseen_text(codes: Iterable[str]) -> str:
    """As a run keeps those of its findings that are to be answered for."""
    return " ".join(code for code in codes if code in TO_ANSWER_FOR)
