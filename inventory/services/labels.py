"""What stands on the labels of a lab's containers, from the records."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import date

from django.utils import translation

from inventory.models import Container, Lab
from inventory.rules.advice import Told
from inventory.rules.label_text import (
    KEEP_SHUT,
    LEAVE,
    MAY_FORM,
    MAY_FORM_ASK,
    NOT_KNOWN,
    LabelText,
    hazards_of,
)
from inventory.rules.levels import Use
from inventory.rules.phrases import Phrase
from inventory.rules.verdict import Verdict
from inventory.services.due_telling import told_in
from inventory.services.facts import containers_with
from inventory.services.speaking import spoken
from inventory.services.verdicts import verdicts_of_many

LABELS_MAX = 200


def label_texts(
    *,
    lab: Lab,
    containers: Sequence[Container],
    address_of: Callable[[Container], str],
    today: date,
    language: str = "en",
) -> list[LabelText]:
    """A label for each container, which come with lot and solvent. address_of: the https address of its page.

    A day that is not known stays open, to be written by hand. What nobody may touch or use today says that,
    not when to test it. language: of the words that are printed.
    """
    known = containers_with([c.pk for c in containers])
    judged = verdicts_of_many(known, today)
    said = {c.pk: told_in(judged[c.pk], c, today) for c in known}
    leave = {c.pk: _left_alone(judged[c.pk], said[c.pk]) for c in known}
    former = {pk: MAY_FORM_ASK if one.ask_first else MAY_FORM for pk, one in said.items()}
    with translation.override(language):
        return [
            _label(lab, c, address_of(c), language, leave=leave[c.pk], former=former[c.pk])
            for c in containers
        ]


def _left_alone(found: Mapping[Use, Verdict], said: Told) -> str:
    """What is said of one to be left alone, "" of any other."""
    if any(verdict.level == "do-not-touch" for verdict in found.values()):
        return LEAVE
    return KEEP_SHUT if said.alone else ""


def _label(
    lab: Lab, container: Container, address: str, language: str, *, leave: str, former: str
) -> LabelText:
    lot, emergency = container.lot, lab.emergency_text.strip()
    if emergency:
        emergency = f"{spoken(Phrase('In an emergency:'))} {emergency}"
    if lot is None:
        return LabelText(
            name=spoken(Phrase("Empty, clean")),
            code=container.code,
            address=address,
            lab=lab.name,
            contact=lab.contact,
            emergency=emergency,
        )
    hazards = hazards_of(lot.solvent.key, language)
    days = {
        Phrase("Received"): container.received_on,
        Phrase("Opened"): container.opened_on,
    }
    if lot.solvent.is_former and not leave:
        days |= {Phrase("Tested"): None, Phrase("Test by"): container.next_test_due}
    detail = Phrase("distilled {count} times", count=lot.times_distilled) if lot.times_distilled > 1 else ""
    if lot.times_distilled == 1:
        detail = Phrase("distilled once")
    return LabelText(
        name=spoken(lot.solvent.name),
        code=container.code,
        address=address,
        signal_word=spoken(hazards.signal_word),
        pictograms=hazards.pictograms,
        statements=hazards.statements,
        known=hazards.known,
        may_form_peroxides=lot.solvent.is_former,
        dated=tuple((spoken(name), day.isoformat() if day else "") for name, day in days.items()),
        lab=lab.name,
        contact=lab.contact,
        detail=spoken(detail),
        may_form=spoken(former),
        not_known=spoken(NOT_KNOWN),
        leave=spoken(leave),
        emergency=emergency,
    )
