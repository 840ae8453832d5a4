"""Mail through a real SMTP server: what it says, and what becomes of it when the server does not play along.

Messages are read back by Python's own MIME parser (email.policy.default); replies by RFC 5321: 4yz may
succeed later, 5yz will not.
"""

from __future__ import annotations

import re
from datetime import timedelta
from email.message import EmailMessage
from typing import Any

import pytest
from django.template.loader import render_to_string

from inventory.models import Alert, Container, Delivery, Lab, Membership
from inventory.services import safety
from inventory.services.delivery import outbox
from inventory.services.delivery.content import Digest, lines_of
from inventory.services.delivery.mail import MailRoute
from tests.delivery.alerting import alert, alerting, close, delivered, reachable
from tests.delivery.conftest import use_mail
from tests.delivery.mail_server import Mailbox, silent_server
from tests.factories import NOW, Club, club

pytestmark = pytest.mark.django_db
LATER = NOW + timedelta(hours=7)


@pytest.fixture
def at(db: None) -> Club:
    return alerting()


def only_supervisor() -> Club:
    at = club()
    reachable(at, "supervisor")
    return at


def part(message: EmailMessage, kind: str) -> str:
    body = message.get_body((kind,))
    assert body is not None
    return str(body.get_content())


def row() -> Delivery:
    return Delivery.objects.get()


def test_a_message_is_plain_words_twice_over(mailbox: Mailbox, settings: Any) -> None:
    settings.STILLKEEP_SITE_URL = "https://stock.example.org"
    at = only_supervisor()
    Lab.objects.filter(pk=at.lab.pk).update(
        name="Biscuits\r\nBcc: all@example.org", emergency_text="Ring <112>."
    )
    found = alert(at, "sign-seen", due_on=NOW.date())
    assert delivered() == {"sent": 1}
    (message,) = mailbox.received
    assert message["To"] == "supervisor@example.org"
    assert str(message["Subject"]).startswith("[Biscuits Bcc: all@example.org] ")
    assert "Bcc" not in message
    assert message["Message-ID"] == row().message_id
    assert (message["Auto-Submitted"], message["List-Id"]) == (
        "auto-generated", "<biscuit-club.stock.example.org>",
    )  # fmt: skip
    assert [p.get_content_type() for p in message.iter_parts()] == ["text/plain", "text/html"]
    text, html = part(message, "plain"), part(message, "html")
    for words in (
        "A sign of danger was seen",
        "diethyl ether",
        "https://stock.example.org/labs/biscuit-club/",
    ):
        assert words in text
        assert words in html
    assert "Ring <112>." in text
    assert "Ring &lt;112&gt;." in html
    assert "never distil to dryness" in text.lower()
    assert "is due 10 March 2026, today" in text
    assert str(found.pk) not in str(message["Subject"])


def test_one_connection_carries_a_batch(at: Club, mailbox: Mailbox) -> None:
    for _ in range(4):
        alert(at)
    assert delivered() == {"sent": 12}
    assert mailbox.connections == 1
    assert len(set(mailbox.ids)) == 12


def test_who_is_busy_is_tried_again_and_who_is_gone_is_not(at: Club, mailbox: Mailbox) -> None:
    mailbox.refuse = {"steward": "451 busy, try later", "member": "550 no such mailbox member@example.org"}
    alert(at)
    assert delivered() == {"sent": 1, "later": 1, "never": 1}
    gone, busy = (Delivery.objects.get(user=user) for user in (at.member, at.steward))
    assert (gone.failed_at, gone.attempts) == (NOW, 1)
    assert "550" in gone.last_error
    assert "example.org" not in gone.last_error
    assert busy.due_at > NOW
    assert "451" in busy.last_error
    mailbox.refuse = {}
    assert delivered(LATER) == {"sent": 1}
    assert mailbox.received[-1]["Message-ID"] == busy.message_id
    assert Delivery.objects.get(user=at.steward).last_error == ""


@pytest.mark.parametrize(("answer", "end"), [("554 looks like spam", "never"), ("452 disk full", "later")])
def test_a_message_that_is_refused_as_a_whole(mailbox: Mailbox, answer: str, end: str) -> None:
    alert(only_supervisor())
    mailbox.data_answer = answer
    assert delivered() == {end: 1}
    assert answer[:3] in row().last_error


def test_a_line_cut_after_the_data_sends_again_under_the_same_id(mailbox: Mailbox) -> None:
    alert(only_supervisor())
    mailbox.drops = 1
    assert delivered() == {"later": 1}
    assert delivered(LATER) == {"sent": 1}
    assert len(mailbox.ids) == 2
    assert len(set(mailbox.ids)) == 1


def test_one_lost_line_holds_up_nobody_else(at: Club, mailbox: Mailbox) -> None:
    mailbox.drops = 1
    alert(at)
    assert delivered() == {"later": 1, "sent": 2}
    assert mailbox.connections == 2


def test_a_silent_server_is_waited_for_once_in_a_run(at: Club, settings: Any) -> None:
    with silent_server() as (port, taken):
        use_mail(settings, port)
        settings.EMAIL_TIMEOUT = 2
        for _ in range(5):
            alert(at)
        assert delivered() == {"later": 15}
        assert len(taken) == 1
    assert not Delivery.objects.exclude(failed_at=None).exists()
    assert "timed out" in str(Delivery.objects.values_list("last_error", flat=True)[0]).lower()


def test_a_server_that_is_down_loses_nothing(at: Club, mailbox: Mailbox, settings: Any) -> None:
    port, settings.EMAIL_PORT = settings.EMAIL_PORT, 1
    alert(at)
    assert delivered() == {"later": 3}
    settings.EMAIL_PORT = port
    assert delivered(LATER) == {"sent": 3}


def test_attempts_are_bounded_and_last_about_two_days(mailbox: Mailbox) -> None:
    alert(only_supervisor())
    mailbox.refuse = {"supervisor": "451 busy"}
    now = NOW
    ends: list[str] = []
    while row_open() and len(ends) < 50:
        ends += list(delivered(now))
        now = max(now, row().due_at)
    assert ends == ["later"] * outbox.ATTEMPTS_MAX
    assert row().failed_at is not None
    assert timedelta(days=1) < now - NOW < timedelta(days=4)


def row_open() -> bool:
    return not Delivery.objects.exclude(failed_at=None).exists()


def test_what_is_needed_no_more_is_withdrawn_with_words(at: Club, mailbox: Mailbox) -> None:
    found = alert(at)
    delivered(NOW - timedelta(days=1), seconds=0)
    assert Delivery.objects.count() == 3
    close(found)
    assert delivered() == {"withdrawn": 3}
    assert mailbox.received == []
    assert {d.last_error for d in Delivery.objects.all()} == {
        "The alert was closed before the message went out."
    }
    assert not Delivery.objects.filter(withdrawn_at=None).exists()


def test_a_person_who_left_gets_nothing(at: Club, mailbox: Mailbox) -> None:
    alert(at)
    delivered(seconds=0)
    Membership.objects.filter(user=at.member).delete()
    assert delivered() == {"sent": 2, "withdrawn": 1}
    assert "member@example.org" not in [message["To"] for message in mailbox.received]


def test_escalations_say_why_they_came(mailbox: Mailbox) -> None:
    at = only_supervisor()
    found = alert(at, "retest-overdue")
    delivered()
    Alert.objects.filter(pk=found.pk).update(escalated_at=NOW)
    assert delivered() == {"sent": 1}
    assert "Nobody has answered" in part(mailbox.received[0], "plain")


def test_a_fault_of_ours_is_tried_again(mailbox: Mailbox, monkeypatch: pytest.MonkeyPatch) -> None:
    alert(only_supervisor())
    with monkeypatch.context() as patch:
        patch.setattr(MailRoute, "send", lambda *_: 1 / 0)
        assert delivered() == {"later": 1}
    assert "ZeroDivisionError" in row().last_error
    assert delivered(LATER) == {"sent": 1}


def test_no_message_lets_people_test_what_is_to_be_left_alone(mailbox: Mailbox) -> None:
    """Due by the calendar, and with crystals in it (Michigan State EHS: do not open, call)."""
    at = only_supervisor()
    found = alert(at, "retest-due-soon", due_on=NOW.date())
    bottle = Container.objects.get(pk=found.subject_id)
    safety.observe(lab=at.lab, actor=at.member, now=NOW, container=bottle, sign="crystals")
    (line,) = lines_of([found], at.lab, NOW)
    assert "do not open, test, turn or carry it" in line.advice
    for name in ("mail_alert", "mail_digest"):
        shown = {"line": line, "lab": at.lab, "digest": Digest((line,), 0, 0, ())}
        for ending in ("txt", "html"):
            assert line.advice in render_to_string(f"inventory/{name}.{ending}", shown)


def test_a_mail_is_in_the_language_of_whoever_gets_it(mailbox: Mailbox) -> None:
    """Both parts and the subject; what the sender's thread shows otherwise plays no part."""
    at = only_supervisor()
    at.supervisor.language = "de"
    at.supervisor.save(update_fields=["language"])
    alert(at, "sign-seen", due_on=NOW.date())
    assert delivered() == {"sent": 1}
    (message,) = mailbox.received
    assert "Ein Gefahrenzeichen wurde gesehen" in str(message["Subject"])
    for kind in ("plain", "html"):
        said = part(message, kind)
        assert "10. März 2026, heute" in said
        assert "bis zur Trockne" in said
        assert not re.search(r"\b(the|you|which|due)\b", re.sub(r"https?://\S+", "", said))
