"""Labs, people and filled containers for tests, all made through the services.

The club measures fat in biscuits and separates leaf pigments.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from typing import Any

from inventory.models import Container, Lab, PeroxideTest, Solvent, User
from inventory.services import containers, labs, places, safety
from inventory.services.containers import ContainerFacts, LotFacts
from inventory.services.ledger import End

NOW = datetime(2026, 3, 10, 14, 30, tzinfo=UTC)
TODAY = NOW.date()
PASSWORD = "forty-two biscuits"
ROLES = ("supervisor", "steward", "member", "auditor")
TIME_ZONE = "Europe/Berlin"


@dataclass(frozen=True)
class Club:
    """A lab with one person in every role."""

    lab: Lab
    people: dict[str, User] = field(default_factory=dict)

    @property
    def supervisor(self) -> User:
        return self.people["supervisor"]

    @property
    def steward(self) -> User:
        return self.people["steward"]

    @property
    def member(self) -> User:
        return self.people["member"]

    @property
    def auditor(self) -> User:
        return self.people["auditor"]

    def end(self, kind: str) -> End:
        """The lab's boundary of that kind as an end of a movement."""
        return places.boundary(self.lab, kind)


def person(username: str) -> User:
    return labs.person_create(username=username, password=PASSWORD, name=username.replace("-", " ").title())


def club(name: str = "Biscuit Club", *, now: datetime = NOW, time_zone: str = TIME_ZONE) -> Club:
    """A new lab; sign-in names are role-slug, as in `steward-biscuit-club`."""
    slug = name.lower().replace(" ", "-")
    people = {role: person(f"{role}-{slug}") for role in ROLES}
    lab = labs.lab_create(
        actor=people["supervisor"], now=now, name=name, time_zone=time_zone, emergency_text="Ring 112."
    )
    for role in ROLES[1:]:
        labs.member_add(lab=lab, actor=people["supervisor"], now=now, user=people[role], role=role)
    return Club(lab, people)


def second_club(*, now: datetime = NOW) -> Club:
    """A lab whose people are strangers to the first."""
    return club("Leaf Club", now=now, time_zone="UTC")


def solvent(key: str) -> Solvent:
    """The shipped solvent with that key, as in `diethyl-ether`."""
    return Solvent.objects.get(lab=None, key=key)


LOT_FIELDS = set(LotFacts.__dataclass_fields__) - {"note"}


def stocked(
    at: Club,
    key: str = "ethyl-acetate",
    amount: Any = "500 mL",
    *,
    capacity_ul: int = 1_000_000,
    now: datetime = NOW,
    happened_at: datetime | None = None,
    **facts: Any,
) -> Container:
    """A filled container, by default bought, received and opened today.

    facts: fields of the container's or the lot's facts, told apart by their names.
    """
    lot = {"origin": "purchased", **{name: facts.pop(name) for name in LOT_FIELDS & set(facts)}}
    facts = {"opened": "opened", "received_on": TODAY, **facts}
    if facts["opened"] == "opened":
        facts.setdefault("opened_on", facts["received_on"])
    received = containers.receive(
        lab=at.lab,
        actor=at.steward,
        now=now,
        solvent=solvent(key),
        amount=amount,
        facts=ContainerFacts(capacity_ul=capacity_ul, **facts),
        lot=LotFacts(**lot),
        happened_at=happened_at,
    )
    return received.container


def empty(at: Club, *, capacity_ul: int = 1_000_000, now: datetime = NOW, **facts: Any) -> Container:
    """A container that never held anything."""
    return containers.container_add(
        lab=at.lab, actor=at.steward, now=now, facts=ContainerFacts(capacity_ul=capacity_ul, **facts)
    )


def tested(
    at: Club, container: Container, *, now: datetime = NOW, reading: str = "neg", **facts: Any
) -> PeroxideTest:
    """A peroxide test of what is in a container, by a strip to 25 mg/L on the day of `now` in the lab."""
    facts.setdefault("tested_on", containers.day_in_lab(at.lab, now))
    return safety.test_record(
        lab=at.lab,
        actor=at.steward,
        now=now,
        container=fresh(container),
        reading=reading,
        method=facts.pop("method", "strip-25"),
        **facts,
    ).test


def cleared(at: Club, container: Container, *, now: datetime = NOW) -> Container:
    """The container, tested on the day of `now` so that the gate before a still lets it through."""
    tested(at, container, now=now)
    return fresh(container)


def fresh(container: Container) -> Container:
    """The container as it stands in the database now."""
    return Container.objects.select_related("lab__policy", "lot__solvent").get(pk=container.pk)


def day(text: str) -> date:
    return date.fromisoformat(text)
