"""The outbox: leases, marks, replays, clocks that jump."""

from __future__ import annotations

from datetime import timedelta

import pytest

from inventory.models import Delivery, Event
from inventory.rules.errors import Conflict
from inventory.services.delivery import outbox
from inventory.services.delivery.fate import later, never, sent
from inventory.services.delivery.planning import plan_deliveries
from tests.delivery.alerting import alert, alerting, delivered
from tests.delivery.mail_server import Mailbox
from tests.factories import NOW, Club

pytestmark = pytest.mark.django_db
MINUTE = timedelta(minutes=1)


@pytest.fixture
def at(db: None, mailbox: Mailbox) -> Club:
    made = alerting()
    alert(made)
    plan_deliveries(now=NOW)
    return made


def test_a_claimed_message_comes_back_when_the_lease_is_over(at: Club) -> None:
    assert len(outbox.claim(lease=MINUTE, now=NOW)) == 3
    assert outbox.claim(lease=MINUTE, now=NOW) == []
    again = outbox.claim(lease=MINUTE, now=NOW + MINUTE)
    # Nothing was tried: a worker that died at the first of a batch has used up no attempt of the others.
    assert [row.attempts for row in again] == [0, 0, 0]


def test_an_outdated_claim_may_only_say_sent(at: Club) -> None:
    """The lease ran out and another worker has the row: its failure is not ours to write, a success is."""
    old = outbox.claim(lease=MINUTE, now=NOW, limit=1)[0]
    new = outbox.claim(lease=MINUTE, now=NOW + MINUTE, limit=3)
    outbox.mark(old, never("too late"), NOW + MINUTE)
    outbox.mark(old, later("too late"), NOW + MINUTE)
    assert Delivery.objects.get(pk=old.pk).last_error == ""
    outbox.mark(old, sent(), NOW + MINUTE)
    held = next(row for row in new if row.pk == old.pk)
    outbox.mark(held, later("line lost"), NOW + 2 * MINUTE)
    assert Delivery.objects.get(pk=old.pk).sent_at == NOW + MINUTE


def test_what_the_last_attempt_left_without_a_word_is_given_up(at: Club) -> None:
    Delivery.objects.update(attempts=outbox.ATTEMPTS_MAX)
    assert outbox.deliver(now=lambda: NOW)["never"] == 3
    assert set(Delivery.objects.values_list("failed_at", flat=True)) == {NOW}


def test_half_a_lease_is_the_end_of_a_batch(at: Club, mailbox: Mailbox) -> None:
    """What is left goes back untried, rather than be sent while another worker may have it."""
    ends = outbox.deliver(now=lambda: NOW, lease=timedelta(), seconds=0.5)
    assert ends["sent"] == 0
    assert set(Delivery.objects.values_list("attempts", flat=True)) == {0}
    assert delivered() == {"sent": 3}


@pytest.mark.parametrize("jump", [timedelta(hours=13), timedelta(days=400)])
def test_a_clock_set_back_strands_nothing(at: Club, mailbox: Mailbox, jump: timedelta) -> None:
    ahead = NOW + jump
    mailbox.refuse = {"": "451 busy"}
    assert delivered(ahead) == {"later": 3}
    mailbox.refuse = {}
    assert delivered(NOW) == {"sent": 3}


def test_a_failed_message_is_sent_again_under_its_id(at: Club, mailbox: Mailbox) -> None:
    mailbox.refuse = {"member": "550 gone"}
    delivered()
    failed = Delivery.objects.get(user=at.member)
    by = {"lab": at.lab, "actor": at.steward, "now": NOW + MINUTE}
    mailbox.refuse = {}
    again = outbox.replay(**by, delivery=failed)  # type: ignore[arg-type]
    assert (again.attempts, again.failed_at) == (0, None)
    with pytest.raises(Conflict, match="not been sent yet"):
        outbox.replay(**by, delivery=again)  # type: ignore[arg-type]
    assert delivered(NOW + MINUTE) == {"sent": 1}
    assert mailbox.ids[-1] == failed.message_id
    assert "550" in Event.objects.get(verb="delivery-replayed").data["last_error"]


def test_old_messages_are_forgotten_and_waiting_ones_never(at: Club, mailbox: Mailbox) -> None:
    Delivery.objects.filter(user=at.member).update(sent_at=NOW)
    assert outbox.prune(now=NOW + outbox.KEPT_FOR) == 0
    assert outbox.prune(now=NOW + outbox.KEPT_FOR + MINUTE) == 1
    assert Delivery.objects.count() == 2
