"""Finding solvents by name, and a lab's own additions to the catalogue."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from decimal import Decimal, InvalidOperation

from django.db import transaction
from django.db.models import Q, QuerySet

from inventory.models import Lab, Solvent, SolventName, User
from inventory.rules.catalogue import Fact, SolventData, fold_name, resolve
from inventory.rules.errors import Conflict, InputError
from inventory.rules.phrases import Phrase
from inventory.services.events import record
from inventory.services.loosening import signed
from inventory.services.readings import lock_containers
from inventory.services.refreshing import refresh_all
from inventory.services.shipped import columns

CLASSES_TO_CONFIRM = ("A", "B", "C", "D", "none")


def solvents_of(lab: Lab) -> QuerySet[Solvent]:
    """The shipped catalogue and the lab's own rows."""
    return Solvent.objects.filter(Q(lab=None) | Q(lab=lab)).order_by("name", "id")


def own_names(lab: Lab) -> dict[str, str]:
    """Folded name → key of the lab's own solvents and of the names it uses."""
    names = {
        fold_name(name): key for name, key in solvents_of(lab).filter(lab=lab).values_list("name", "key")
    }
    used = SolventName.objects.filter(lab=lab).values_list("folded", "solvent__key")
    return {**names, **dict(used)}


def solvent_named(*, lab: Lab, name: str, field: str = "solvent") -> Solvent:
    """The solvent meant by a key, a name or a synonym. Raises UnknownSolvent; never guesses."""
    own = own_names(lab)
    direct = solvents_of(lab).filter(key=name).first()
    if direct is not None:
        return direct
    key = resolve(name, own, field=field)
    return solvents_of(lab).get(key=key)


def solvents_like(*, lab: Lab, words: str) -> Q:
    """Part of a name, key or CAS number, or the one solvent that a synonym stands for."""
    found = Q(name__icontains=words) | Q(key__icontains=words) | Q(cas=words.strip())
    folded = fold_name(words)
    found |= Q(key__in=[key for name, key in own_names(lab).items() if folded == name])
    try:
        return found | Q(pk=solvent_named(lab=lab, name=words).pk)
    except InputError:
        return found


def solvent_add(
    *, lab: Lab, actor: User, now: datetime, cas: str, name: str = "", density_20c_kg_m3: str = ""
) -> Solvent:
    """Add a solvent by CAS number with data from the `chemicals` library.

    It is unconfirmed, and handled as the worst peroxide class, until a steward confirms it.
    density_20c_kg_m3: needed only when the library has none. Raises InputError naming cas or the density.
    """
    # The library brings pandas along; nobody waits for it who does not add a solvent.
    from inventory.rules.chemicals_lookup import from_cas

    data = from_cas(cas, name or None, field="cas")
    taken = solvents_of(lab).filter(Q(cas=data.cas) | Q(key=data.key)).first()
    if taken is not None:
        raise Conflict(
            "cas",
            "already-listed",
            Phrase("{name} stands in the catalogue.", name=taken.name),
            Phrase("Use that one."),
        )
    row = columns(data if data.liquid is not None else _with_density(data, density_20c_kg_m3))
    with transaction.atomic():
        solvent = Solvent.objects.create(
            lab=lab, key=data.key, state=Solvent.State.UNCONFIRMED, **{**row, "peroxide_class": "unknown"}
        )
        facts = {"cas": data.cas, "name": data.name}
        record(lab=lab, actor=actor, now=now, verb="solvent-added", subject=solvent, data=facts)
    return solvent


def solvent_confirm(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    solvent: Solvent,
    peroxide_class: str,
    basis: str,
    may_loosen: bool = False,
) -> Solvent:
    """A steward answers for the data and the peroxide class of the lab's own solvent, naming the source.

    Where a container of it looks safer by that, a supervisor signs: the basis is the reason. Raises Denied.
    """
    if solvent.lab_id != lab.pk or solvent.state != Solvent.State.UNCONFIRMED:
        raise Conflict("solvent", "nothing-to-confirm", Phrase("This solvent needs no confirmation."))
    if peroxide_class not in CLASSES_TO_CONFIRM:
        raise InputError(
            "peroxide_class",
            "unknown-class",
            Phrase("“{peroxide_class}” is not a class.", peroxide_class=peroxide_class),
            Phrase("Use {known}.", known=", ".join(CLASSES_TO_CONFIRM)),
        )
    if not basis.strip():
        raise InputError(
            "basis",
            "missing",
            Phrase("A class needs its source."),
            Phrase("Name the table or sheet it is from."),
        )
    with transaction.atomic():
        held = Solvent.objects.select_for_update(of=("self",), no_key=True).get(pk=solvent.pk)
        held.state, held.peroxide_class = Solvent.State.CONFIRMED, peroxide_class
        held.peroxide_basis, held.confirmed_by = basis.strip(), actor
        data = {"peroxide_class": peroxide_class, "basis": basis.strip()}
        record(lab=lab, actor=actor, now=now, verb="solvent-confirmed", subject=held, data=data)
        containers = list(lab.containers.filter(lot__solvent=held, discarded_at=None).order_by("place_id"))
        lock_containers([container.pk for container in containers])
        with signed(
            containers,
            lab=lab,
            actor=actor,
            now=now,
            what=Phrase("Another peroxide class"),
            may_loosen=may_loosen,
            reason=basis,
        ):
            held.save(update_fields=["state", "peroxide_class", "peroxide_basis", "confirmed_by"])
            refresh_all(containers, now)
    return held


def _with_density(data: SolventData, density_20c_kg_m3: str) -> SolventData:
    """The data with a density given by hand, taken as good to 1 %."""
    field = "density_20c_kg_m3"
    try:
        density = Decimal(density_20c_kg_m3)
    except InvalidOperation as error:
        raise InputError(
            field,
            "no-density",
            Phrase("No density is known for {name}.", name=data.name),
            Phrase("Give it in kg/m3 at 20 °C, as 713.6."),
        ) from error
    if not density.is_finite() or not Decimal(300) <= density <= Decimal(4000):
        raise InputError(
            field,
            "out-of-range",
            Phrase("{density_20c_kg_m3} kg/m3 is no liquid's density.", density_20c_kg_m3=density_20c_kg_m3),
            Phrase("Give kg/m3, as 713.6."),
        )
    fact = Fact("density-20c", str(density), "kg/m3", "entered by hand", half_width=density / 100)
    return replace(data, facts=(*data.facts, fact))
