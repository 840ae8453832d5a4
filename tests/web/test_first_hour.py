"""The first hour: set-up with its rules, first steps that go away, pages of an empty lab, a sample lab."""

from __future__ import annotations

import re
from html import unescape
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from inventory.models import Container, Delivery, Event, Lab, Membership, Policy
from inventory.selectors.due import today_in
from inventory.services import labs, places, safety
from inventory.services.audit import audit
from inventory.services.sweep import sweep
from recovery.models import Run
from tests import factories
from tests.web.test_entry import LAB, PERSON, set_up_secret

pytestmark = pytest.mark.django_db
KEY = re.compile(r'name="key" value="([0-9a-f-]{36})"')
# Address → words that say what to do next in a lab that holds nothing.
EMPTY = {
    "": "First steps",
    "shelf/": "Bring in a list",
    "runs/": "Start a run",
    "recovery/": "Start a run",
    "plan/": "Receive a container",
    "solvent-balance/": "Receive a container",
    "labels/": "Receive a container",
    "scan/": "Receive a container",
    "import/": "Receive a container",
    "more/": "Bring in a list",
}


def shown(client: Client, address: str) -> str:
    answer = client.get(address)
    assert answer.status_code == 200, address
    return unescape(answer.content.decode())


def pressed(client: Client, address: str, **told: str) -> Any:
    key = KEY.search(shown(client, address))
    assert key is not None
    return client.post(address, {"key": key[1], **told}, follow=True)


def test_the_set_up_offers_each_shipped_policy_with_its_source(
    client: Client,
) -> None:
    address = f"/enter/{set_up_secret()}/"
    text = shown(client, address)
    for name, source in Policy.objects.filter(lab=None).values_list("name", "source"):
        assert name in text
        assert source in text
    assert re.search(r'<option value="cautious-default" selected>', text)
    assert text.count("An opened bottle with inhibitor is tested") == Policy.objects.filter(lab=None).count()
    client.post(address, {**PERSON, **LAB, "policy": "cautious-default"})
    lab = Lab.objects.get()
    assert lab.policy.key == "cautious-default"
    assert Event.objects.filter(lab=lab, verb="policy-chosen").exists()


def test_a_looser_policy_at_the_set_up_needs_a_reason_and_leaves_it(client: Client) -> None:
    address = f"/enter/{set_up_secret()}/"
    told = {**PERSON, **LAB, "policy": "cornell"}
    refused = client.post(address, told)
    assert refused.status_code == 400
    assert "needs a reason" in refused.content.decode()
    assert not Lab.objects.exists()
    client.post(address, {**told, "policy_reason": "our school follows that plan"})
    assert Lab.objects.get().policy.key == "cornell"
    event = Event.objects.get(verb="policy-loosened")
    assert event.data["reason"] == "our school follows that plan"


def test_the_first_steps_go_away_one_by_one(client: Client) -> None:
    now = timezone.now()
    head = factories.person("head")
    lab = labs.lab_create(actor=head, now=now, name="New Club", policy="cautious-default")
    client.force_login(head)
    by: dict[str, Any] = {"lab": lab, "actor": head, "now": now}

    def left() -> list[str]:
        text = shown(client, "/labs/new-club/")
        section = re.search(r'id="first-steps".*?</section>', text, re.DOTALL)
        cards = re.findall(r"<li.*?</li>", section[0], re.DOTALL) if section else []
        names = [re.search(r"<strong>(.*?)</strong>", card) for card in cards if ">done<" not in card]
        return [name[1] for name in names if name]

    people, place, stock, test = (
        "Invite the first people", "Name the places", "Bring the stock in", "Log the first peroxide test",
    )  # fmt: skip
    assert left() == [people, place, stock, test]
    labs.member_add(**by, user=factories.person("helper"), role="member")
    places.location_get(lab=lab, name="Vented cabinet")
    assert left() == [stock, test]
    at = factories.Club(lab, {"steward": head})
    bottle = factories.stocked(at, "diethyl-ether", now=now, received_on=today_in(lab, now))
    assert left() == [test]
    safety.test_record(**by, container=bottle, reading="<1", method="strip-25", tested_on=today_in(lab, now))
    assert "First steps" not in shown(client, "/labs/new-club/")


def test_an_auditor_is_asked_for_nothing(client: Client) -> None:
    at = factories.club()
    client.force_login(at.auditor)
    assert "First steps" not in shown(client, f"/labs/{at.lab.slug}/")


@pytest.mark.parametrize("path", EMPTY)
def test_an_empty_page_says_what_to_do_next(client: Client, path: str) -> None:
    lab = labs.lab_create(actor=factories.person("head"), now=timezone.now(), name="New Club")
    client.force_login(lab.memberships.get().user)
    main = shown(client, f"/labs/{lab.slug}/{path}").partition("<main")[2]
    links = re.findall(r"<a [^>]*>(.*?)</a>|<h2[^>]*>(.*?)</h2>", main, re.DOTALL)
    assert EMPTY[path] in " ".join(" ".join(pair) for pair in links), links


def test_a_sample_lab_is_apart_and_goes_away_whole(client: Client) -> None:
    at = factories.club()
    client.force_login(at.steward)
    own = f"/labs/{at.lab.slug}/"
    made = pressed(client, f"{own}sample/")
    lab = Lab.objects.get(is_sample=True)
    assert made.redirect_chain == [(f"/labs/{lab.slug}/", 302)]
    assert "everything here is made up" in made.content.decode()
    assert list(lab.memberships.values_list("user", flat=True)) == [at.steward.pk]
    assert Container.objects.filter(lab=lab).count() == 12
    assert Run.objects.filter(lab=lab, closed_at__isnull=False).count() == 27
    assert audit(lab=lab, full=True).findings == ()
    assert not Container.objects.filter(lab=at.lab).exists()
    assert "You have a sample lab already." in shown(client, f"{own}sample/")
    assert sum(swept.opened for swept in sweep(now=timezone.now(), lab=lab).values()) > 0
    assert not Delivery.objects.exists()
    gone = pressed(client, f"/labs/{lab.slug}/sample/")
    assert gone.redirect_chain[0] == ("/", 302)
    assert client.get(f"/labs/{lab.slug}/").status_code == 404
    assert not Membership.objects.filter(lab=lab).exists()
    assert audit(lab=lab, full=True).findings == ()
    # Nothing of it is due any more; what was open is closed by the next sweep.
    sweep(now=timezone.now(), lab=lab)
    assert not lab.alerts.filter(closed_at=None).exists()


def test_a_real_lab_cannot_be_taken_away(client: Client) -> None:
    from inventory.rules.errors import Conflict
    from recovery.services.sample import sample_remove

    at = factories.club()
    with pytest.raises(Conflict):
        sample_remove(lab=at.lab, actor=at.supervisor, now=timezone.now())
    assert Membership.objects.filter(lab=at.lab).count() == 4
