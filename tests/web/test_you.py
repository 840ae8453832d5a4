"""The page "You": name, language, unit, password, and the places where one is signed in."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.contrib.sessions.models import Session
from django.test import Client
from django.utils import timezone

from inventory.models import SignedIn, User
from inventory.services import sessions
from tests import factories
from tests.web.test_signing_in import attempt

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("no_attempts")]
FIREFOX = "Mozilla/5.0 (X11; Linux x86_64; rv:140.0) Gecko/20100101 Firefox/140.0"
PHONE = "Mozilla/5.0 (Linux; Android 10; K) AppleWebKit/537.36 Chrome/140.0.0.0 Mobile Safari/537.36"
NEW = "seven leaf pigments"


@pytest.fixture
def ada() -> User:
    return factories.person("ada")


def signed_in(agent: str = FIREFOX, name: str = "ada") -> Client:
    client = Client(headers={"user-agent": agent})
    assert attempt(client, name, factories.PASSWORD)["Location"] == "/"
    return client


def inside(client: Client) -> bool:
    return client.get("/you/").status_code == 200


def test_name_language_and_unit_are_kept_and_take_effect() -> None:
    at = factories.club()
    factories.stocked(at, "ethyl-acetate", "500 mL")
    client = signed_in(name=at.member.username)
    shelf = f"/labs/{at.lab.slug}/shelf/"
    assert "500.0\u00a0mL" in client.get(shelf).content.decode()
    form = {"name": "Ada of the biscuits", "language": "de", "volume_unit": "L"}
    assert client.post("/you/", form)["Location"] == "/you/"
    page = client.get(shelf).content.decode()
    assert "0,5000\u00a0L" in page
    assert '<html lang="de"' in page
    assert "Ada of the biscuits" in page
    other = signed_in(name=at.steward.username).get(shelf).content.decode()
    assert "500.0\u00a0mL" in other
    assert '<html lang="en-gb"' in other


def test_what_is_not_offered_is_refused(ada: User) -> None:
    client = signed_in()
    for form in ({"language": "xx"}, {"volume_unit": "barrel"}, {"name": "x" * 151}):
        assert client.post("/you/", form).status_code == 400
    ada.refresh_from_db()
    assert (ada.language, ada.volume_unit, ada.first_name) == ("", "", "Ada")


def test_a_new_password_signs_out_everywhere_else(ada: User) -> None:
    here, there = signed_in(), signed_in(PHONE)
    form = {"now_password": factories.PASSWORD, "password": NEW, "again": NEW}
    assert here.post("/you/password/", form)["Location"] == "/you/"
    assert (inside(here), inside(there)) == (True, False)
    assert Session.objects.count() == SignedIn.objects.count() == 1
    assert attempt(Client(), "ada", NEW)["Location"] == "/"
    assert attempt(Client(), "ada", factories.PASSWORD).status_code == 200


@pytest.mark.parametrize(
    ("form", "words"),
    [
        ({"now_password": "wrong"}, "This is not your password."),
        ({"again": "something else"}, "This is not the same password."),
        ({"password": "1234567890", "again": "1234567890"}, "entirely numeric"),
        ({"password": "short", "again": "short"}, "too short"),
    ],
)
def test_a_password_that_will_not_do_is_refused(ada: User, form: dict[str, str], words: str) -> None:
    good = {"now_password": factories.PASSWORD, "password": NEW, "again": NEW}
    answer = signed_in().post("/you/password/", {**good, **form})
    assert answer.status_code == 400
    assert words in answer.content.decode()
    assert NEW not in answer.content.decode(), "a password is never sent back"


def test_places_are_listed_with_what_the_browser_calls_itself(ada: User) -> None:
    here, _there = signed_in(), signed_in(PHONE)
    signed_in(name=factories.person("bee").username)
    page = here.get("/you/places/").content.decode()
    assert page.index("Firefox on Linux") < page.index("this one") < page.index("Chrome on Android")
    assert page.count('name="place"') == 1
    keys = Session.objects.values_list("session_key", flat=True)
    assert not [key for key in keys if key in page], "whoever reads a key can use the session"


def test_a_place_that_is_ended_is_ended_at_its_next_page(ada: User) -> None:
    here, there = signed_in(), signed_in(PHONE)
    place = SignedIn.objects.get(agent=PHONE).pk
    for _ in range(2):  # tapped twice
        assert here.post("/you/places/", {"place": place})["Location"] == "/you/places/"
    assert (inside(here), inside(there)) == (True, False)
    assert there.get("/labs/biscuit-club/")["Location"].startswith("/login/")


def test_all_others_end_at_once_and_nobody_elses(ada: User) -> None:
    bee = signed_in(name=factories.person("bee").username)
    here, there, third = signed_in(), signed_in(PHONE), signed_in("")
    here.post("/you/places/", {"place": str(SignedIn.objects.get(user__username="bee").pk)})
    assert inside(bee)
    here.post("/you/places/")
    assert [inside(each) for each in (here, there, third, bee)] == [True, False, False, True]


def test_signing_out_takes_the_place_off_the_list(ada: User) -> None:
    client = signed_in()
    client.post("/logout/")
    assert not SignedIn.objects.exists()


def test_a_place_is_seen_now_and_then_and_forgotten_when_its_time_is_over(ada: User) -> None:
    client = signed_in()
    long_ago = timezone.now() - timedelta(days=3)
    SignedIn.objects.update(seen_at=long_ago)
    client.get("/you/")
    assert SignedIn.objects.get().seen_at == long_ago, "not with every page"
    kept = client.session
    kept["seen"] = int(long_ago.timestamp())
    kept.save()
    client.get("/you/")
    assert SignedIn.objects.get().seen_at > long_ago
    Session.objects.update(expire_date=long_ago)
    assert sessions.places_of(user=ada, now=timezone.now(), session_key="") == []
    sessions.prune(now=timezone.now())
    assert not SignedIn.objects.exists()


def test_a_session_from_before_is_listed_from_its_next_page_on(ada: User) -> None:
    client = signed_in()
    SignedIn.objects.all().delete()
    kept = client.session
    del kept["seen"]
    kept.save()
    assert "this one" in client.get("/you/places/").content.decode()
