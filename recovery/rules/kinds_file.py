"""The shipped kinds of run and their fields, read strictly; and what a lab's own kind may ask for."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import Any

from inventory.rules.errors import InputError
from inventory.rules.phrases import Phrase
from recovery.rules.run_facts import read_fact
from recovery.rules.run_kinds import FIELDS_MAX, AskedFor, FieldData, KindData, check_field, check_key

KINDS_FILE = Path(__file__).parent.parent / "data" / "run_kinds.toml"


def check_asked(asked: Sequence[AskedFor], known: Mapping[str, FieldData]) -> None:
    """Raises InputError naming `fields.N.…`: each field is known and stands once, each default fits it."""
    if len(asked) > FIELDS_MAX:
        raise InputError(
            "fields", "too-many", Phrase("A kind asks for at most {fields_max} facts.", fields_max=FIELDS_MAX)
        )
    seen: set[str] = set()
    for number, one in enumerate(asked):
        if one.field not in known:
            raise InputError(
                f"fields.{number}.field",
                "unknown-field",
                Phrase("There is no field “{field}”.", field=one.field),
                Phrase("See run-fields/."),
            )
        if one.field in seen:
            raise InputError(
                f"fields.{number}.field",
                "given-twice",
                Phrase("“{field}” stands there twice.", field=one.field),
            )
        seen.add(one.field)
        if one.default is not None:
            read_fact(known[one.field], one.default, field=f"fields.{number}.default")


def _field(row: Mapping[str, Any]) -> FieldData:
    bounds: Any = {name: Decimal(row[name]) if name in row else None for name in ("lowest", "highest")}
    choices = tuple((key, name) for key, name in row.get("choices", []))
    words: Any = {name: row.get(name, "") for name in ("unit", "help")}
    named = {name: row[name] for name in ("key", "name", "quantity", "source")}
    return check_field(FieldData(**named, **words, **bounds, choices=choices))


@cache
def _file() -> Mapping[str, Any]:
    return tomllib.loads(KINDS_FILE.read_text(encoding="utf-8"))


@cache
def load_fields() -> Mapping[str, FieldData]:
    """Key → shipped field, in the order of the file."""
    return {row["key"]: _field(row) for row in _file()["field"]}


@cache
def load_kinds() -> Mapping[str, KindData]:
    """Key → shipped kind of run. Raises InputError for a file that does not fit itself."""
    kinds = {}
    for row in _file()["kind"]:
        asked = tuple(AskedFor(**one) for one in row["fields"])
        check_asked(asked, load_fields())
        named = {name: row[name] for name in ("name", "distils", "help", "source")}
        kinds[row["key"]] = KindData(check_key(row["key"]), fields=asked, **named)
    return kinds
