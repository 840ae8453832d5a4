"""Containers as papers list them: what is in each, its days, its last test, and the verdict of today."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import islice

from inventory.models import Container, PeroxideTest
from inventory.rules.advice import Told, verdict_words
from inventory.rules.deciding import Tested
from inventory.rules.label_text import hazards_of
from inventory.rules.levels import Level
from inventory.rules.methods import METHODS
from inventory.services.due_telling import told_in
from inventory.services.facts import class_for_safety, containers_with, gathered
from inventory.services.refreshing import CHUNK
from inventory.services.verdicts import verdicts_in


@dataclass(frozen=True)
class LastTest:
    """The newest standing test of what is in it, made there. on None: the day was not written down.

    reading: as entered; lower and upper in mg/L as H2O2, upper "" when no end is known.
    """

    on: date | None
    reading: str
    method: str
    lower_mg_per_l: str
    upper_mg_per_l: str


@dataclass(frozen=True)
class Bottle:
    """One container. solvent "": it never held anything. peroxide_class: the one it is handled as.

    due_on None: no test by date. told: the verdict on everything but distilling, which has a gate of its own;
    distil: the level of that.
    """

    container_id: int
    code: str
    solvent: str
    solvent_key: str
    signal_word: str
    hazards_known: bool
    peroxide_class: str
    place: str
    volume_ul: int
    capacity_ul: int
    received_on: date | None
    made_on: date | None
    opened: str
    opened_on: date | None
    due_on: date | None
    test: LastTest | None
    told: Told
    distil: Level

    @property
    def alone(self) -> bool:
        """Nobody may use it at all."""
        return self.told.alone

    @property
    def verdict(self) -> str:
        """The verdict for people; of an empty one what is true of it."""
        former = self.peroxide_class not in ("", "none")
        return verdict_words(self.told, self.distil, empty=self.volume_ul == 0, former=former)

    @property
    def level(self) -> str:
        """The level of the verdict; "" where there is nothing to use and nothing graver to say."""
        return "" if self.volume_ul == 0 and self.told.level == "use" else self.told.level

    @property
    def test_by(self) -> date | None:
        """The day by which somebody is to test it; none for what is to be left alone."""
        return None if self.alone else self.due_on

    def overdue(self, today: date) -> bool:
        return self.due_on is not None and self.due_on < today


def bottles(*, ids: Iterable[int], today: date) -> list[Bottle]:
    """These containers of one lab or several, in the order given. today: the lab's own day."""
    each = iter(ids)
    found: list[Bottle] = []
    while chunk := list(islice(each, CHUNK)):
        by_id = {bottle.container_id: bottle for bottle in _judged(chunk, today)}
        found += [by_id[pk] for pk in chunk if pk in by_id]
    return found


def _judged(ids: Sequence[int], today: date) -> Iterator[Bottle]:
    containers = containers_with(ids)
    known = gathered(containers)
    last = {c.pk: tests[-1] for c in containers if (tests := known.own_tests(c))}
    as_entered = dict(
        PeroxideTest.objects.filter(pk__in=[test.id for test in last.values()]).values_list(
            "pk", "as_entered"
        )
    )
    places = dict(
        Container.objects.filter(pk__in=ids, location__isnull=False).values_list("pk", "location__name")
    )
    for container in containers:
        test = last.get(container.pk)
        found = verdicts_in(known, container, today)
        yield _bottle(
            container,
            places.get(container.pk, ""),
            None if test is None else _last(test, as_entered[test.id]),
            told_in(found, container, today),
            found["distil"].level,
        )


def _bottle(container: Container, place: str, test: LastTest | None, said: Told, distil: Level) -> Bottle:
    solvent = None if container.lot is None else container.lot.solvent
    hazards = hazards_of("" if solvent is None else solvent.key)
    return Bottle(
        container_id=container.pk,
        code=container.code,
        solvent="" if solvent is None else solvent.name,
        solvent_key="" if solvent is None else solvent.key,
        signal_word=hazards.signal_word,
        hazards_known=hazards.known,
        peroxide_class="" if solvent is None else class_for_safety(solvent),
        place=place,
        volume_ul=container.volume_ul,
        capacity_ul=container.capacity_ul,
        received_on=container.received_on,
        made_on=None if container.lot is None else container.lot.made_on,
        opened=container.opened,
        opened_on=container.opened_on,
        due_on=container.next_test_due,
        test=test,
        told=said,
        distil=distil,
    )


def _last(test: Tested, as_entered: str) -> LastTest:
    reading = test.reading
    upper = reading.upper_mg_per_l
    return LastTest(
        on=test.tested_on,
        reading=as_entered,
        method=METHODS[reading.method].name,
        lower_mg_per_l=f"{reading.lower_mg_per_l.normalize():f}",
        upper_mg_per_l="" if upper is None else f"{upper.normalize():f}",
    )
