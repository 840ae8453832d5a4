"""From what stands in an address or a body to the record it means."""

from __future__ import annotations

from typing import Any

from django.db.models import Q, QuerySet
from django.http import Http404

from inventory.access import LARGEST_ID, Caller
from inventory.models import Container, Location, Lot, Observation, PeroxideTest, Solvent
from inventory.rules.errors import InputError
from inventory.services.catalogue import solvent_named, solvents_of
from inventory.services.containers import code_is, code_read

CODE_MARK = "code:"


def is_id(ref: str) -> bool:
    return ref.isascii() and ref.isdigit() and len(ref) <= 19 and int(ref) <= LARGEST_ID


def containers() -> QuerySet[Container]:
    """Containers with all that a page about them shows."""
    return Container.objects.select_related("lab__policy", "lot__solvent", "location")


def container_find(caller: Caller, ref: str) -> Container | None:
    """The lab's container by id (digits only) or by code; a code of digits only is written `code:12`."""
    found = _container_find(caller, ref)
    if found is not None:
        found.lab = caller.lab
    return found


def _container_find(caller: Caller, ref: str) -> Container | None:
    # The sources of a solvent's values are long, and nothing that is done at the bench asks for them.
    own = Container.objects.select_related("lot__solvent").defer("lot__solvent__facts")
    if is_id(ref):
        return _one(own, pk=int(ref), lab_id=caller.lab.pk)
    code = ref.removeprefix(CODE_MARK)
    if "\x00" in code or not 0 < len(code) <= 40:
        return None
    try:
        code = code_read(code)
    except InputError:
        return None
    # The exact spelling is what labels hold; other capitals are looked for only when it fails.
    exact = _one(own, code=code, lab_id=caller.lab.pk)
    return exact or own.filter(code_is(code), lab_id=caller.lab.pk).first()


def _one(objects: QuerySet[Container], **lookup: Any) -> Container | None:
    """As `filter(…).first()`, at half the cost: the lookup has one answer at most."""
    try:
        return objects.get(**lookup)
    except Container.DoesNotExist:
        return None


def container_at(caller: Caller, ref: str) -> Container:
    """As `container_find`, or 404."""
    found = container_find(caller, ref)
    if found is None:
        raise Http404
    return found


def container_in(caller: Caller, ref: str, field: str) -> Container:
    """As `container_find`, or InputError naming the body's field."""
    found = container_find(caller, ref)
    if found is None:
        raise InputError(
            field, "unknown-container", "This lab has no such container.", "Send its id or its code."
        )
    return found


def solvent_in(caller: Caller, ref: str, field: str = "solvent") -> Solvent:
    """A solvent by id, key, name, synonym or CAS number. Raises InputError (code unknown-solvent)."""
    if is_id(ref):
        found = solvents_of(caller.lab).filter(pk=int(ref)).first()
        if found is not None:
            return found
    return solvent_named(lab=caller.lab, name=ref, field=field)


def solvent_at(caller: Caller, ref: str) -> Solvent:
    """A solvent by id or key as in an address, or 404."""
    match = Q(pk=int(ref)) if is_id(ref) else Q(key=ref)
    found = solvents_of(caller.lab).filter(match).first()
    if found is None:
        raise Http404
    return found


def location_in(caller: Caller, ref: str, field: str = "location") -> Location:
    """One of the lab's locations by id or name. Raises InputError."""
    from inventory.services.places import fold

    match: dict[str, Any] = {"pk": int(ref)} if is_id(ref) else {"folded": fold(ref)}
    found = Location.objects.filter(lab=caller.lab, ended_at=None, **match).first()
    if found is None:
        raise InputError(
            field, "unknown-location", "This lab has no such location.", "Make it under locations/ first."
        )
    return found


def lot_at(caller: Caller, ref: str) -> Lot:
    return caller.by_id(Lot.objects.select_related("solvent"), ref)


def test_at(caller: Caller, ref: str) -> PeroxideTest:
    return caller.by_id(PeroxideTest.objects.select_related("container"), ref)


def sign_at(caller: Caller, ref: str) -> Observation:
    return caller.by_id(Observation.objects.select_related("container"), ref)
