"""What is refused for being none of the choices is answered with the choices."""

from __future__ import annotations

from typing import Any

import pytest
from django.utils import timezone

from inventory.models import LOST_TO, StorageLimit
from inventory.rules.storage import CATEGORIES, MATERIALS, load_templates
from inventory.services.places import location_get
from recovery.services import runs
from tests.api.client import Api, base, token_for
from tests.factories import Club, club

pytestmark = pytest.mark.django_db


@pytest.fixture
def lab(db: None) -> Club:
    return club(now=timezone.now())


@pytest.fixture
def api(lab: Club) -> Api:
    return Api(token=token_for(lab, "steward", "manage"))


def fault(answer: Any, pointer: str) -> dict[str, str]:
    assert answer.status_code == 400, answer.content
    return next(error for error in answer.json()["errors"] if error["pointer"] == pointer)


def test_a_field_names_its_choices(lab: Club, api: Api) -> None:
    answer = api.post(f"{base(lab)}containers/", {"capacity": "1 L", "opened": "ajar"})
    found = fault(answer, "/opened")
    assert (found["code"], found["remedy"]) == ("invalid-choice", "Use one of: unopened, opened, unknown.")


def test_so_do_fields_inside_of_others_and_in_lists(lab: Club, api: Api) -> None:
    shelf = location_get(lab=lab.lab, name="Vented cabinet")
    own = {
        "name": "x",
        "limit": "1 L",
        "code": "x",
        "source": "x",
        "categories": ["1", "nine"],
        "materials": ["tin"],
    }
    answer = api.post(f"{base(lab)}locations/{shelf.pk}/limits/", {"own": own})
    known = [category for held in CATEGORIES.values() for category in held]
    assert all(word in fault(answer, "/own/categories/1")["remedy"] for word in known)
    assert fault(answer, "/own/materials/0")["remedy"] == f"Use one of: {', '.join(MATERIALS)}."


def test_and_in_a_list_of_objects(lab: Club, api: Api) -> None:
    run = runs.run_start(lab=lab.lab, actor=lab.member, now=timezone.now(), purpose="fat in biscuits")
    body = {"losses": [{"to": "air", "volume": "1 mL"}, {"to": "the-drain", "volume": "1 mL"}]}
    found = fault(api.post(f"{base(lab)}runs/{run.pk}/closings/", body), "/losses/1/to")
    assert found["remedy"] == f"Use one of: {', '.join(LOST_TO)}."


def test_a_parameter_does_too(lab: Club, api: Api) -> None:
    found = fault(api.get(f"{base(lab)}deliveries/?state=lost"), "/state")
    assert "failed" in found["remedy"]
    assert "waiting" in found["remedy"]


def applied(lab: Club, api: Api, template: dict[str, str]) -> Any:
    room = location_get(lab=lab.lab, name="Prep room", kind="room")
    return api.post(f"{base(lab)}locations/{room.pk}/limits/", {"template": template})


def test_a_row_of_the_table_keeps_its_name_unless_it_is_given_another(lab: Club, api: Api) -> None:
    assert applied(lab, api, {"key": "uk-workroom"}).status_code == 201
    assert StorageLimit.objects.get().name == load_templates()["uk-workroom"].name
    StorageLimit.objects.all().delete()
    assert (
        applied(lab, api, {"key": "uk-workroom", "name": "Our room"}).json()["results"][0]["name"]
        == "Our room"
    )
    StorageLimit.objects.all().delete()
    # The key alone under its older name.
    assert applied(lab, api, {"name": "uk-workroom"}).json()["results"][0]["template"] == "uk-workroom"


def test_a_set_has_no_one_name_and_nothing_is_no_row(lab: Club, api: Api) -> None:
    assert fault(applied(lab, api, {"key": "ifc", "name": "Ours"}), "/template/name")["code"] == "several"
    assert fault(applied(lab, api, {}), "/template/key")["code"] == "missing"
