"""From a code in an address or typed at the bench to the container it means."""

from __future__ import annotations

from django.db.models import QuerySet
from django.http import Http404

from inventory.access import Caller
from inventory.models import Container
from inventory.rules.errors import InputError
from inventory.rules.phrases import Phrase
from inventory.services.containers import code_is, code_read

CODE_MAX = 40


def container_coded(caller: Caller, code: str) -> Container | None:
    """The lab's container with that code in any capitals, with all that its page shows. None: there is none.

    Raises InputError when it looks like a code of our own whose check character is wrong.
    """
    if not 0 < len(code.strip()) <= CODE_MAX or not code.isprintable():
        return None
    own: QuerySet[Container] = Container.objects.select_related("lot__solvent", "location").filter(
        lab=caller.lab
    )
    # A club's own code may look like one of ours: as it stands it goes first.
    found = own.filter(code=code.strip()).first() or own.filter(code_is(code_read(code))).first()
    if found is not None:
        found.lab = caller.lab
    return found


def container_or_404(caller: Caller, code: str) -> Container:
    try:
        found = container_coded(caller, code)
    except InputError as error:
        raise Http404 from error
    if found is None:
        raise Http404
    return found


def container_named(caller: Caller, code: str, field: str) -> Container:
    """The same for a form. Raises InputError that names the field."""
    try:
        found = container_coded(caller, code)
    except InputError as error:
        raise InputError(field, error.code, error.detail, error.remedy) from error
    if found is None:
        raise InputError(
            field,
            "unknown-container",
            Phrase("No container has the code “{code}”.", code=code),
            Phrase("Compare it with the label."),
        )
    return found
