"""What stands on the labels of a lab's containers, from the records."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from django.utils import translation

from inventory.models import Container, Lab
from inventory.rules.label_text import MAY_FORM, NOT_KNOWN, LabelText, hazards_of
from inventory.rules.phrases import Phrase
from inventory.services.speaking import spoken

LABELS_MAX = 200


def label_texts(
    *, lab: Lab, containers: Sequence[Container], address_of: Callable[[Container], str], language: str = "en"
) -> list[LabelText]:
    """A label for each container, which come with lot and solvent. address_of: the https address of its page.

    A day that is not known stays open, to be written by hand. language: of the words that are printed.
    """
    with translation.override(language):
        return [_label(lab, container, address_of(container), language) for container in containers]


def _label(lab: Lab, container: Container, address: str, language: str) -> LabelText:
    lot = container.lot
    if lot is None:
        return LabelText(
            name=spoken(Phrase("Empty, clean")),
            code=container.code,
            address=address,
            lab=lab.name,
            contact=lab.contact,
        )
    hazards = hazards_of(lot.solvent.key, language)
    days = {
        Phrase("Received"): container.received_on,
        Phrase("Opened"): container.opened_on,
    }
    if lot.solvent.is_former:
        days |= {Phrase("Tested"): None, Phrase("Test by"): container.next_test_due}
    detail = Phrase("distilled {count} times", count=lot.times_distilled) if lot.times_distilled > 1 else ""
    if lot.times_distilled == 1:
        detail = Phrase("distilled once")
    return LabelText(
        name=lot.solvent.name,
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
        may_form=spoken(MAY_FORM),
        not_known=spoken(NOT_KNOWN),
    )
