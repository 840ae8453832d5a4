"""Whether an alert that nobody answers comes to anybody: what a lab should know before it relies on it."""

from __future__ import annotations

from dataclasses import dataclass

from django.conf import settings
from django.db.models import Count, Q

from inventory.models import Lab, Membership, Webhook
from inventory.rules.phrases import Phrase
from inventory.services.delivery.addresses import reachable_q

SUPERVISOR, STEWARD = "supervisor", "steward"
NO_SERVER = Phrase("No mail server is set, so that nobody is told of alerts by mail.")
NO_ADDRESS = Phrase(
    "No supervisor has a confirmed mail address, so that none of them is told by mail of what nobody answers."
)
NOBODY = Phrase("An alert that nobody answers comes to nobody: who does not look here does not hear of it.")
ONLY_STEWARDS = Phrase("What nobody answers goes by mail to the stewards, as no supervisor can be reached.")
ONLY_PROGRAMS = Phrase("Only programs, by webhook, hear of alerts that nobody answers.")


@dataclass(frozen=True)
class Reach:
    """sends_mail: a mail server is set. webhooks: those that hear of every rule; others hear of some.

    webhooks_stopped: those that hear of nothing, as nobody answers for them or their secret cannot be read.

    ..._with_address: those whose address is confirmed; nothing goes to any other.
    """

    sends_mail: bool
    supervisors: int
    supervisors_with_address: int
    webhooks: int
    stewards_with_address: int
    webhooks_stopped: int = 0

    @property
    def reaches_somebody(self) -> bool:
        """Whether an alert that goes up leaves the house on any way."""
        return self.by_mail or self.to_stewards or self.webhooks > 0

    @property
    def by_mail(self) -> bool:
        return self.sends_mail and self.supervisors_with_address > 0

    @property
    def to_stewards(self) -> bool:
        """In place of the supervisors (`planning_sql.escalation_sql`)."""
        return self.sends_mail and not self.by_mail and self.stewards_with_address > 0

    @property
    def warnings(self) -> tuple[str, ...]:
        """In words, gravest first; none when every alert that nobody answers comes to a supervisor.

        A program that is told of nothing is named in any case: somebody may rely on it.
        """
        stopped = (
            Phrase(
                "Programs that are told of nothing until a supervisor sees to them, under “Programs that are "
                "told”: {n}.",
                n=self.webhooks_stopped,
            ),
        )
        return (*self._without_a_supervisor, *(stopped if self.webhooks_stopped else ()))

    @property
    def _without_a_supervisor(self) -> tuple[str, ...]:
        if self.by_mail:
            return ()
        why = NO_ADDRESS if self.sends_mail else NO_SERVER
        if self.to_stewards:
            return (ONLY_STEWARDS, why)
        return (ONLY_PROGRAMS if self.reaches_somebody else NOBODY, why)


def reach_of(lab: Lab) -> Reach:
    """How far an alert that nobody answers goes in a lab, by what is set now."""
    active = Membership.objects.filter(lab=lab, user__is_active=True)
    head, reached = Q(role=SUPERVISOR), reachable_q("user")
    people = active.aggregate(
        supervisors=Count("pk", filter=head),
        supervisors_with_address=Count("pk", filter=head & reached),
        stewards_with_address=Count("pk", filter=Q(role=STEWARD) & reached),
    )
    standing = Webhook.objects.filter(lab=lab, ended_at=None)
    hooks = list(standing.values_list("rules", "held_at", "unreadable_at"))
    heard = [listens for listens, *stopped in hooks if not any(stopped)]
    return Reach(
        sends_mail=settings.STILLKEEP_SENDS_MAIL,
        **people,
        webhooks=sum(not listens for listens in heard),
        webhooks_stopped=len(hooks) - len(heard),
    )
