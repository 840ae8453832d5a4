"""The people of a lab, the invitations that are out, and the programs that act for somebody."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from django.db.models import Count, F, QuerySet

from inventory.models import ApiToken, EntryLink, Event, Feed, Lab, Membership, User


@dataclass(frozen=True, slots=True)
class Person:
    """A member with what stands in their name. tokens, feeds: how many are in use."""

    member: Membership
    tokens: int
    feeds: int

    @property
    def mail(self) -> str:
        """confirmed, waiting for the link, waiting while alerts go to the earlier address, or none."""
        return self.member.user.mail_state


@dataclass(frozen=True, slots=True)
class Invitation:
    """A one-time link that can still be used. by: who made it; empty when that is not on record."""

    link: EntryLink
    by: str


def people_of(*, lab: Lab) -> list[Person]:
    """Everybody in the lab, by role and then by name, in three statements."""
    members = Membership.objects.filter(lab=lab).select_related("user")
    tokens = _counts(ApiToken.objects.filter(lab=lab, revoked=False))
    feeds = _counts(Feed.objects.filter(lab=lab, revoked_at=None))
    found = [Person(m, tokens.get(m.user_id, 0), feeds.get(m.user_id, 0)) for m in members]
    return sorted(found, key=_by_role)


def _counts(rows: QuerySet[ApiToken] | QuerySet[Feed]) -> Mapping[int, int]:
    return dict(rows.order_by().values("user_id").annotate(n=Count("pk")).values_list("user_id", "n"))


_ORDER = ("supervisor", "steward", "member", "auditor")


def _by_role(person: Person) -> tuple[int, str]:
    return _ORDER.index(person.member.role), person.member.user.display_name.casefold()


def invitations_standing(*, lab: Lab, now: datetime) -> list[Invitation]:
    """Links that nobody has used and that have not ended, the newest first, and who made each."""
    links = list(EntryLink.objects.filter(lab=lab, used_at=None, expires_at__gt=now).order_by("-pk"))
    made = Event.objects.filter(
        lab=lab, verb="invitation-made", subject_kind="entrylink", subject_id__in=[link.pk for link in links]
    ).select_related("actor")
    by = {event.subject_id: event.actor.display_name for event in made}
    return [Invitation(link, by.get(link.pk, "")) for link in links]


def tokens_of(*, lab: Lab, user: User | None) -> QuerySet[ApiToken]:
    """API tokens, those in use first, then the newest. user: whose; None: everybody's."""
    rows = ApiToken.objects.filter(lab=lab).select_related("user", "lab")
    return (rows if user is None else rows.filter(user=user)).order_by("revoked", "-created", "prefix")


def feeds_of(*, lab: Lab, user: User | None) -> QuerySet[Feed]:
    """Calendars and Atom feeds, those in use first, then the newest. user: whose; None: everybody's."""
    rows = Feed.objects.filter(lab=lab).select_related("user")
    return (rows if user is None else rows.filter(user=user)).order_by(
        F("revoked_at").asc(nulls_first=True), "-pk"
    )
