"""Labs, the people in them, one-time links and tokens. Races are in tests/concurrency."""

from __future__ import annotations

import json
from datetime import timedelta
from typing import Any

import pytest
from django.core import serializers
from django.db.models import Model
from django.http import Http404

from inventory import access
from inventory.models import BOUNDARIES, ApiToken, EntryLink, Event, Lab, Membership, Place, User
from inventory.rules.errors import Conflict, Denied, InputError
from inventory.rules.roles import ROLE_PERMISSIONS
from inventory.services import labs
from tests import factories as make

pytestmark = pytest.mark.django_db


def stored(*models: type[Model]) -> str:
    """All that the database keeps of these models."""
    return "".join(serializers.serialize("json", model._default_manager.all()) for model in models)


def test_a_lab_comes_with_its_places_policy_and_supervisor() -> None:
    actor = make.person("ada")
    lab = labs.lab_create(actor=actor, now=make.NOW, name="Biscuit Club", time_zone="Europe/Dublin")
    assert (lab.slug, lab.policy.key) == ("biscuit-club", "cautious-default")
    assert sorted(lab.places.values_list("kind", flat=True)) == sorted(BOUNDARIES)
    assert Membership.objects.get(lab=lab).role == "supervisor"
    assert Event.objects.get(lab=lab, verb="lab-created").actor == actor


@pytest.mark.parametrize(
    ("facts", "field", "code"),
    [
        ({"time_zone": "Mars/Olympus"}, "time_zone", "unknown-time-zone"),
        ({"name": "!!"}, "name", "name-missing"),
        ({"name": "Biscuit club"}, "slug", "slug-taken"),
    ],
)
def test_a_lab_that_cannot_be(facts: dict[str, Any], field: str, code: str) -> None:
    actor = make.person("ada")
    labs.lab_create(actor=actor, now=make.NOW, name="Biscuit Club")
    with pytest.raises(InputError) as refusal:
        labs.lab_create(actor=actor, now=make.NOW, **{"name": "Leaf Club", **facts})
    assert (refusal.value.field, refusal.value.code) == (field, code)
    assert Lab.objects.count() == 1
    assert Place.objects.count() == len(BOUNDARIES)


def role_of(club: make.Club, user: User) -> str:
    return Membership.objects.get(lab=club.lab, user=user).role


def test_the_last_supervisor_stays() -> None:
    club = make.club()
    at: dict[str, Any] = {"lab": club.lab, "actor": club.supervisor, "now": make.NOW}
    with pytest.raises(Conflict) as refusal:
        labs.member_add(**at, user=club.supervisor, role="steward")
    assert refusal.value.code == "last-supervisor"
    labs.member_add(**at, user=club.steward, role="supervisor")
    labs.member_add(**at, user=club.supervisor, role="member")
    assert (role_of(club, club.supervisor), role_of(club, club.steward)) == ("member", "supervisor")
    with pytest.raises(InputError, match="not a role"):
        labs.member_add(**at, user=club.member, role="owner")


def test_a_supervisor_who_cannot_sign_in_is_none() -> None:
    club = make.club()
    at: dict[str, Any] = {"lab": club.lab, "actor": club.supervisor, "now": make.NOW}
    labs.member_add(**at, user=club.steward, role="supervisor")
    User.objects.filter(pk=club.steward.pk).update(is_active=False)
    with pytest.raises(Conflict, match="needs a supervisor"):
        labs.member_add(**at, user=club.supervisor, role="member")


# -- one-time links


def use(secret: str, username: str = "ada", **fields: Any) -> tuple[User, Lab]:
    fields = {"name": "Biscuit Club", **fields}
    return labs.entry_link_use(
        secret=secret, now=make.NOW, username=username, password=make.PASSWORD, **fields
    )


def spent(secret: str, username: str) -> None:
    with pytest.raises(InputError) as refusal:
        use(secret, username)
    assert refusal.value.code == "link-spent"
    assert not User.objects.filter(username=username).exists()


def test_the_first_link_makes_the_first_person_and_lab_once() -> None:
    secret = labs.setup_link_create(now=make.NOW)
    assert secret is not None
    assert secret not in stored(EntryLink), "the database does not know the way in"
    user, lab = use(secret)
    assert role_of(make.Club(lab), user) == "supervisor"
    assert user.check_password(make.PASSWORD)
    spent(secret, "second")
    assert labs.setup_link_create(now=make.NOW) is None
    assert EntryLink.objects.get().used_by == user


def test_a_newer_link_ends_an_older_one() -> None:
    older, newer = labs.setup_link_create(now=make.NOW), labs.setup_link_create(now=make.NOW)
    assert older is not None
    assert newer is not None
    spent(older, "early")
    use(newer)


def test_links_end_by_themselves() -> None:
    club = make.club()
    link, secret = labs.invitation_create(lab=club.lab, actor=club.supervisor, role="member", now=make.NOW)
    assert labs.entry_link_find(secret=secret, now=link.expires_at - timedelta(seconds=1)) == link
    assert labs.entry_link_find(secret=secret, now=link.expires_at) is None
    assert labs.entry_link_find(secret="guess", now=make.NOW) is None


def test_a_setup_link_is_worth_nothing_once_somebody_can_sign_in() -> None:
    secret = labs.setup_link_create(now=make.NOW)
    assert secret is not None
    make.person("came-another-way")
    spent(secret, "late")


def test_a_mistyped_form_does_not_spend_the_link() -> None:
    secret = labs.setup_link_create(now=make.NOW)
    assert secret is not None
    for username, password in (("ada", "short"), ("  ", make.PASSWORD)):
        with pytest.raises(InputError) as refusal:
            labs.entry_link_use(
                secret=secret, now=make.NOW, username=username, password=password, name="Biscuit Club"
            )
        assert refusal.value.field in {"username", "password"}
    with pytest.raises(InputError, match="not a time zone"):
        use(secret, time_zone="Moon")
    assert not User.objects.exists()
    use(secret)


def test_an_invitation_gives_its_role() -> None:
    club = make.club()
    link, secret = labs.invitation_create(lab=club.lab, actor=club.supervisor, role="auditor", now=make.NOW)
    user, lab = use(secret)
    assert (lab, role_of(club, user)) == (club.lab, "auditor")
    made = Event.objects.get(verb="invitation-made")
    assert (made.actor, made.subject_id, made.data["role"]) == (club.supervisor, link.pk, "auditor")
    assert secret not in str(made.data)
    spent(secret, "second")


# -- tokens


def token_for(club: make.Club, **changes: Any) -> tuple[ApiToken, str]:
    facts: dict[str, Any] = {"name": "balance", "scope": "log", **changes}
    return labs.token_create(lab=club.lab, actor=club.steward, now=make.NOW, **facts)


def test_a_token_is_shown_once_and_kept_as_a_digest() -> None:
    club = make.club()
    token, secret = token_for(club)
    assert ApiToken.objects.get_from_key(secret) == token
    kept = stored(ApiToken, Event)
    assert secret not in kept
    assert secret.split(".", 1)[1] not in kept
    assert json.loads(kept.replace("][", ","))
    # A digest of a long random secret needs no salt, but it must be no plain copy.
    assert len(token.hashed_key) > len(secret)
    with pytest.raises(ApiToken.DoesNotExist):
        ApiToken.objects.get_from_key(secret[:-1] + ("a" if secret[-1] != "a" else "b"))


def test_a_token_ends() -> None:
    club = make.club()
    token, secret = token_for(club)
    labs.token_revoke(token=token, actor=club.steward, now=make.NOW)
    with pytest.raises(Conflict, match="ended already"):
        labs.token_revoke(token=token, actor=club.steward, now=make.NOW)
    assert not ApiToken.objects.is_valid(secret)


@pytest.mark.parametrize(
    ("changes", "field"),
    [({"scope": "all"}, "scope"), ({"name": "  "}, "name"), ({"expires_at": make.NOW}, "expires_at")],
)
def test_a_token_that_cannot_be(changes: dict[str, Any], field: str) -> None:
    with pytest.raises(InputError) as refusal:
        token_for(make.club(), **changes)
    assert refusal.value.field == field


# -- the one door


def test_strangers_and_people_who_have_left_get_404() -> None:
    club, other = make.club(), make.second_club()
    assert access.enter(club.member, "biscuit-club").role == "member"
    for user, slug in ((other.member, "biscuit-club"), (club.member, "leaf-club"), (club.member, "none")):
        with pytest.raises(Http404):
            access.enter(user, slug)
    User.objects.filter(pk=club.member.pk).update(is_active=False)
    with pytest.raises(Http404):
        access.enter(club.member, "biscuit-club")


def test_a_token_opens_its_own_lab_alone() -> None:
    club, other = make.club(), make.second_club()
    labs.member_add(lab=other.lab, actor=other.supervisor, now=make.NOW, user=club.steward, role="supervisor")
    token, _ = token_for(club)
    assert access.enter(club.steward, "biscuit-club", token).lab == club.lab
    with pytest.raises(Http404):
        access.enter(club.steward, "leaf-club", token)
    assert list(access.labs_of(club.steward, token)) == [club.lab]
    assert list(access.labs_of(club.steward)) == [club.lab, other.lab]


def test_a_token_narrows_what_its_owner_may() -> None:
    club = make.club()
    token, _ = token_for(club, scope="log")
    caller = access.enter(club.steward, "biscuit-club", token)
    caller.require("stock.draw")
    with pytest.raises(Denied) as narrow:
        caller.require("stock.count")
    assert narrow.value.code == "scope-too-narrow"
    with pytest.raises(Denied) as role:
        access.enter(club.auditor, "biscuit-club").require("stock.draw")
    assert role.value.code == "not-allowed"
    assert caller.permissions < ROLE_PERMISSIONS["steward"]


def test_objects_of_another_lab_are_not_found() -> None:
    club, other = make.club(), make.second_club()
    theirs, own = make.stocked(other), make.stocked(club)
    caller = access.enter(club.member, "biscuit-club")
    containers = type(own).objects.all()
    assert caller.by_id(containers, str(own.pk)) == own
    for ref in (str(theirs.pk), "0", "-1", "x", "", "²", "9" * 19, "9" * 20, "9" * 5000, f" {own.pk}"):
        with pytest.raises(Http404):
            caller.by_id(containers, ref)
    with pytest.raises(Http404):
        access.entry_id("not-a-uuid")
