"""What happened, in words for people: kinds of movement, places, origins, verbs of the record."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from django import template
from django.template import Context
from django.utils.html import format_html
from django.utils.safestring import SafeString
from django.utils.translation import gettext, gettext_lazy

from inventory.rules.advice import answer as answer_of
from inventory.rules.levels import USE_WORDS
from inventory.rules.peroxide import METHODS
from inventory.rules.verdict import Verdict
from inventory.selectors.timeline import Happening
from inventory.templatetags.amounts import MINUS, NO_BREAK, marked, ml, sign
from inventory.web.language import spoken
from inventory.web.trail_words import verb_words
from recovery.rules.runs_csv_words import FINDING_WORDS

register = template.Library()

ORIGINS = {
    "purchased": gettext_lazy("bought"),
    "made-here": gettext_lazy("made here"),
    "recovered": gettext_lazy("distilled back here"),
    "blend": gettext_lazy("poured together"),
    "not-known": gettext_lazy("not known"),
}
PLACES = {
    "supplier": gettext_lazy("the supplier"),
    "made-here": gettext_lazy("made here"),
    "before-counting": gettext_lazy("before counting began"),
    "blending": gettext_lazy("poured together"),
    "water-layer": gettext_lazy("the water layer"),
    "air": gettext_lazy("the air"),
    "still-residue": gettext_lazy("the residue in the still"),
    "product": gettext_lazy("a product"),
    "reaction": gettext_lazy("a reaction"),
    "waste-contractor": gettext_lazy("waste handed over"),
    "waste-container": gettext_lazy("a waste container"),
    "count-difference": gettext_lazy("a difference in counting"),
    "unaccounted": gettext_lazy("not told"),
    "container": gettext_lazy("container"),
    "run": gettext_lazy("run"),
}
# After "Drawn" and the like: a language that bends its words says the place with its preposition.
FROM = {
    "supplier": gettext_lazy("from the supplier"),
    "made-here": gettext_lazy("from what is made here"),
    "before-counting": gettext_lazy("from before counting began"),
    "blending": gettext_lazy("from what was poured together"),
    "water-layer": gettext_lazy("from the water layer"),
    "air": gettext_lazy("from the air"),
    "still-residue": gettext_lazy("from the residue in the still"),
    "product": gettext_lazy("from a product"),
    "reaction": gettext_lazy("from a reaction"),
    "waste-contractor": gettext_lazy("from waste handed over"),
    "waste-container": gettext_lazy("from a waste container"),
    "count-difference": gettext_lazy("from a difference in counting"),
    "unaccounted": gettext_lazy("where from is not told"),
}
TO = {
    "supplier": gettext_lazy("to the supplier"),
    "made-here": gettext_lazy("to what is made here"),
    "before-counting": gettext_lazy("to before counting began"),
    "blending": gettext_lazy("to what was poured together"),
    "water-layer": gettext_lazy("to the water layer"),
    "air": gettext_lazy("to the air"),
    "still-residue": gettext_lazy("to the residue in the still"),
    "product": gettext_lazy("to a product"),
    "reaction": gettext_lazy("to a reaction"),
    "waste-contractor": gettext_lazy("to waste handed over"),
    "waste-container": gettext_lazy("to a waste container"),
    "count-difference": gettext_lazy("to a difference in counting"),
    "unaccounted": gettext_lazy("where to is not told"),
}
MOVED = {
    "receive": gettext_lazy("Received"),
    "draw": gettext_lazy("Drawn"),
    "charge": gettext_lazy("Charged to a run"),
    "return": gettext_lazy("Came back from a run"),
    "put-back": gettext_lazy("Put back"),
    "pour": gettext_lazy("Poured over"),
    "blend": gettext_lazy("Poured together"),
    "count": gettext_lazy("Counted"),
    "weigh": gettext_lazy("Weighed"),
    "discard": gettext_lazy("Handed over for disposal"),
    "reversal": gettext_lazy("Booked back"),
    "waste": gettext_lazy("Put to waste"),
    "treat": gettext_lazy("Treated"),
    "loss": gettext_lazy("Lost"),
}
VERBS = {
    "container-added": gettext_lazy("Put on record"),
    "opened": gettext_lazy("Opened"),
    "put-away": gettext_lazy("Put in its place"),
    "corrected": gettext_lazy("A fact was corrected"),
    "discarded": gettext_lazy("Handed over for disposal"),
    "discard-undone": gettext_lazy("The disposal was taken back"),
    "quarantined": gettext_lazy("Barred from use"),
    "released": gettext_lazy("No longer barred"),
    "loosened": gettext_lazy("A supervisor signed for something milder"),
    "used-against-verdict": gettext_lazy("Used against the verdict"),
    "storage-overridden": gettext_lazy("A storage rule was overridden"),
    "treatment-withdrawn": gettext_lazy("A treatment was taken back"),
    "told-late": gettext_lazy("Told then, sent when the network was back"),
    "returned-under-override": gettext_lazy("Returned against a refusal"),
    "quality-checked": gettext_lazy("Quality checked"),
    "quality-check-withdrawn": gettext_lazy("A check of quality was taken back"),
    "count": gettext_lazy("Counted"),
    "weigh": gettext_lazy("Weighed"),
    "entry-reversed": gettext_lazy("An entry was booked back"),
    "code-freed": gettext_lazy("Its code was freed"),
}
TREATED = {
    "inhibitor-added": gettext_lazy("Inhibitor added"),
    "peroxides-removed": gettext_lazy("Peroxides taken out"),
}


@register.filter
def use_words(use: str) -> str:
    """A use as a sentence begins with it."""
    words = spoken(USE_WORDS[use])  # type: ignore[index]
    return words[:1].upper() + words[1:]


@register.simple_tag(takes_context=True)
def answer(context: Context, verdict: Verdict) -> str:
    """Yes or no to one use; `ask_first` of the page is what its container is told."""
    return spoken(answer_of(verdict, ask_first=bool(context.get("ask_first"))))


@register.filter
def origin_words(origin: str) -> str:
    return str(ORIGINS.get(origin, origin))


@register.filter
def place_words(kind: str) -> str:
    return str(PLACES.get(kind, kind))


@register.filter
def finding_words(code: str) -> str:
    """A finding of a run; one without words of its own as it stands in the record."""
    known = FINDING_WORDS.get(code)
    return spoken(known) if known else code.replace("-", " ").capitalize() + "."


@register.filter
def normal(value: Decimal) -> str:
    """A decimal without trailing zeros."""
    return marked(f"{value.normalize():f}")


@register.filter
def signed_ml(volume_ul: int) -> SafeString:
    """A change: more with a plus, less with a minus."""
    mark = "+" if volume_ul > 0 else MINUS
    return format_html("<span>{}{}{}</span>", mark, NO_BREAK, ml(abs(volume_ul)))


@register.filter
def happening_words(row: Happening) -> str:
    """What happened, in a few words."""
    if row.kind == "movement":
        return _moved(row)
    if row.kind == "test":
        method = METHODS[row.what].name if row.what in METHODS else row.what
        return gettext("Tested: %(reading)s by %(method)s") % {
            "reading": row.other,
            "method": gettext(method),
        }
    if row.kind == "sign":
        return gettext("Seen: %(sign)s") % {"sign": sign(row.what)}
    if row.kind == "treatment":
        return f"{TREATED.get(row.what, row.what)} {row.other}".strip()
    return str(VERBS.get(row.what) or verb_words(row.what))


# Where the deed names the place already.
_TWICE = {("discard", "waste-contractor"), ("blend", "blending")}


def _moved(row: Any) -> str:
    words = str(MOVED.get(row.what, row.what.replace("-", " ").capitalize()))
    if (row.what, row.other) in _TWICE:
        return words
    known = (FROM if row.change_ul > 0 else TO).get(row.other)
    if known is not None:
        return f"{words}, {known}"
    way = gettext("%(words)s, from %(other)s") if row.change_ul > 0 else gettext("%(words)s, to %(other)s")
    return way % {"words": words, "other": place_words(row.other)}
