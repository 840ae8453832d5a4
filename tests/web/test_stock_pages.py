"""Pages of places, limits, solvents, levels and strips, and labels for many at once.

Who may see and do what stands in the permission table; here is what each deed does. 60 US gallons are
227.125 L: NIST Handbook 44, Appendix C (from memory).
"""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from inventory.models import Event, Location, Reagent, Solvent, StockLevel, StorageLimit
from inventory.services import places, reagents
from tests import factories
from tests.factories import Club
from tests.web.plain_forms import as_csv, key_of, shown, where

pytestmark = pytest.mark.django_db
THF, ETHER = "tetrahydrofuran", "diethyl-ether"


@pytest.fixture
def at() -> Club:
    return factories.club(now=timezone.now() - timedelta(days=30))


def sent(client: Client, address: str, told: dict[str, Any], status: int = 302) -> str:
    """The page after a form was sent twice, as by a double tap; of a refusal, the form with its words."""
    told = {"key": key_of(shown(client, address)), **told}
    answer = client.post(address, told)
    assert answer.status_code == status, answer.content.decode()
    if status != 302:
        return answer.content.decode().replace("&#x27;", "'").replace("&quot;", '"')
    assert client.post(address, told).status_code == 302
    return shown(client, answer["Location"])


def bottle(at: Club, code: str, key: str = THF, amount: str = "500 mL", **facts: Any) -> Any:
    now = timezone.now() - timedelta(days=1)
    return factories.stocked(at, key, amount, code=code, now=now, received_on=now.date(), **facts)


def test_a_place_comes_is_renamed_moves_and_goes(client: Client, at: Club) -> None:
    client.force_login(at.steward)
    assert "No place is on record yet" in shown(client, where(at, "storage/"))
    sent(client, where(at, "storage/add/"), {"name": "Room 1", "kind": "room"})
    room = Location.objects.get(name="Room 1")
    told = {"name": "Blue cabinet", "kind": "cabinet", "parent": room.pk}
    assert "Blue cabinet is there now" in sent(client, where(at, "storage/add/"), told)
    cabinet = Location.objects.get(name="Blue cabinet")
    own = where(at, f"storage/{cabinet.pk}/")
    assert "Room 1" in shown(client, own)
    refused = sent(client, where(at, "storage/add/"), {"name": "blue  CABINET", "kind": "shelf"}, 400)
    assert "The lab has a location of that name." in refused and 'value="blue  CABINET"' in refused
    told = {
        "name": "Green cabinet",
        "kind": "cabinet",
        "parent": "",
        "room_volume": "60",
        "air_changes": "4,5",
    }
    page = sent(client, f"{own}change/", told)
    cabinet.refresh_from_db()
    assert (cabinet.name, cabinet.parent_id, cabinet.version) == ("Green cabinet", None, 2)
    assert "4.50" in page
    bottle(at, "B-1", location=cabinet)
    assert "containers stand in it" in sent(client, f"{own}end/", {"reason": "sold to the school"}, 400)
    ended = where(at, f"storage/{room.pk}/end/")
    assert "Room 1 is out of use" in sent(client, ended, {"reason": "given up"})
    assert Event.objects.filter(verb="location-ended").count() == 1


def test_limits_hold_tell_their_use_and_loosen_only_by_a_supervisor(client: Client, at: Club) -> None:
    cabinet = places.location_get(lab=at.lab, name="Blue cabinet", kind="cabinet")
    shelf = places.location_get(lab=at.lab, name="Shelf", kind="shelf", parent=cabinet)
    bottle(at, "B-1", location=shelf)
    bottle(at, "B-2", ETHER, "300 mL", location=cabinet)
    client.force_login(at.steward)
    adding = where(at, f"storage/{cabinet.pk}/limit/")
    page = sent(client, adding, {"template": "osha-cabinet"})
    assert "29 CFR 1910.106(d)(3)(i)" in page
    row = StorageLimit.objects.get(key="osha-cabinet-1-3")
    assert row.limit_ul == 227_124_707
    own = {"name": "School rule", "amount": "0.7", "unit": "L", "measure": "total", "liquids": "",
           "effect": "warn", "code": "school rule 4", "source": "the caretaker"}  # fmt: skip
    page = sent(client, f"{adding}?own=1", own)
    assert "100.0" in page and "too much" in page and "the caretaker" in page
    limit = StorageLimit.objects.get(name="School rule")
    assert limit.limit_ul == 700_000
    over = next(one for one in as_csv(client, where(at, "storage.csv")) if one["limit"] == "School rule")
    assert (over["used_ul"], over["over_ul"], over["percent"]) == ("800000", "100000", "114.3")
    told = {"name": "School rule", "amount": "2", "unit": "L", "effect": "warn", "source": "the caretaker"}
    refused = sent(client, where(at, f"limits/{limit.pk}/change/"), told, 400)
    assert "supervisor" in refused and 'value="2"' in refused
    sent(client, where(at, f"limits/{limit.pk}/change/"), {**told, "amount": "0.5"})  # stricter is free
    assert client.get(where(at, f"limits/{limit.pk}/end/")).status_code == 403
    client.force_login(at.supervisor)
    told["reason"] = "the caretaker agreed in writing"
    sent(client, where(at, f"limits/{limit.pk}/change/"), told)
    limit.refresh_from_db()
    assert limit.limit_ul == 2_000_000
    assert Event.objects.get(verb="limit-loosened").data["reason"] == told["reason"]
    sent(client, where(at, f"limits/{limit.pk}/end/"), {"reason": "a new rule takes its place"})
    assert "School rule" not in [one["limit"] for one in as_csv(client, where(at, "storage.csv"))]


def test_a_file_for_a_spreadsheet_carries_no_formula(client: Client, at: Club) -> None:
    places.location_get(lab=at.lab, name="=1+1", kind="room")
    client.force_login(at.member)
    assert [row["place"] for row in as_csv(client, where(at, "storage.csv"))] == ["'=1+1"]


def test_solvents_with_their_stock_levels_and_one_of_our_own(client: Client, at: Club) -> None:
    bottle(at, "B-1")
    bottle(at, "B-2", amount="300 mL", origin="recovered")
    client.force_login(at.steward)
    thf = Solvent.objects.get(lab=None, key=THF)
    page = shown(client, where(at, f"solvents/{thf.pk}/"))
    assert "H225" in page and "CoolProp" in page and "500.0" in page and "300.0" in page
    # The way to its containers leads somewhere also where the lab has none of it.
    assert 'class="code"' in shown(client, where(at, f"shelf/?solvent={thf.pk}"))
    dioxane = Solvent.objects.get(lab=None, key="1-4-dioxane")
    empty = shown(client, where(at, f"shelf/?solvent={dioxane.pk}"))
    assert "Nothing fits that." in empty and "Select a valid choice" not in empty
    assert "180 °C</strong>" in shown(client, where(at, f"solvents/{dioxane.pk}/")).replace("\u00a0", " ")
    page = sent(client, where(at, f"solvents/{thf.pk}/level/"), {"amount": "2", "unit": "L"})
    assert "runs short" in page
    assert StockLevel.objects.get(solvent=thf).minimum_ul == 2_000_000
    (row,) = as_csv(client, where(at, "solvents.csv?which=short"))
    assert (row["fresh_ul"], row["recovered_ul"], row["level_ul"]) == ("500000", "300000", "2000000")
    assert row["density_source"]
    sent(client, where(at, f"solvents/{thf.pk}/level/"), {"amount": "", "unit": "L"})
    assert as_csv(client, where(at, "solvents.csv?which=level")) == []
    assert [one["cas"] for one in as_csv(client, where(at, "solvents.csv?q=THF"))] == ["109-99-9"]
    # Thiophene, of the tables of the library and not of the catalogue.
    page = sent(client, where(at, "solvents/add/"), {"cas": "110-02-1"})
    own = Solvent.objects.get(lab=at.lab)
    assert "handled as the worst" in page
    confirm = where(at, f"solvents/{own.key}/confirm/")
    assert "required" in sent(client, confirm, {"peroxide_class": "none", "basis": ""}, 400)
    sent(client, confirm, {"peroxide_class": "none", "basis": "data sheet of the maker, section 10"})
    own.refresh_from_db()
    assert (own.state, own.peroxide_class) == ("confirmed", "none")
    assert client.get(where(at, "solvents/no-such/")).status_code == 404


def test_strips_are_added_and_last_longer_only_by_a_supervisor(client: Client, at: Club) -> None:
    client.force_login(at.steward)
    today = timezone.localdate()
    told = {"method": "strip-25", "name": "Strips of spring", "maker_lot": "L7",
            "expiry_on": (today + timedelta(days=90)).isoformat()}  # fmt: skip
    page = sent(client, where(at, "reagents/add/"), told)
    assert "Strips of spring" in page and "the maker's expiry" in page
    row = Reagent.objects.get()
    later = {**told, "expiry_on": (today + timedelta(days=120)).isoformat()}
    assert "supervisor" in sent(client, where(at, f"reagents/{row.pk}/change/"), later, 400)
    past = {**told, "expiry_on": (today - timedelta(days=1)).isoformat()}
    assert "past its last day" in sent(client, where(at, f"reagents/{row.pk}/change/"), past)
    client.force_login(at.supervisor)
    later["reason"] = "the label was misread at first"
    sent(client, where(at, f"reagents/{row.pk}/change/"), later)
    row.refresh_from_db()
    assert row.use_by_on == today + timedelta(days=120)
    sent(client, where(at, f"reagents/{row.pk}/end/"), {})
    assert as_csv(client, where(at, "reagents.csv")) == []
    assert [one["name"] for one in as_csv(client, where(at, "reagents.csv?ended=1"))] == ["Strips of spring"]


def test_a_strength_that_nobody_touched_keeps_its_uncertainty(client: Client, at: Club) -> None:
    from decimal import Decimal

    row = reagents.reagent_add(
        lab=at.lab, actor=at.steward, now=timezone.now(), method="iodometric-titration", name="thiosulfate",
        strength=reagents.Strength(Decimal("0.1"), Decimal("0.0005")),
    )  # fmt: skip
    client.force_login(at.steward)
    told = {"name": "thiosulfate 0.1", "concentration": "0.1"}
    sent(client, where(at, f"reagents/{row.pk}/change/"), told)
    row.refresh_from_db()
    assert (row.name, row.u_concentration_mol_per_l) == ("thiosulfate 0.1", Decimal("0.0005"))


def test_labels_for_those_ticked_on_the_shelf(client: Client, at: Club) -> None:
    for code in ("B-1", "B-2", "B-3"):
        bottle(at, code)
    client.force_login(at.member)
    page = shown(client, where(at, "shelf/"))
    assert page.count('type="checkbox" name="codes"') == 3
    asked = shown(client, where(at, "labels/?codes=B-1&codes=B-3"))
    assert ">\nB-1 B-3</textarea>" in asked
    assert "codes=B-1%20B-2%20B-3" in page
