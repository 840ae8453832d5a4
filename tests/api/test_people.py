"""Invitations, leaving a lab, the state of the server and failed jobs by a program's or person's requests."""

from __future__ import annotations

import pytest
from django.utils import timezone

from inventory.models import EntryLink, Job, Membership
from inventory.services import jobs, labs
from tests.api.client import Api
from tests.factories import Club, club, second_club

pytestmark = pytest.mark.django_db
LAB = "/api/v1/labs/biscuit-club/"


@pytest.fixture
def at() -> Club:
    return club()


def test_an_invitation_is_shown_once_lets_somebody_in_and_is_withdrawn(at: Club) -> None:
    api = Api(at.supervisor)
    address = f"{LAB}invitations/"
    first = api.post(address, {"role": "member"}, key="first")
    assert first.status_code == 201
    made = first.json()
    secret = made.pop("url").rstrip("/").rsplit("/", 1)[1]
    assert labs.entry_link_find(secret=secret, now=timezone.now()) == EntryLink.objects.get(pk=made["id"])
    assert api.post(address, {"role": "member"}, key="first").json() == made
    assert made["state"] == "open"
    assert api.post(address, {"role": "captain"}).status_code == 400
    withdrawn = api.post(f"{address}{made['id']}/revocations/", {})
    assert withdrawn.json()["state"] == "ended"
    assert api.post(f"{address}{made['id']}/revocations/", {}).status_code == 409
    assert labs.entry_link_find(secret=secret, now=timezone.now()) is None
    listed = Api(at.auditor).get(address).json()["results"]
    assert [(row["id"], row["state"]) for row in listed] == [(made["id"], "ended")]
    assert Api(second_club().supervisor).get(f"{address}").status_code == 404


def test_a_member_leaves_and_the_last_supervisor_does_not(at: Club) -> None:
    api = Api(at.supervisor)
    member, head = (at.lab.memberships.get(user=user) for user in (at.member, at.supervisor))
    left = api.post(f"{LAB}members/{member.pk}/removals/", {}, key="leave")
    assert left.status_code == 201
    assert left.json()["username"] == at.member.username
    assert not Membership.objects.filter(pk=member.pk).exists()
    again = api.post(f"{LAB}members/{member.pk}/removals/", {}, key="leave")
    assert (again.status_code, again.json()) == (201, left.json())
    assert api.post(f"{LAB}members/{member.pk}/removals/", {}).status_code == 409
    assert Api(at.member).get(LAB).status_code == 404
    assert api.post(f"{LAB}members/{head.pk}/removals/", {}).status_code == 409


def failed(payload: dict[str, int], key: str) -> Job:
    now = timezone.now()
    jobs.enqueue(name="deliver", key=key, payload=payload, due_at=now, now=now)
    Job.objects.filter(key=key).update(failed_at=now, last_error="TimeoutError: mail.example.org is silent")
    return Job.objects.get(key=key)


def test_failed_jobs_are_this_labs_or_everybodys_and_run_again(at: Club) -> None:
    """Of a job that works for all labs, only the kind of the error is told where there are several labs."""
    other = second_club()
    own, shared = failed({"lab": at.lab.pk}, "own"), failed({}, "shared")
    theirs = failed({"lab": other.lab.pk}, "theirs")
    api = Api(at.steward)
    rows = {row["key"]: row["error"] for row in api.get(f"{LAB}failed-jobs/").json()["results"]}
    assert rows == {"own": "TimeoutError: mail.example.org is silent", "shared": "TimeoutError"}
    assert api.post(f"{LAB}failed-jobs/{theirs.pk}/reruns/", {}).status_code == 404
    answers = [api.post(f"{LAB}failed-jobs/{own.pk}/reruns/", {}, key="again") for _ in range(2)]
    assert [answer.status_code for answer in answers] == [201, 201]
    assert api.post(f"{LAB}failed-jobs/{own.pk}/reruns/", {}).status_code == 409
    own.refresh_from_db()
    assert own.failed_at is None
    state = api.get(f"{LAB}status/").json()
    assert state["jobs"]["failed"] == Job.objects.filter(failed_at__isnull=False).count() == 2
    assert state["guards_missing"] == []
    assert api.post(f"{LAB}ledger-checks/", {}, key="a").json() == {"asked": True}
    assert shared.pk != theirs.pk
