"""Every operation of the schema, asked with what fits it and what does not (schemathesis).

No answer may be a server fault, nor differ from what the schema says of status, kind, headers and body.
Names in bodies and addresses are those of real records for a good part, or hardly a request would get far.
"""

from __future__ import annotations

import json
from collections import Counter, defaultdict
from collections.abc import Iterator
from typing import Any

import pytest
import schemathesis
from django.conf import settings as django_settings
from django.contrib.auth import BACKEND_SESSION_KEY, HASH_SESSION_KEY, SESSION_KEY
from django.contrib.sessions.backends.db import SessionStore
from django.core.signals import request_finished, request_started
from django.core.wsgi import get_wsgi_application
from django.db import close_old_connections, connection, transaction
from django.middleware.csrf import _get_new_csrf_string
from django.utils import timezone
from hypothesis import HealthCheck, Phase, settings
from pytest_django import DjangoDbBlocker
from schemathesis import checks
from schemathesis.specs.openapi import checks as openapi_checks

from inventory.api.schema import schema_bytes
from inventory.models import User, Webhook
from inventory.services.delivery import webhooks
from tests import factories
from tests.api.client import token_for
from tests.api.seed import Seed, planted

pytestmark = [pytest.mark.django_db, pytest.mark.filterwarnings("ignore")]
CODES = ["B-3", "B-2", "B-1", "nothing"]
AMOUNTS = [
    "12.5 mL",
    "1 mL",
    "5 mL",
    "0,5 L",
    "10 g",
    "1 US pint",
    "0 mL",
    "3 gal",
    "-1 mL",
    "1e400 L",
    "99999 L",
    "",
]


def _own_policy(key: str) -> dict[str, Any]:
    """A policy that can be used: class B every 6 months (Iowa State EHS)."""
    rule = {"class": "B", "counts_from": "opened", "months": 6, "source": "Iowa State EHS"}
    level = {"from": "25", "then": "do-not-use", "source": "Michigan State EHS"}
    return {"key": key, "name": "Ours", "source": "the club", "levels": [level], "rules": [rule]}


KNOWN_NAMES: dict[str, list[Any]] = {
    "url": [
        "https://hooks.example.org/a",
        "https://93.184.215.14/",
        "https://10.0.0.1/",
        "http://example.org/",
    ],
    "rules": [["sign-seen"], [], ["no-such-rule"]],
    "email": ["kim@example.org", "", "kim"],
    "container": CODES,
    "into": CODES,
    "solvent": ["ether", "ethyl-acetate", "60-29-7", "stuff"],
    "location": ["Blue cabinet", "nowhere"],
    "parent": ["Blue cabinet", "nowhere"],
    "waste": ["W-1", "nothing"],
    "template": [{"name": "osha-cabinet"}, {"name": "nfpa45-c", "area_m2": "30"}, {"name": "none"}],
    "own": [{"name": "Shelf", "limit": "50 L", "code": "club rule", "source": "the club"}],
    "username": ["member-biscuit-club", "supervisor-biscuit-club", "nobody"],
    "policy": ["cautious-default", "none"],
    "copy_of": ["cornell", "none"],
    "key": ["spring-rules", "club-rules", "No key"],
    "body": [_own_policy("club-rules"), _own_policy("leaf-rules"), {"key": "club-rules"}],
    "cas": ["109-97-7", "60-29-7", "1-2-3"],
    "capacity": ["1 L", "2 L", "750 mL"],
    "tare": ["312.4 g", "0.4 kg"],
    "gross": ["812.4 g", {"value": "700", "unit": "g", "instrument": "balance-1g"}],
    "reason": ["wrong bottle", ""],
    "time_zone": ["Europe/Berlin", "UTC", "Mars"],
    "peroxide_class": ["none", "D"],
    "density_20c_kg_m3": ["965.5", "0"],
    "reading": ["<1", ">25", "neg", "trace", "crystals"],
    "titre": ["1.2 mL", "0.3 mL", {"value": "2", "unit": "mL", "instrument": "burette-a-25"}, "5 g"],
    "blank": ["0.1 mL", "0 mL", "20 mL"],
    "sample": ["20 mL", "25 mL", "4 g"],
    "concentration": ["0.1 mol/L", "0.005 N", "5 mL"],
    "drop": ["0.05 mL", "0 mL"],
    "density": ["0.7136 g/mL", "800 kg/m3", "0.7 g"],
    "mass": ["90 mg", "0.1 g", "0 g"],
    "target": ["250 ppm", "0.01 %", "2 mL"],
    "wanted": ["250 ppm", "0.01 %", "100 %"],
    "present": ["0 ppm", "20 ppm"],
    "inhibitor": ["BHT", ""],
    "how": ["shaken with a ferrous salt", ""],
    **{f"O{number}": ["1 kg", "0 g", "2 mL"] for number in range(1, 10)},
    **{term: ["1 kg", "0 g", "2 mL"] for term in ("opening", "closing", "I2")},
    "purchased": ["8000 lb", "100 kg", "2 mL"],
    "per_litre": ["38.50", "0", "x"],
    "waste_per_litre": ["4", "-1"],
    "currency": ["EUR", "eur"],
    "machine_volume": ["2 m3", "500 L", "2 kg"],
    **{key: ["3", {"value": "8.4", "uncertainty": "0.3"}, "5 mL"] for key in ("k", "mixing")},
    **{key: ["5", "7.2"] for key in ("pka", "ph")},
    **{key: ["20", "95"] for key in ("wanted_percent", "heel_percent", "still_loss_percent")},
    **{key: ["20 °C", "60 °F"] for key in ("temperature", "water_temperature")},
    **{key: ["0.1 mL", "5 g"] for key in ("tolerance", "mark", "repeatability", "lost_per_portion")},
    "lost": ["20 mL", {"value": "10", "unit": "mL", "uncertainty": "1"}],
    "over": ["2 h", "30 min"],
    "room_volume": ["60 m3", "3 m3"],
    "air_changes": ["4 per h"],
    "molar_mass": ["74.12", "1"],
    "pressure": ["101.3 kPa", "760 mmHg"],
    "level": ["200 ppm", "590 mg/m3"],
    "duration": ["1.5 h"],
    "density_20c": ["0.95 g/mL", "1 g"],
    "expansion": ["0.0012", "1"],
    "temperature_range": ["4 K"],
    "instrument": ["cylinder-b-100", "bucket"],
    "kind": ["leaf-extraction", "distillation", "still", "no-such"],
    "apparatus": [["Still 1"], [], ["nothing"]],
    "facts": [{"water-volume": "150 mL"}, {"shaken": True}, {"water-volume": "900 L"}, {"no-such": "1 g"}],
    "asks": [[{"field": "water-volume", "required": True}], [], [{"field": "no-such"}]],
    "unit": ["g", "", "mL"],
    "lowest": ["0", None, "-1"],
    "highest": ["100", None, "5"],
    "choices": [[], [{"key": "a", "name": "A"}]],
    "hold_up": ["2 mL", None, "-1 mL"],
    "drying_agent": ["", "magnesium sulfate"],
}
TODAY = timezone.now().date().isoformat()
MOMENTS = {
    "date": [TODAY, "2026-02-28", "2150-01-01"],
    "date-time": [f"{TODAY}T00:00:00Z", "2150-01-01T00:00Z"],
}


def bad_data_is_refused(context: Any, response: Any, case: Any) -> bool | None:
    """What breaks the schema is not accepted, but for three answers that are right all the same.

    A tag that makes no sense is one that does not fit (412); a key that was used before gives the first
    answer again, whatever other headers say; an import that is only looked at needs no key.
    """
    replayed = "idempotency-replayed" in response.headers
    looked_at = "/imports/" in case.path and response.status_code == 200
    if response.status_code == 412 or replayed or looked_at:
        return None
    return openapi_checks.negative_data_rejection(context, response, case)


# These take exactly one of two things, which made-up bodies hardly ever bring: tests/api/test_policies.py and
# test_storage.py carry them out.
CARRIED_OUT_ELSEWHERE = [
    "POST /api/v1/labs/{lab}/policies/",
    "POST /api/v1/labs/{lab}/waste-containers/{waste}/additions/",
    # What of a body belongs together is hardly ever met by chance: tests/api/test_quality.py.
    "POST /api/v1/labs/{lab}/containers/{container}/quality-checks/",
    "POST /api/v1/labs/{lab}/quality-limits/",
    "POST /api/v1/labs/{lab}/run-fields/",
    "POST /api/v1/labs/{lab}/run-kinds/",
    # The entry of a return is made up anew each time: tests/api/test_run_course.py knows one.
    "POST /api/v1/labs/{lab}/runs/{run}/return-states/",
    # A day within bounds that hang on the alert: tests/api/test_alerts.py.
    "POST /api/v1/labs/{lab}/alerts/{alert}/put-offs/",
    # The fields that are planted are in use: tests/api/test_run_course.py ends one that is not.
    "POST /api/v1/labs/{lab}/run-fields/{field}/endings/",
    # It takes a dozen closed runs: tests/api/test_balances.py has them.
    "POST /api/v1/labs/{lab}/loss-fits/",
]
CHECKS = [
    checks.not_a_server_error,
    openapi_checks.status_code_conformance,
    openapi_checks.content_type_conformance,
    openapi_checks.response_headers_conformance,
    openapi_checks.response_schema_conformance,
    bad_data_is_refused,
]


def _known(field: str, schema: dict[str, Any]) -> dict[str, Any]:
    """The schema of a field with values that mean something, good ones first.

    What does not fit at all still comes, from the cases that are made to break the schema.
    """
    good = KNOWN_NAMES.get(field) if field != "kind" or "maxLength" in schema else None
    good = good or MOMENTS.get(schema.get("format", ""))
    if good is None and "oneOf" in schema:
        good = AMOUNTS
    if good is None:
        return schema
    return {"enum": [*good, None] if "null" in schema.get("type", ()) else good}


def _fitted(document: dict[str, Any]) -> dict[str, Any]:
    """The schema with real names for half of what may stand in a body."""
    for name, component in document["components"]["schemas"].items():
        if not name.endswith("Request"):
            continue
        for field, schema in component.get("properties", {}).items():
            component["properties"][field] = _known(field, schema)
    for address in document["paths"].values():
        for parameter in address.get("patch", {}).get("parameters", []):
            if parameter["name"] == "If-Match":
                parameter["schema"] = {"enum": ["*", '"old"']}
    # Who asks is for the tests to say; made-up credentials would end nearly every request at the door.
    del document["components"]["securitySchemes"]
    for address in document["paths"].values():
        for operation in address.values():
            operation.pop("security", None)
    return document


schema = schemathesis.openapi.from_dict(_fitted(json.loads(schema_bytes())))
schema.app = get_wsgi_application()
answered: defaultdict[str, Counter[int]] = defaultdict(Counter)


@pytest.fixture(autouse=True)
def _kept_connection() -> Iterator[None]:
    """As Django's own test client does: the transaction of the test outlives each request."""
    request_started.disconnect(close_old_connections)
    request_finished.disconnect(close_old_connections)
    yield
    request_started.connect(close_old_connections)
    request_finished.connect(close_old_connections)


@pytest.fixture(scope="module")
def planted_once(django_db_setup: None, django_db_blocker: DjangoDbBlocker) -> Iterator[Seed]:
    """The seed, planted in a transaction around all the tests here: it costs more than what one test asks."""
    with django_db_blocker.unblock(), transaction.atomic():
        yield _with_waiting_ones(planted())
        transaction.set_rollback(True)


@pytest.fixture
def _django_db_helper(planted_once: Seed) -> Iterator[None]:
    """In the place of pytest-django's, which ends the connection after each test, and the seed with it."""
    with transaction.atomic():
        yield
        connection.check_constraints()
        transaction.set_rollback(True)


@pytest.fixture
def seed(db: None, planted_once: Seed) -> Seed:
    """As it was planted: what one test writes is undone after it."""
    return planted_once


def _with_waiting_ones(made: Seed) -> Seed:
    # The only containers there that are not open yet, or set aside, and the only run that does not distil.
    unopened = {"/api/v1/labs/{lab}/containers/{container}/openings/ container": "B-2"}
    set_aside = {"/api/v1/labs/{lab}/containers/{container}/releases/ container": "B-5"}
    run = "/api/v1/labs/{lab}/runs/{run}/"
    rinsing = {f"{run}{what}/ run": made.names["rinsing"] for what in ("distillings", "charges")}
    closed = {f"{run}reopenings/ run": made.names["closed_run"]}
    used = {"/api/v1/labs/{lab}/loss-fits/{fit}/endings/ fit": made.names["used_fit"]}
    draft = {f"{run}abandonments/ run": made.names["draft"]}
    waiting = {"/api/v1/labs/{lab}/webhooks/{webhook}/takeovers/ webhook": str(_held_webhook(made).pk)}
    return Seed(made.lab, made.names | unopened | set_aside | rinsing | closed | used | draft | waiting)


def _held_webhook(made: Seed) -> Webhook:
    """One that nobody answers for."""
    by: dict[str, Any] = {"lab": made.lab.lab, "actor": made.lab.supervisor, "now": factories.NOW}
    hook, _secret = webhooks.webhook_add(**by, name="old board", url="https://hooks.example.org/old")
    Webhook.objects.filter(pk=hook.pk).update(held_at=factories.NOW, held_because="left")
    return hook


def _signed_in(user: User) -> dict[str, dict[str, str]]:
    """Cookies of a signed-in person, and the CSRF token that writes need."""
    session = SessionStore()
    session[SESSION_KEY] = str(user.pk)
    session[BACKEND_SESSION_KEY] = django_settings.AUTHENTICATION_BACKENDS[0]
    session[HASH_SESSION_KEY] = user.get_session_auth_hash()
    session.save()
    secret = _get_new_csrf_string()
    return {
        "cookies": {"sessionid": session.session_key or "", "csrftoken": secret},
        "headers": {"X-CSRFToken": secret, "Host": "localhost"},
    }


def _aim(case: Any, names: dict[str, str]) -> None:
    """Point most cases at records that exist; the rest stay as they were made."""
    for name in case.path_parameters or {}:
        made = str(case.path_parameters[name])
        if name == "lab" or len(made) % 4:
            case.path_parameters[name] = names.get(f"{case.path} {name}", names[name])


def bounded(examples: int, *phases: Phase) -> settings:
    """The explicit phase holds the limits of every parameter, one by one; it is the longer part."""
    return settings(
        max_examples=examples,
        deadline=None,
        derandomize=True,
        database=None,
        phases=phases,
        suppress_health_check=list(HealthCheck),
    )


@schema.parametrize()
@bounded(20, Phase.explicit, Phase.generate)
def test_a_supervisor_signed_in(case: Any, seed: Seed) -> None:
    _aim(case, seed.names)
    response = case.call_and_validate(**_signed_in(seed.lab.supervisor), checks=CHECKS)
    answered[f"{case.method} {case.path}"][response.status_code] += 1


@schema.parametrize()
@bounded(10, Phase.generate)
def test_a_member_with_a_token(case: Any, seed: Seed) -> None:
    _aim(case, seed.names)
    headers = {"Authorization": f"Bearer {token_for(seed.lab, 'member', 'log')}", "Host": "localhost"}
    case.call_and_validate(headers=headers, checks=CHECKS)


def test_the_requests_got_past_the_door() -> None:
    """Every operation has been carried out, not only refused; runs after the others."""
    every: Any = schema.get_all_operations()
    operations = [operation.ok() for operation in every]
    names = [f"{operation.method.upper()} {operation.path}" for operation in operations]
    assert len(names) > 40
    refused = {name: dict(answered[name]) for name in names if not {200, 201} & set(answered[name])}
    for name in CARRIED_OUT_ELSEWHERE:
        refused.pop(name, None)
    assert refused == {}
