"""`explain` as in the inventory, with what recovery has to explain beside it."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from django import template

from inventory.templatetags.explain import add_tags
from recovery.rules.explained import TEXTS

register = template.Library()

#: name of an address whose page is one form, and of a deed → what is explained below it
PAGES: Mapping[str, str] = MappingProxyType(
    {
        "apparatus-change": "hold-up",
        "apparatus-record": "judged-afresh",
        "check-back": "loosening",
        "deed/check": "fitness at-20",
        "deed/count": "at-20 count",
        "deed/discard": "never-edited",
        "deed/dried": "fitness",
        "deed/draw": "at-20 opened booked-anyway",
        "deed/inhibitor": "inhibitor next-test",
        "deed/into-waste": "waste-days booked-anyway at-20",
        "deed/move": "storage-limit",
        "deed/open": "opened next-test",
        "deed/peroxides-out": "reading next-test",
        "deed/pour": "at-20 opened storage-limit",
        "deed/put-in": "at-20 inhibitor",
        "deed/set-aside": "signs",
        "deed/sign": "signs",
        "deed/test": "reading action-level strip-life next-test",
        "deed/weigh": "at-20 count",
        "loss-fit-adopt": "fit",
        "loss-fit-end": "fit",
        "run-charge": "gate heel at-20",
        "run-details": "loss-terms gate",
        "run-facts": "loss-terms expanded",
        "run-lost": "remainder at-20",
        "run-reopen": "never-edited",
        "run-return": "at-20 times-distilled storage-limit",
        "run-start": "gate",
        "run-states": "loss-terms",
        "waste-put-in": "waste-days at-20",
    }
)


add_tags(register, TEXTS, PAGES)
