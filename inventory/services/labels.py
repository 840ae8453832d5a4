"""What stands on the labels of a lab's containers, from the records."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from inventory.models import Container, Lab
from inventory.rules.label_text import LabelText, hazards_of

LABELS_MAX = 200


def label_texts(
    *, lab: Lab, containers: Sequence[Container], address_of: Callable[[Container], str]
) -> list[LabelText]:
    """A label for each container, which come with lot and solvent. address_of: the https address of its page.

    A day that is not known stays open, to be written by hand.
    """
    return [_label(lab, container, address_of(container)) for container in containers]


def _label(lab: Lab, container: Container, address: str) -> LabelText:
    lot = container.lot
    if lot is None:
        return LabelText(
            name="Empty, clean", code=container.code, address=address, lab=lab.name, contact=lab.contact
        )
    hazards = hazards_of(lot.solvent.key)
    days = {
        "Received": container.received_on,
        "Opened": container.opened_on,
        "Tested": None,
        "Test by": container.next_test_due,
    }
    if not lot.solvent.is_former:
        days = {"Received": container.received_on, "Opened": container.opened_on}
    detail = f"distilled {lot.times_distilled} times" if lot.times_distilled > 1 else ""
    if lot.times_distilled == 1:
        detail = "distilled once"
    return LabelText(
        name=lot.solvent.name,
        code=container.code,
        address=address,
        signal_word=hazards.signal_word,
        pictograms=hazards.pictograms,
        statements=hazards.statements,
        known=hazards.known,
        may_form_peroxides=lot.solvent.is_former,
        dated=tuple((name, day.isoformat() if day else "") for name, day in days.items()),
        lab=lab.name,
        contact=lab.contact,
        detail=detail,
    )
