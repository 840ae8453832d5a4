"""Pictures on pages, for phone and desk, light and dark; and numbers beside them as people read them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from decimal import ROUND_HALF_UP, Decimal
from typing import Any
from urllib.parse import urlencode

from django import template
from django.utils.html import escape
from django.utils.safestring import SafeString
from django.utils.translation import gettext, gettext_lazy

from inventory.rules.pictures.style import Width
from inventory.rules.pictures.words import Unit, volume_unit
from inventory.rules.shown_units import DEFAULT, UNITS, in_unit
from inventory.selectors.drawn_sizes import size_of
from inventory.services.speaking import SPOKEN, language_asked
from inventory.templatetags.amounts import NO_BREAK, UNIT, grouped, marked, ml, percent
from inventory.web.language import spoken, unparted
from recovery.models import QualityCheck
from recovery.rules.amounts import COVERAGE
from recovery.rules.balance_words import amounts_in, plus_minus
from recovery.rules.fact_words import named_all
from recovery.rules.heel_words import heel_words
from recovery.rules.loss_watch import Point
from recovery.rules.rates import Rate
from recovery.rules.shipped_words import shipped
from recovery.selectors.drawn_losses import rules_of
from recovery.selectors.run_facts import FactNow

register = template.Library()
PHONE = "(max-width: 47.99rem)"
DARK = "(prefers-color-scheme: dark)"
# The first that fits is taken: paper is light whatever the screen was.
LOOKS: tuple[tuple[str, Width, str], ...] = (
    ("print", "large", "light"),
    (f"{PHONE} and {DARK}", "small", "dark"),
    (PHONE, "small", "light"),
    (DARK, "large", "dark"),
)
CENT = Decimal("0.01")
STATES = {
    "recorded": gettext_lazy("recorded"),
    "rest": gettext_lazy("what is left over"),
    "worked-out": gettext_lazy("worked out from what was told"),
    "assumed": gettext_lazy("assumed"),
    "not-told": gettext_lazy("not enough is told"),
    "fitted": gettext_lazy("fitted to runs of this lab"),
}
LIMITS = {
    "mean-8h": gettext_lazy("mean over 8 hours"),
    "short-term": gettext_lazy("over a quarter of an hour"),
    "ceiling": gettext_lazy("never to be passed"),
}
WET = {
    "wet": gettext_lazy("wet"),
    "dried": gettext_lazy("dried"),
    "not-told": gettext_lazy("not told whether dry"),
}
PROPERTIES = {
    "density": gettext_lazy("density"),
    "refractive-index": gettext_lazy("refractive index"),
    "boiling-range": gettext_lazy("boiling range"),
    "water": gettext_lazy("water"),
}
OUTCOMES = {
    "within": gettext_lazy("within its limits"),
    "outside": gettext_lazy("outside its limits"),
    "undecided": gettext_lazy("too close to its limits to say"),
    "no-reference": gettext_lazy("nothing to compare with"),
}


@register.inclusion_tag("recovery/_drawn.html")
def drawn(
    address: str, alt: str, query: str = "", table: str = "", shape: str = "", **asked: Any
) -> dict[str, Any]:
    """A picture that has an address of its own, with its downloads, and room kept for it.

    asked: its parameters; empty ones go. query: the same, encoded already. table: address of its figures as
    CSV, which takes `query` too. shape: what kind of picture it is, of `drawn_sizes.USUAL`.
    """
    told = {name: value for name, value in asked.items() if value not in (None, "")}
    language = language_asked()
    if language != SPOKEN[0]:
        told["language"] = language
    if unit := UNIT.get():
        told["unit"] = unit

    def of(**look: str) -> str:
        return f"{address}?{'&'.join(filter(None, (query, urlencode({**told, **look}))))}"

    def room(width: Width) -> tuple[int, int]:
        return size_of(of(), width, shape)

    sources = [
        (media, of(width=width, theme=theme, format="svg"), room(width)) for media, width, theme in LOOKS
    ]
    if table and query:
        table = f"{table}{'&' if '?' in table else '?'}{query}"
    found = {"sources": sources, "src": of(format="svg"), "alt": alt, "png": of(format="png")}
    return {**found, "table": table, "room": room("large")}


@register.filter
def said(words: str) -> str:
    """Words of the rules as the page says them, in its language and the reader's unit.

    So written before another filter makes plain text of them.
    """
    return unparted(spoken(amounts_in(words, shown_unit()) if UNIT.get() else words))


@register.filter
def called(row: Any) -> str:
    """The name of a kind of run or of a field: what is shipped in the language of the page."""
    return "" if row is None else spoken(shipped(row.name))


@register.filter
def fact_told(fact: FactNow) -> str:
    """A fact as it was told; a choice and a yes in the language of the page."""
    text = str(fact.as_entered.get("text", ""))
    return spoken(shipped(text)) if fact.quantity in ("choice", "yes-no") else text


@register.filter
def heel_said(source: str) -> str:
    """Where the heel of a run is from."""
    return spoken(heel_words(source))


@register.filter
def facts_named(keys: Iterable[str]) -> str:
    """Keys of facts in words."""
    return spoken(named_all(keys))


@register.filter
def between(rate: Rate) -> str:
    """The interval of a rate, or why there is none."""
    if rate.lower is None or rate.upper is None:
        return spoken(rate.words) if rate.words else "–"
    return gettext("%(low)s to %(high)s") % {"low": share(rate.lower), "high": share(rate.upper)}


@register.filter
def rules_told(point: Point) -> str:
    """The rules that a run on a chart breaks."""
    return spoken(rules_of(point))


@register.filter
def share(fraction: float | Decimal | None) -> str:
    """A fraction as per cent with one decimal."""
    return percent(None if fraction is None else Decimal(str(fraction)))


@register.filter
def unit_words(code: str) -> str:
    """A UCUM code as people write it."""
    return "" if code == "1" else code.replace("Cel", "°C").replace("kg/m3", "kg/m³")


@register.filter
def told(quantity: Mapping[str, Any] | None) -> str:
    """{"value", "unit", "uncertainty"} as "12.5 mL ± 0.4 (k = 1)"; nothing told is a dash.

    What is in mL is written in the reader's unit, not rounded.
    """
    if not quantity or quantity.get("value") is None:
        return "–"
    if quantity.get("unit") == DEFAULT and UNIT.get() in UNITS:
        quantity = in_unit(quantity, UNIT.get())
    unit = unit_words(str(quantity.get("unit") or ""))
    words = f"{marked(str(quantity['value']))}{NO_BREAK}{unit}".rstrip(NO_BREAK)
    spread = quantity.get("uncertainty")
    return f"{words} ± {marked(str(spread))} (k = 1)" if spread else words


@register.filter
def estimated(quantity: Mapping[str, Any] | None) -> str:
    """A volume that was worked out, with its expanded uncertainty, rounded as everywhere."""
    if not quantity or quantity.get("value") is None or quantity.get("unit") != DEFAULT:
        return told(quantity)
    value_ul, u_ul = (Decimal(str(quantity.get(name) or 0)) * 1000 for name in ("value", "uncertainty"))
    return pair(int(value_ul), float(u_ul))


@register.filter
def grams(mass_ng: int) -> str:
    """Nanograms as grams to a hundredth; what is there is never shown as nothing."""
    value = (Decimal(mass_ng) / 10**9).quantize(CENT, ROUND_HALF_UP)
    if value or not mass_ng:
        return f"{grouped(value)}{NO_BREAK}g"
    least = f"{marked(str(CENT))}{NO_BREAK}g"
    words = gettext("below {least}") if mass_ng > 0 else gettext("above −{least}")
    return words.format(least=least)


@register.filter
def state_words(state: str) -> str:
    """How an amount of a balance is known."""
    return str(STATES.get(state, state))


@register.filter
def wet_words(state: str) -> str:
    """Whether what came back is wet or dried."""
    return str(WET.get(state, state))


@register.filter
def property_words(what: str) -> str:
    return str(PROPERTIES.get(what, what))


@register.filter
def held_to(check: QualityCheck) -> str:
    """What a check was compared with when it was made, and where that is from."""
    kept = check.reference
    ends = [kept.get(name) for name in ("lowest", "highest")]
    if ends == [None, None]:
        return gettext("There was nothing to compare it with.")
    low, high = (marked(str(end)) if end is not None else "" for end in ends)
    if low and high:
        words = gettext("Held to %(low)s – %(high)s %(unit)s.") % {
            "low": low, "high": high, "unit": unit_words(check.unit),
        }  # fmt: skip
    else:
        said = gettext("at most") if high else gettext("at least")
        words = gettext("Held to %(which)s %(end)s %(unit)s.") % {
            "which": said, "end": high or low, "unit": unit_words(check.unit),
        }  # fmt: skip
    source = gettext("Source: %(source)s") % {"source": kept["source"]} if kept.get("source") else ""
    return f"{words.replace(' .', '.')} {source}".strip()


@register.filter
def outcome_words(outcome: str) -> str:
    return str(OUTCOMES.get(outcome, outcome))


@register.simple_tag
def pair(volume_ul: int, u_ul: float | None, k: float = COVERAGE) -> SafeString:
    """A volume with its expanded uncertainty k·u in the reader's unit: the same two numbers on every page.

    Without an uncertainty as any volume is shown; the exact number stays in the mark-up.
    """
    whole_ul = round(u_ul or 0)  # as a balance has it, so that both round alike
    if not whole_ul:
        return ml(volume_ul)
    words = spoken(plus_minus(volume_ul, k * whole_ul, shown_unit())).replace(" ", NO_BREAK)
    return SafeString(f'<data value="{volume_ul}">{escape(words)}</data>')


def shown_unit() -> Unit:
    """The unit in which the page shows volumes."""
    return volume_unit(0.0, UNIT.get())


@register.filter
def limit_words(kind: str) -> str:
    """Over what time an exposure limit counts."""
    return str(LIMITS.get(kind, kind))


@register.filter
def figures(value: Any, digits: int) -> str:
    """A number to so many significant figures, written out."""
    number = Decimal(str(value))
    if not number:
        return "0"
    step = Decimal(1).scaleb(number.adjusted() - digits + 1)
    rounded = (
        number.quantize(step, ROUND_HALF_UP) if step < 1 else (number / step).quantize(Decimal(1)) * step
    )
    return marked(f"{rounded:f}")
