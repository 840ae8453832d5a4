"""Whether an alert that nobody answers comes to anybody: what a lab should know before it relies on it."""

from __future__ import annotations

from dataclasses import dataclass

from django.conf import settings

from inventory.models import Lab, Membership, Webhook
from inventory.rules.phrases import Phrase
from inventory.services.delivery.choices import reachable_q

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

    ..._with_address: those whose address is confirmed; nothing goes to any other.
    """

    sends_mail: bool
    supervisors: int
    supervisors_with_address: int
    webhooks: int
    stewards_with_address: int

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
        """In words, gravest first; none when every alert that nobody answers comes to a supervisor."""
        if self.by_mail:
            return ()
        why = NO_ADDRESS if self.sends_mail else NO_SERVER
        if self.to_stewards:
            return (ONLY_STEWARDS, why)
        return (ONLY_PROGRAMS if self.reaches_somebody else NOBODY, why)


def reach_of(lab: Lab) -> Reach:
    """How far an alert that nobody answers goes in a lab, by what is set now."""
    active = Membership.objects.filter(lab=lab, user__is_active=True)
    heads, reached = active.filter(role=SUPERVISOR), reachable_q("user")
    hooks = Webhook.objects.filter(lab=lab, ended_at=None).values_list("rules", flat=True)
    return Reach(
        sends_mail=settings.STILLKEEP_SENDS_MAIL,
        supervisors=heads.count(),
        supervisors_with_address=heads.filter(reached).count(),
        webhooks=sum(not listens for listens in hooks),
        stewards_with_address=active.filter(reached, role=STEWARD).count(),
    )
