"""Words of apparatus: what they are and what was done to them."""

from __future__ import annotations

from django import template
from django.utils.translation import gettext_lazy

from recovery.models import Apparatus, ApparatusRecord

register = template.Library()
_T = gettext_lazy
_KIND, _WHAT = Apparatus.Kind, ApparatusRecord.What
KINDS = {
    _KIND.STILL.value: _T("still"),
    _KIND.CONDENSER.value: _T("condenser"),
    _KIND.ROTARY_EVAPORATOR.value: _T("rotary evaporator"),
    _KIND.EXTRACTOR.value: _T("extractor"),
    _KIND.COLUMN.value: _T("column"),
    _KIND.OTHER.value: _T("something else"),
}
RECORDS = {
    _WHAT.REPAIRED.value: _T("repaired"),
    _WHAT.CHANGED.value: _T("changed: a part was replaced or added"),
    _WHAT.INSPECTED.value: _T("looked over"),
    _WHAT.CLEANED.value: _T("cleaned"),
    _WHAT.LEAK_FOUND.value: _T("a leak was found"),
    _WHAT.OTHER.value: _T("something else, told in the note"),
}


@register.filter
def kind_words(kind: str) -> str:
    """What an apparatus is."""
    return str(KINDS.get(kind, kind))


@register.filter
def record_words(what: str) -> str:
    """What was done to it."""
    return str(RECORDS.get(what, what))
