"""The permission table: every method of every address for every role, stranger, other lab and token scope.

Written by hand from what each role is for, beside the code's own table: who may is said twice, on purpose.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest
from django.test import Client
from django.urls import URLPattern, URLResolver, get_resolver

from inventory.models import Membership
from inventory.rules.roles import SCOPES
from tests.api.access_table import (
    AUDIT,
    BENCH,
    EVERYONE,
    HEAD,
    KEEPERS,
    LOG,
    MANAGE,
    NONE,
    PEOPLE_ROWS,
    READ,
    RUN_ROWS,
    Row,
)
from tests.api.client import Api, codes, token_for
from tests.api.pages_table import OF_ONE_PERSON, PAGES, Page
from tests.api.seed import Seed, planted
from tests.factories import ROLES, person, second_club

pytestmark = pytest.mark.django_db
TABLE = [
    Row("GET", "", EVERYONE, READ),
    Row("PATCH", "", HEAD, NONE),
    Row("GET", "members/", AUDIT, READ),
    Row("POST", "members/", HEAD, NONE),
    Row("GET", "tokens/", EVERYONE, NONE),
    Row("POST", "tokens/", EVERYONE, NONE),
    # The token in question is the supervisor's: of others it is as if it were not there.
    Row("POST", "tokens/{prefix}/revocations/", HEAD, NONE),
    Row("GET", "locations/", EVERYONE, READ),
    Row("POST", "locations/", KEEPERS, MANAGE),
    Row("GET", "locations/{location}/", EVERYONE, READ),
    Row("PATCH", "locations/{location}/", KEEPERS, MANAGE),
    Row("POST", "locations/{location}/endings/", KEEPERS, MANAGE),
    Row("GET", "locations/{location}/limits/", EVERYONE, READ),
    Row("POST", "locations/{location}/limits/", KEEPERS, MANAGE),
    Row("GET", "limits/{limit}/", EVERYONE, READ),
    Row("PATCH", "limits/{limit}/", KEEPERS, MANAGE),
    Row("POST", "limits/{limit}/endings/", HEAD, NONE),
    Row("GET", "storage-limit-templates/", EVERYONE, READ),
    Row("GET", "storage/", EVERYONE, READ),
    Row("GET", "waste-containers/", EVERYONE, READ),
    Row("POST", "waste-containers/", KEEPERS, MANAGE),
    Row("GET", "waste-containers/{waste}/", EVERYONE, READ),
    Row("PATCH", "waste-containers/{waste}/", KEEPERS, MANAGE),
    Row("POST", "waste-containers/{waste}/additions/", BENCH, LOG),
    Row("POST", "waste-containers/{waste}/collections/", KEEPERS, MANAGE),
    Row("GET", "waste-rules/", EVERYONE, READ),
    Row("GET", "policies/", EVERYONE, READ),
    Row("POST", "policies/", KEEPERS, MANAGE),
    Row("GET", "policies/{policy}/", EVERYONE, READ),
    Row("PATCH", "policies/{policy}/", KEEPERS, MANAGE),
    Row("POST", "policies/{policy}/checks/", KEEPERS, MANAGE),
    Row("GET", "solvents/", EVERYONE, READ),
    Row("POST", "solvents/", KEEPERS, MANAGE),
    Row("GET", "solvents/{solvent}/", EVERYONE, READ),
    Row("POST", "solvents/{solvent}/confirmations/", KEEPERS, MANAGE),
    Row("GET", "containers/", EVERYONE, READ),
    Row("POST", "containers/", KEEPERS, MANAGE),
    Row("GET", "containers/{container}/", EVERYONE, READ),
    Row("PATCH", "containers/{container}/", KEEPERS, MANAGE),
    Row("GET", "containers/{container}/verdicts/", EVERYONE, READ),
    Row("GET", "containers/{container}/forecast/", EVERYONE, READ),
    Row("GET", "containers/{container}/forecast/picture/", EVERYONE, READ),
    Row("POST", "containers/{container}/quarantines/", BENCH, LOG),
    Row("POST", "containers/{container}/releases/", HEAD, NONE),
    Row("POST", "containers/{container}/draws/", BENCH, LOG),
    Row("POST", "containers/{container}/put-backs/", BENCH, LOG),
    Row("POST", "containers/{container}/pours/", BENCH, LOG),
    Row("POST", "containers/{container}/counts/", KEEPERS, MANAGE),
    Row("POST", "containers/{container}/weighings/", KEEPERS, MANAGE),
    Row("POST", "containers/{container}/openings/", BENCH, LOG),
    Row("POST", "containers/{container}/put-aways/", BENCH, LOG),
    Row("POST", "containers/{container}/discards/", KEEPERS, MANAGE),
    Row("GET", "containers/{container}/movements/", EVERYONE, READ),
    Row("GET", "containers/{container}/tests/", EVERYONE, READ),
    Row("POST", "containers/{container}/tests/", BENCH, LOG),
    Row("GET", "containers/{container}/treatments/", EVERYONE, READ),
    Row("POST", "containers/{container}/treatments/", BENCH, LOG),
    Row("GET", "containers/{container}/signs/", EVERYONE, READ),
    Row("POST", "containers/{container}/signs/", BENCH, LOG),
    Row("GET", "lots/{lot}/", EVERYONE, READ),
    Row("GET", "movements/", EVERYONE, READ),
    Row("POST", "entries/{entry}/reversals/", KEEPERS, MANAGE),
    Row("POST", "tests/{test}/withdrawals/", KEEPERS, MANAGE),
    Row("POST", "signs/{sign}/withdrawals/", KEEPERS, MANAGE),
    Row("POST", "treatments/{treatment}/withdrawals/", KEEPERS, MANAGE),
    Row("GET", "test-methods/", EVERYONE, READ),
    Row("GET", "reagents/", EVERYONE, READ),
    Row("POST", "reagents/", KEEPERS, MANAGE),
    Row("GET", "reagents/{reagent}/", EVERYONE, READ),
    Row("PATCH", "reagents/{reagent}/", KEEPERS, MANAGE),
    Row("POST", "reagents/{reagent}/endings/", KEEPERS, MANAGE),
    Row("GET", "due/", EVERYONE, READ),
    Row("GET", "alerts/", EVERYONE, READ),
    Row("GET", "alerts/{alert}/", EVERYONE, READ),
    Row("POST", "alerts/{alert}/acknowledgements/", BENCH, LOG),
    Row("POST", "alerts/{alert}/put-offs/", KEEPERS, MANAGE),
    Row("POST", "sweeps/", KEEPERS, MANAGE),
    Row("GET", "stock-levels/", EVERYONE, READ),
    Row("POST", "stock-levels/", KEEPERS, MANAGE),
    Row("POST", "stock-levels/{solvent}/endings/", KEEPERS, MANAGE),
    Row("GET", "events/", AUDIT, READ),
    Row("GET", "mail-choice/", EVERYONE, NONE),
    Row("PATCH", "mail-choice/", EVERYONE, NONE),
    Row("GET", "feeds/", EVERYONE, NONE),
    Row("POST", "feeds/", EVERYONE, NONE),
    # The feed in question is the supervisor's, as the token is.
    Row("POST", "feeds/{feed}/revocations/", HEAD, NONE),
    Row("GET", "webhooks/", HEAD, NONE),
    Row("POST", "webhooks/", HEAD, NONE),
    Row("GET", "webhooks/{webhook}/", HEAD, NONE),
    Row("PATCH", "webhooks/{webhook}/", HEAD, NONE),
    Row("POST", "webhooks/{webhook}/trials/", HEAD, NONE),
    Row("POST", "webhooks/{webhook}/secrets/", HEAD, NONE),
    Row("POST", "webhooks/{webhook}/endings/", HEAD, NONE),
    Row("POST", "webhooks/{webhook}/takeovers/", HEAD, NONE),
    Row("GET", "deliveries/", KEEPERS, MANAGE),
    Row("GET", "deliveries/{delivery}/", KEEPERS, MANAGE),
    Row("POST", "deliveries/{delivery}/replays/", KEEPERS, MANAGE),
    Row("POST", "imports/stock/", KEEPERS, MANAGE),
    Row("POST", "imports/runs/", KEEPERS, MANAGE),
    Row("GET", "reports/loss-rates/", EVERYONE, READ),
    Row("GET", "loss-charts/{solvent}/", EVERYONE, READ),
    Row("GET", "loss-signals/", EVERYONE, READ),
    Row("GET", "loss-signals/{signal}/", EVERYONE, READ),
    Row("GET", "reports/flows/", EVERYONE, READ),
    *PEOPLE_ROWS,
    *RUN_ROWS,
]
CALCULATORS = (
    "titration", "inhibitor-dose", "extraction", "vapour", "density", "volume-uncertainty", "control-chart",
    "solvent-balance",
)  # fmt: skip
OUTSIDE_A_LAB = {("GET", f"/api/v1/{address}") for address in ("me/", "labs/", "calculators/")} | {
    ("POST", f"/api/v1/calculators/{name}/") for name in CALCULATORS
}
# Whoever knows the secret may read; tests/delivery/test_feeds.py says who else may not.
BY_SECRET = {("GET", "/feeds/{secret}/calendar.ics"), ("GET", "/feeds/{secret}/alerts.atom")}
OPEN = ("/api/", "/api/v1/", "/api/schema/", "/api/docs/", "/healthz", "/readyz")
FOR_ANYONE = {("GET", address) for address in OPEN}
ROOT = "/api/v1/labs/{lab}/"
ALL = ("GET", "POST", "PATCH", "PUT", "DELETE")


# Past the door: what was sent is empty, so a body may be refused, but no longer the caller.
INSIDE = {200, 201, 400, 409, 428}
METHODS = ("GET", "POST", "PATCH", "PUT", "DELETE")


def _addresses(resolver: URLResolver, start: str = "/") -> Iterator[tuple[str, URLPattern]]:
    for pattern in resolver.url_patterns:
        address = start + re.sub(r"<(?:\w+:)?(\w+)>", r"{\1}", str(pattern.pattern))
        if isinstance(pattern, URLResolver):
            yield from _addresses(pattern, address)
        else:
            yield address, pattern


def _methods(pattern: URLPattern) -> tuple[str, ...]:
    """Those of METHODS that an address of the API or of the server itself has; a page's are in its row."""
    view = getattr(pattern.callback, "view_class", None)
    return METHODS[:1] if view is None else tuple(m for m in METHODS if hasattr(view, m.lower()))


def test_every_address_has_its_row() -> None:
    pages = {page.address for page in PAGES} | OF_ONE_PERSON
    served = list(_addresses(get_resolver()))
    api = {(m, address) for address, pattern in served if address not in pages for m in _methods(pattern)}
    rows = [(row.method, ROOT + row.address) for row in TABLE]
    assert len(rows) == len(set(rows))
    assert set(rows) | OUTSIDE_A_LAB | FOR_ANYONE | BY_SECRET == api
    assert pages <= {address for address, _ in served}


def _asked(api: Api, row: Row, names: dict[str, str]) -> int:
    address = (ROOT + row.address).format(**names)
    return int(api.ask(row.method, address, {}).status_code)


@pytest.fixture
def seed(db: None) -> Seed:
    return planted()


@pytest.mark.parametrize("role", ROLES)
def test_roles(seed: Seed, role: str) -> None:
    api = Api(seed.lab.people[role])
    # A closing or a discard changes what comes after, so writes with an empty body are refused beforehand.
    for row in TABLE:
        status, may = _asked(api, row, seed.names), role in row.roles.split()
        hidden = any(own in row.address for own in ("{prefix}", "{feed}")) and role in EVERYONE
        assert status in (INSIDE if may else {404} if hidden else {403}), (row, status)


@pytest.mark.parametrize("scope", SCOPES)
def test_scopes_of_a_supervisors_token(seed: Seed, scope: str) -> None:
    api = Api(token=token_for(seed.lab, "supervisor", scope))
    for row in TABLE:
        status = _asked(api, row, seed.names)
        assert status in (INSIDE if scope in row.scopes.split() else {403}), (row, status)


@pytest.mark.parametrize("role", ROLES)
def test_a_token_never_does_more_than_its_owner(seed: Seed, role: str) -> None:
    """Not even one that was made while the owner might do more."""
    api = Api(token=token_for(seed.lab, "supervisor", "manage"))
    Membership.objects.filter(user=seed.lab.supervisor).update(role=role)
    for row in TABLE:
        may = role in row.roles.split() and "manage" in row.scopes.split()
        assert _asked(api, row, seed.names) in (INSIDE if may else {403}), row


def test_strangers_and_nobody(seed: Seed) -> None:
    other = second_club()
    outsiders = {
        "signed in, in no lab": (Api(person("passer-by")), 404),
        "of another lab": (Api(other.supervisor), 404),
        "program of another lab": (Api(token=token_for(other, "supervisor", "manage")), 404),
        "nobody": (Api(), 401),
        "made-up token": (Api(token="abcdefgh.0123456789"), 401),
    }
    for name, (api, expected) in outsiders.items():
        for row in TABLE:
            assert _asked(api, row, seed.names) == expected, (name, row)


def test_records_of_another_lab_are_not_there(seed: Seed) -> None:
    """Inside one's own lab, nothing of another lab is reached by its id or code."""
    other = second_club()
    for role, expected in (("supervisor", {404}), ("auditor", {404, 403})):
        api = Api(other.people[role])
        names = seed.names | {"lab": other.lab.slug}
        for row in TABLE:
            if "{" in row.address:
                assert _asked(api, row, names) in expected, row


def test_a_person_who_left_is_a_stranger(seed: Seed) -> None:
    api = Api(token=token_for(seed.lab, "member", "read"))
    address = ROOT.format(**seed.names)
    assert api.get(address).status_code == 200
    seed.lab.lab.memberships.filter(user=seed.lab.member).delete()
    assert api.get(address).status_code == 404
    seed.lab.member.is_active = False
    seed.lab.member.save()
    assert api.get(address).status_code == 401


def test_what_needs_no_sign_in(db: None) -> None:
    for method, address in sorted(FOR_ANYONE):
        assert Api().ask(method, address).status_code == 200, address
    for method, address in OUTSIDE_A_LAB:
        assert Api().ask(method, address).status_code == 401
        # A calculator with nothing to work out refuses the body, not the caller.
        expected = 400 if method == "POST" else 200
        assert Api(person(f"p{len(address)}")).ask(method, address).status_code == expected


def test_an_auditor_keeps_tokens_that_only_read(seed: Seed) -> None:
    api, address = Api(seed.lab.auditor), ROOT.format(**seed.names) + "tokens/"
    for scope in ("log", "manage"):
        refused = api.post(address, {"name": "calendar", "scope": scope})
        assert (refused.status_code, codes(refused)) == (403, ["scope-too-wide"])
    made = api.post(address, {"name": "calendar", "scope": "read"}).json()
    program = Api(token=made["secret"])
    assert program.get(ROOT.format(**seed.names) + "events/").status_code == 200
    assert [token["id"] for token in api.get(address).json()["results"]] == [made["id"]]
    ended = api.post(f"{address}{made['id']}/revocations/")
    assert (ended.status_code, program.get(ROOT.format(**seed.names)).status_code) == (201, 401)


# -- pages


def page_address(address: str, seed: Seed) -> str:
    names = {**seed.names, "code": seed.names["container"], "deed": "draw"}
    if "give-up" in address:
        names["run"] = seed.names["draft"]
    return address.format(**{**names, "slug": seed.names["lab"], "secret": "made-up"})


def _page_answers(client: Client, page: Page, seed: Seed) -> dict[str, int]:
    address = page_address(page.address, seed)
    return {method: client.generic(method, address).status_code for method in ALL}


@pytest.mark.parametrize("role", ROLES)
def test_pages_by_role(seed: Seed, role: str) -> None:
    for page in PAGES:
        client = Client()
        client.force_login(seed.lab.people[role])
        for method, status in _page_answers(client, page, seed).items():
            if page.address == "/login/":
                assert status == 302, method  # whoever is signed in is led on, whatever the method
            elif method not in page.taken:
                assert status == 405, (page, method)
            elif page.roles != "anyone":
                # An empty form is refused past the door; the front page leads on to the only lab.
                assert status in ({200, 302, 400} if role in page.who(method) else {403}), (page, method)


def test_pages_show_a_stranger_nothing(seed: Seed) -> None:
    for outsider in (person("passer-by"), second_club().supervisor):
        client = Client()
        client.force_login(outsider)
        for page in PAGES:
            if "{slug}" in page.address:
                for method in page.taken:
                    assert client.generic(method, page_address(page.address, seed)).status_code == 404, page
        assert seed.lab.lab.name not in client.get("/", follow=True).content.decode()


def test_pages_do_not_reach_records_of_another_lab(seed: Seed) -> None:
    """Behind one's own door, no record of another lab is read or written by its id or code."""
    other = second_club()
    client = Client()
    client.force_login(other.supervisor)
    for page in PAGES:
        address = page_address(page.address, seed).replace(f"/{seed.names['lab']}/", f"/{other.lab.slug}/")
        parts = {part for part in page.address.split("/") if "{" in part} - {"{slug}", "{deed}", "{secret}"}
        if "{slug}" not in page.address or not parts:
            continue
        told = {client.generic(method, address).status_code for method in page.taken}
        if parts <= {"{solvent}", "{policy}"}:
            continue  # what ships with the package is everybody's
        assert told == {404}, (page, told)


def test_pages_ask_nobody_in_without_a_name(seed: Seed) -> None:
    for page in PAGES:
        for method in page.taken:
            answer = Client().generic(method, address := page_address(page.address, seed))
            if page.roles == "anyone":
                assert answer.status_code in {200, 302, 410}, (page, method)
            else:
                assert answer["Location"] == f"/login/?next={address}", (page, method)
    assert Client().get("/enter/made-up/").status_code == 410
    assert Client().post("/logout/")["Location"] == "/login/"
