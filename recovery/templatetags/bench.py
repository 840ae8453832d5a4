"""What happened, in words for people: kinds of movement, places, origins, verbs of the record."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from django import template
from django.utils.html import format_html
from django.utils.safestring import SafeString
from django.utils.translation import gettext, gettext_lazy

from inventory.rules.levels import USE_WORDS
from inventory.rules.peroxide import METHODS
from inventory.selectors.timeline import Happening
from inventory.templatetags.amounts import MINUS, NO_BREAK, marked, ml, sign
from inventory.web.language import spoken

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
    "quarantined": gettext_lazy("Set aside"),
    "released": gettext_lazy("No longer set aside"),
    "loosened": gettext_lazy("A supervisor signed for something milder"),
    "used-against-verdict": gettext_lazy("Used against the verdict"),
    "storage-overridden": gettext_lazy("A storage rule was overridden"),
    "treatment-withdrawn": gettext_lazy("A treatment was taken back"),
    "told-late": gettext_lazy("Told then, sent when the network was back"),
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


@register.filter
def origin_words(origin: str) -> str:
    return str(ORIGINS.get(origin, origin))


@register.filter
def place_words(kind: str) -> str:
    return str(PLACES.get(kind, kind))


FINDINGS = {
    "more-back": gettext_lazy("More came back than went out."),
    "heel-not-kept": gettext_lazy("The heel was not kept."),
    "distilled-without-clearance": gettext_lazy("It was distilled without having been cleared."),
    "former-not-accounted-for": gettext_lazy(
        "A peroxide former is not accounted for: it may have boiled off."
    ),
    "nothing-back": gettext_lazy("Nothing came back."),
    "more-back-than-out": gettext_lazy("More came back than went out."),
    "distilled-too-often": gettext_lazy("It was distilled more often than the lab allows."),
}


@register.filter
def finding_words(code: str) -> str:
    """A finding of a run; one without words of its own as it stands in the record."""
    return str(FINDINGS.get(code, code.replace("-", " ").capitalize() + "."))


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
    return str(VERBS.get(row.what, row.what.replace("-", " ").capitalize()))


def _moved(row: Any) -> str:
    other = place_words(row.other)
    words = str(MOVED.get(row.what, row.what.replace("-", " ").capitalize()))
    way = gettext("%(words)s, from %(other)s") if row.change_ul > 0 else gettext("%(words)s, to %(other)s")
    return way % {"words": words, "other": other}
