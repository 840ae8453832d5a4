"""One process of the benchmark: prepare a database, or take one measure on it and print it as JSON lines."""

from __future__ import annotations

import importlib
import json
import sys

import django

#: names on the command line, and the modules that measure
MEASURES = {
    "sweep": "sweep",
    "limits": "limits",
    "labs": "many_labs",
    "deliveries": "deliveries",
    "ledger": "ledger",
    "draw": "draw",
    "http": "http",
    "list": "listing",
    "import": "importing",
    "fit": "fitting",
    "balance": "run_balance",
    "balance-year": "solvent_year",
    "trace": "tracing",
    "pages": "pages",
}
MARK = "RESULT "


def prepare() -> None:
    """Tables, the shipped catalogue, and one club with a person in every role."""
    from django.core.management import call_command
    from django.test import override_settings

    from tests import factories

    call_command("migrate", interactive=False, verbosity=0)
    # Nobody signs in with a password here, and a strong digest takes a while on purpose.
    with override_settings(PASSWORD_HASHERS=["django.contrib.auth.hashers.MD5PasswordHasher"]):
        factories.club(now=factories.NOW.replace(year=2024, month=1))


def main(name: str, size: str) -> None:
    django.setup()
    if name == "prepare":
        prepare()
        return
    module = importlib.import_module(f"tests.bench.{MEASURES[name]}")
    for result in module.measure(size):
        print(MARK + json.dumps(result.as_dict()), flush=True)


if __name__ == "__main__":
    main(*sys.argv[1:])
