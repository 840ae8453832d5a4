"""What the parts of an event are called on the page of the audit trail: names of fields, said as words.

A name that is not here is shown as it is; what a part holds is what was recorded, in its own words.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django.utils.translation import gettext_lazy

_KEYS: Mapping[str, Any] = {
    "after": gettext_lazy("after"),
    "bad": gettext_lazy("bad"),
    "basis": gettext_lazy("basis"),
    "before": gettext_lazy("before"),
    "before ul": gettext_lazy("before ul"),
    "body": gettext_lazy("body"),
    "cas": gettext_lazy("cas"),
    "charges": gettext_lazy("charges"),
    "check": gettext_lazy("check"),
    "code": gettext_lazy("code"),
    "copied from": gettext_lazy("copied from"),
    "currency": gettext_lazy("currency"),
    "default": gettext_lazy("default"),
    "discarded at": gettext_lazy("discarded at"),
    "distils": gettext_lazy("distils"),
    "effect": gettext_lazy("effect"),
    "entry": gettext_lazy("entry"),
    "escalated": gettext_lazy("escalated"),
    "expired at": gettext_lazy("expired at"),
    "expires at": gettext_lazy("expires at"),
    "feeds": gettext_lazy("feeds"),
    "field": gettext_lazy("field"),
    "fields": gettext_lazy("fields"),
    "file sha256": gettext_lazy("file sha256"),
    "filename": gettext_lazy("filename"),
    "from": gettext_lazy("from"),
    "heel ul": gettext_lazy("heel ul"),
    "highest": gettext_lazy("highest"),
    "import": gettext_lazy("import"),
    "kept": gettext_lazy("kept"),
    "key": gettext_lazy("key"),
    "kind": gettext_lazy("kind"),
    "known": gettext_lazy("known"),
    "last error": gettext_lazy("last error"),
    "level": gettext_lazy("level"),
    "limit ul": gettext_lazy("limit ul"),
    "location": gettext_lazy("location"),
    "looser": gettext_lazy("looser"),
    "lost ul": gettext_lazy("lost ul"),
    "lowest": gettext_lazy("lowest"),
    "minimum ul": gettext_lazy("minimum ul"),
    "name": gettext_lazy("name"),
    "new": gettext_lazy("new"),
    "note": gettext_lazy("note"),
    "opened on": gettext_lazy("opened on"),
    "outcome": gettext_lazy("outcome"),
    "parent": gettext_lazy("parent"),
    "per litre": gettext_lazy("per litre"),
    "peroxide class": gettext_lazy("peroxide class"),
    "policy": gettext_lazy("policy"),
    "prefix": gettext_lazy("prefix"),
    "purpose": gettext_lazy("purpose"),
    "quantity": gettext_lazy("quantity"),
    "reason": gettext_lazy("reason"),
    "record": gettext_lazy("record"),
    "refused": gettext_lazy("refused"),
    "refuses": gettext_lazy("refuses"),
    "required": gettext_lazy("required"),
    "role": gettext_lazy("role"),
    "rows": gettext_lazy("rows"),
    "scope": gettext_lazy("scope"),
    "since": gettext_lazy("since"),
    "solvent": gettext_lazy("solvent"),
    "source": gettext_lazy("source"),
    "stream": gettext_lazy("stream"),
    "time zone": gettext_lazy("time zone"),
    "to": gettext_lazy("to"),
    "tokens": gettext_lazy("tokens"),
    "treatment": gettext_lazy("treatment"),
    "unit": gettext_lazy("unit"),
    "unread": gettext_lazy("unread"),
    "url": gettext_lazy("url"),
    "user": gettext_lazy("user"),
    "volume ul": gettext_lazy("volume ul"),
    "was": gettext_lazy("was"),
    "what": gettext_lazy("what"),
}


def key_words(name: str) -> str:
    """The name of a part in the language of the page."""
    plain = name.replace("_", " ")
    return str(_KEYS.get(plain, plain))
