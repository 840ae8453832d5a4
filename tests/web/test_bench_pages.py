"""The bench pages: one container, what may be done with it, scanning, the shelf, receiving and runs."""

from __future__ import annotations

import csv
import io
import re
from datetime import timedelta
from html import unescape
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from inventory.models import Container, Event, Movement, Observation, PeroxideTest
from inventory.selectors.due import today_in
from inventory.services import places, safety
from inventory.services.reversal import reverse
from recovery.models import Run
from recovery.services import runs
from tests import factories
from tests.factories import Club

pytestmark = pytest.mark.django_db
KEY = re.compile(r'name="key" value="([0-9a-f-]{36})"')


@pytest.fixture
def at() -> Club:
    return factories.club()


def bottle(at: Club, key: str = "ethyl-acetate", amount: str = "500 mL", **facts: Any) -> Container:
    now = timezone.now()
    return factories.stocked(at, key, amount, now=now, received_on=today_in(at.lab, now), **facts)


def where(at: Club, *parts: Any) -> str:
    return "/".join(["", "labs", at.lab.slug, *map(str, parts), ""])


def shown(client: Client, address: str) -> str:
    answer = client.get(address)
    assert answer.status_code == 200, address
    return unescape(answer.content.decode())


def sent(client: Client, address: str, **told: Any) -> Any:
    """A form filled in and sent as a browser would, with the key that it was shown with."""
    key = KEY.search(client.get(address).content.decode())
    assert key is not None
    return client.post(address, {"key": key[1], **told})


def test_a_container_says_first_whether_it_may_be_used_and_why(client: Client, at: Club) -> None:
    held = bottle(at, "tetrahydrofuran")
    safety.test_record(
        lab=at.lab, actor=at.member, now=timezone.now(), container=held, reading="120 mg/L",
        method="strip-100", tested_on=today_in(at.lab, timezone.now()),
    )  # fmt: skip
    client.force_login(at.member)
    text = shown(client, where(at, "containers", held.code))
    assert (
        text.index("Do not touch: get help") < text.index("Draw from it") < text.index("What happened to it")
    )
    assert "Source:" in text
    assert "Ring 112." in text
    assert "It has been done all the same" in text


def test_drawing_takes_an_amount_and_goes_back_to_the_container(client: Client, at: Club) -> None:
    held = bottle(at)
    client.force_login(at.member)
    answer = sent(
        client, where(at, "containers", held.code, "draw"), amount="120,5", unit="mL", to="unaccounted"
    )
    assert answer.status_code == 302
    assert answer["Location"] == where(at, "containers", held.code)
    held.refresh_from_db()
    assert held.volume_ul == 379_500
    assert "holds 379.5" in shown(client, answer["Location"])


def test_a_double_tap_draws_once_and_tells_the_same(client: Client, at: Club) -> None:
    held = bottle(at)
    client.force_login(at.member)
    address = where(at, "containers", held.code, "draw")
    told = {"key": "11111111-2222-4333-8444-555555555555", "amount": "100", "unit": "mL", "to": "air"}
    first, second = client.post(address, told), client.post(address, told)
    assert first.status_code == second.status_code == 302
    held.refresh_from_db()
    assert held.volume_ul == 400_000
    changed = client.post(address, {**told, "amount": "200"})
    assert changed.status_code == 400
    assert "has been recorded already" in changed.content.decode()
    again = KEY.search(changed.content.decode())
    assert again is not None
    assert again[1] != told["key"]


@pytest.mark.parametrize(
    ("amount", "words"),
    [("600", "500"), ("much", "number"), ("-5", "0"), ("0", "0")],
)
def test_what_cannot_be_drawn_is_told_at_the_field_and_stays_typed(
    client: Client, at: Club, amount: str, words: str
) -> None:
    held = bottle(at)
    client.force_login(at.member)
    answer = sent(
        client,
        where(at, "containers", held.code, "draw"),
        amount=amount,
        unit="mL",
        to="air",
        note="for the plates",
    )
    text = unescape(answer.content.decode())
    assert answer.status_code == 400
    assert "errorlist" in text or 'role="alert"' in text
    assert f'value="{amount}"' in text
    assert "for the plates" in text
    assert words in text
    held.refresh_from_db()
    assert held.volume_ul == 500_000
    assert not Movement.objects.filter(kind="draw").exists()


def test_the_form_opens_with_the_run_and_unit_of_the_last_time(client: Client, at: Club) -> None:
    now = timezone.now()
    held = bottle(at, amount="2 L", capacity_ul=2_500_000)
    own: dict[str, Any] = {"lab": at.lab, "actor": at.member, "now": now}
    runs.run_start(**own, purpose="thin-layer plates")
    run = runs.run_start(**own, purpose="leaf pigments", distils=False)
    runs.charge(**own, run=run, container=held, amount={"value": "0.2", "unit": "L"})
    runs.run_start(lab=at.lab, actor=at.steward, now=now, purpose="fat in biscuits")
    client.force_login(at.member)
    text = shown(client, where(at, "containers", held.code))
    assert f'value="run:{run.pk}" selected' in text
    assert '<option value="L" selected>' in text


LAST = re.compile(r'data-portion="([^"]*)"')
PORTION = re.compile(r'<datalist id="id_amount-portions">(.*?)</datalist>', re.DOTALL)


def test_the_form_has_the_amount_of_the_last_time_ready(client: Client, at: Club) -> None:
    now = timezone.now()
    held = bottle(at, amount="90 mL")
    own: dict[str, Any] = {"lab": at.lab, "actor": at.member, "now": now}
    run = runs.run_start(**own, purpose="leaf pigments", distils=False)
    client.force_login(at.member)
    page = where(at, "containers", held.code)
    assert not LAST.search(shown(client, page))
    for value in ("20", "2.5", "20", "12"):
        own["now"] = timezone.now()
        runs.charge(**own, run=run, container=held, amount={"value": value, "unit": "mL"})
    (wrong,) = Movement.objects.filter(kind="charge", volume_ul=12_000)
    text = shown(client, page)
    assert LAST.findall(text) == ["12"]
    # Each amount once, the newest first, as many as a thumb finds.
    (listed,) = PORTION.findall(text)
    assert re.findall(r'value="([^"]+)"', listed) == ["12", "20", "2.5"]
    assert 'list="id_amount-portions"' in text
    assert "Your last draw: 12\N{NO-BREAK SPACE}mL" in text
    # What was taken back was a mistake, and nobody is led to repeat it.
    own["now"] = timezone.now()
    reverse(**own, entry=wrong.entry, reason="misread")
    text = shown(client, page)
    assert LAST.findall(text) == ["20"]
    assert "12" not in PORTION.findall(text)[0]
    client.cookies["django_language"] = "de"
    runs.charge(**own, run=run, container=held, amount={"value": "2.5", "unit": "mL"})
    assert LAST.findall(shown(client, page)) == ["2,5"]


def test_an_amount_that_cannot_be_meant_is_listed_but_not_ready(client: Client, at: Club) -> None:
    now = timezone.now()
    full, little = bottle(at, amount="500 mL"), bottle(at, amount="15 mL")
    own: dict[str, Any] = {"lab": at.lab, "actor": at.member, "now": now}
    run = runs.run_start(**own, purpose="leaf pigments", distils=False)
    runs.charge(**own, run=run, container=full, amount={"value": "20", "unit": "mL"})
    client.force_login(at.member)
    text = shown(client, where(at, "containers", little.code))
    assert not LAST.search(text), "more than there is"
    assert PORTION.search(text)
    back = shown(client, where(at, "containers", full.code, "put-in"))
    assert not LAST.search(back), "nobody knows what comes back"
    # Just after one was recorded a tap too many would record it again.
    assert "data-ready" in shown(client, where(at, "containers", full.code, "draw"))
    again = {"amount": "20", "unit": "mL", "to": f"run:{run.pk}"}
    answer = sent(client, where(at, "containers", full.code, "draw"), **again)
    assert "data-ready" not in shown(client, answer["Location"])
    # Where a verdict speaks against it, nothing is made easier.
    safety.observe(**own, container=full, sign="crystals", words="")
    assert "data-ready" not in shown(client, where(at, "containers", full.code))
    text = shown(client, where(at, "containers", full.code, "draw"))
    assert "data-ready" not in text
    assert at.lab.emergency_text in text
    # A run that is over is not drawn for again.
    other = bottle(at, amount="200 mL")
    assert LAST.search(shown(client, where(at, "containers", other.code)))
    Run.objects.filter(pk=run.pk).update(closed_at=now)
    assert not LAST.search(shown(client, where(at, "containers", other.code)))


def test_a_draw_into_a_run_passes_the_gate_or_says_why_not(client: Client, at: Club) -> None:
    held = bottle(at, "diethyl-ether")
    run = runs.run_start(lab=at.lab, actor=at.member, now=timezone.now(), purpose="fat in biscuits")
    client.force_login(at.member)
    address = where(at, "containers", held.code, "draw")
    refused = sent(client, address, amount="50", unit="mL", to=f"run:{run.pk}")
    text = unescape(refused.content.decode())
    assert refused.status_code == 400
    assert "Source:" in text
    assert 'name="override"' not in text
    held.refresh_from_db()
    assert held.volume_ul == 500_000
    sent(
        client, where(at, "containers", held.code, "test"), reading="neg", method="strip-100",
        tested_on=today_in(at.lab, timezone.now()).isoformat(),
    )  # fmt: skip
    assert PeroxideTest.objects.count() == 1
    assert sent(client, address, amount="50", unit="mL", to=f"run:{run.pk}").status_code == 302
    assert "50.0" in shown(client, where(at, "runs", run.pk))


def test_a_run_from_start_to_close_with_losses_named(client: Client, at: Club) -> None:
    held, flask = bottle(at), factories.empty(at, now=timezone.now())
    client.force_login(at.member)
    started = sent(client, where(at, "runs", "start"), purpose="leaf pigments", distils="no")
    assert started.status_code == 302
    run = Run.objects.get()
    sent(client, where(at, "containers", held.code, "draw"), amount="200", unit="mL", to=f"run:{run.pk}")
    sent(client, where(at, "containers", flask.code, "put-in"), amount="150", unit="mL", to=f"run:{run.pk}")
    solvent = held.lot.solvent_id if held.lot else 0
    close = where(at, "runs", run.pk, "close")
    assert "50.0" in shown(client, close)
    too_much = sent(client, close, unit="mL", **{f"loss_{solvent}_air": "60"})
    assert too_much.status_code == 400
    assert "are left to explain" in too_much.content.decode()
    closed = sent(client, close, unit="mL", **{f"loss_{solvent}_air": "20", f"loss_{solvent}_product": "10"})
    assert closed.status_code == 302
    text = shown(client, closed["Location"])
    assert "the air" in text
    assert "20.0" in text
    assert {m.destination.kind: m.volume_ul for m in Movement.objects.filter(kind="loss")} == {
        "air": 20_000, "product": 10_000, "unaccounted": 20_000,
    }  # fmt: skip


def test_what_is_seen_counts_at_once(client: Client, at: Club) -> None:
    held = bottle(at, "1-4-dioxane")
    client.force_login(at.member)
    answer = sent(client, where(at, "containers", held.code, "sign"), sign="crystals", words="round the cap")
    assert Observation.objects.get().words == "round the cap"
    assert "Do not touch: get help" in shown(client, answer["Location"])


def test_scanning_takes_a_code_or_a_whole_address(client: Client, at: Club) -> None:
    held = bottle(at)
    client.force_login(at.member)
    for typed in (held.code, held.code.lower(), f"http://testserver{where(at, 'containers', held.code)}"):
        answer = client.get(where(at, "scan"), {"code": typed})
        assert answer.status_code == 302, typed
        assert answer["Location"] == where(at, "containers", held.code)
    for typed in ("NOSUCH", "http://[/containers/x"):
        wrong = client.get(where(at, "scan"), {"code": typed})
        assert wrong.status_code == 400
    assert client.get(where(at, "runs/start"), {"container": "http://[/containers/x"}).status_code == 200


def test_a_received_container_has_what_its_label_says(client: Client, at: Club) -> None:
    client.force_login(at.steward)
    answer = sent(
        client, where(at, "receive"), solvent="ether", amount="1", unit="L", received_on="2026-02-03",
        opened="unopened", maker="Oat & Sons", expiry_on="2028-01-31", inhibited="yes", inhibitor="BHT 7 ppm",
        origin="purchased",
    )  # fmt: skip
    assert answer.status_code == 302, answer.content.decode()
    made = Container.objects.select_related("lot__solvent").get()
    assert made.lot is not None
    assert (made.lot.solvent.key, made.volume_ul, made.capacity_ul) == ("diethyl-ether", 1_000_000, 1_000_000)
    assert (made.lot.inhibited, made.lot.maker) == (True, "Oat & Sons")
    unknown = sent(client, where(at, "receive"), solvent="elixir", amount="1", unit="L", opened="unknown",
                   inhibited="unknown", origin="not-known")  # fmt: skip
    assert unknown.status_code == 400
    assert "elixir" in unknown.content.decode()


def test_the_shelf_filters_by_address_and_gives_the_same_as_csv(client: Client, at: Club) -> None:
    cabinet = places.location_get(lab=at.lab, name="Vented cabinet")
    first, _other = bottle(at, location=cabinet, note="=1+1"), bottle(at, "acetone")
    client.force_login(at.auditor)
    address = f"{where(at, 'shelf')}?place={cabinet.pk}&q={first.code}"
    text = shown(client, address)
    assert first.code in text
    assert "acetone</strong>" not in text
    answer = client.get(f"/labs/{at.lab.slug}/shelf.csv?place={cabinet.pk}")
    rows = list(csv.DictReader(io.StringIO(answer.getvalue().decode("utf-8-sig"))))
    assert [row["code"] for row in rows] == [first.code]
    assert rows[0]["volume_ul"] == "500000"
    assert "Receive a container" not in text


def test_the_shelf_goes_on_where_a_page_ended(
    client: Client, at: Club, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("inventory.web.shelf.PAGE", 2)
    made = [
        bottle(at, key)
        for key in ("acetone", "diethyl-ether", "tetrahydrofuran", "ethyl-acetate", "n-hexane")
    ]
    client.force_login(at.member)
    for order in ("due", "code", "opened", "least"):
        seen: list[str] = []
        address = f"{where(at, 'shelf')}?order={order}"
        while address:
            text = client.get(address).content.decode()
            seen += re.findall(r'class="code" href="[^"]*/containers/([^/"]+)/"', text)
            more = re.search(r'href="\?([^"]*after=[^"]*)"', text)
            address = f"{where(at, 'shelf')}?{unescape(more[1])}" if more else ""
        assert sorted(seen) == sorted(c.code for c in made), order


@pytest.mark.parametrize("bad", ["zzz", "~", "~x", "2026-13-40~1", "1~" + "9" * 30])
def test_an_address_that_was_tampered_with_starts_anew(client: Client, at: Club, bad: str) -> None:
    held = bottle(at)
    client.force_login(at.member)
    assert held.code in shown(client, f"{where(at, 'shelf')}?after={bad}&place=nowhere&kind=odd")


PAGES = ("", "scan", "shelf", "runs", "more", "containers/{code}", "containers/{code}/draw", "runs/{run}")


def test_strangers_are_told_nothing_and_roles_hold(client: Client, at: Club) -> None:
    held = bottle(at)
    run = runs.run_start(lab=at.lab, actor=at.member, now=timezone.now(), purpose="leaf pigments")
    pages = [where(at, page.format(code=held.code, run=run.pk)).replace("//", "/") for page in PAGES]
    for page in pages:
        assert client.get(page).status_code == 302
    client.force_login(factories.second_club().steward)
    assert {client.get(page).status_code for page in pages} == {404}
    client.force_login(at.auditor)
    for name in ("draw", "test", "discard"):
        assert client.get(where(at, "containers", held.code, name)).status_code == 403
        assert client.post(where(at, "containers", held.code, name), {}).status_code == 403
    assert client.get(where(at, "receive")).status_code == 403
    client.force_login(at.member)
    assert client.get(where(at, "containers", held.code, "discard")).status_code == 403
    assert client.get(where(at, "containers", held.code, "fly")).status_code == 404


def test_the_timeline_tells_late_entries_and_what_was_taken_back(client: Client, at: Club) -> None:
    held = bottle(at)
    now = timezone.now()
    safety.observe(
        lab=at.lab, actor=at.member, now=now, container=held, sign="cap-rusted",
        seen_on=today_in(at.lab, now) - timedelta(days=3),
    )  # fmt: skip
    client.force_login(at.member)
    text = shown(client, where(at, "containers", held.code))
    assert "written down on" in text
    assert "Cap or can rusted" in text
    assert Event.objects.filter(subject_kind="container").exists()


def test_queries_of_a_container_do_not_grow_with_its_past(client: Client, at: Club) -> None:
    held = bottle(at)
    client.force_login(at.member)
    address = where(at, "containers", held.code)
    shown(client, address)
    with CaptureQueriesContext(connection) as few:
        shown(client, address)
    for _ in range(12):
        sent(client, where(at, "containers", held.code, "draw"), amount="1", unit="mL", to="air")
    shown(client, address)
    with CaptureQueriesContext(connection) as many:
        shown(client, address)
    assert len(many) <= len(few) + 1
    assert len(few) <= 40
