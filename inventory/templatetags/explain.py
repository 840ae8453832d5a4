"""Help where a rule, limit or term is met: a question that unfolds into plain words and their source."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from types import MappingProxyType
from typing import Any

from django import template
from django.template.context import RequestContext

from inventory.rules.explained import TEXTS, Explained

register = template.Library()

#: name of an address whose page is one form → what is explained below it
PAGES: Mapping[str, str] = MappingProxyType(
    {
        "limit-add": "storage-limit",
        "limit-change": "storage-limit loosening",
        "limit-end": "storage-limit loosening",
        "place-change": "storage-limit",
        "policy-copy": "next-test loosening",
        "policy-use": "next-test loosening",
        "policy-row/handling": "action-level signs loosening",
        "policy-row/levels": "reading action-level loosening",
        "policy-row/rules": "next-test peroxide-class opened inhibitor loosening",
        "policy-row/terms": "heel next-test loosening",
        "reagent-add": "strip-life",
        "reagent-change": "strip-life",
        "solvent-add": "peroxide-class flammability not-known",
        "solvent-confirm": "peroxide-class loosening",
        "solvent-level": "stock-level",
        "waste-add": "waste-days not-known",
    }
)


def add_tags(library: template.Library, texts: Mapping[str, Explained], pages: Mapping[str, str]) -> None:
    """The tags of an app: `{% explain "heel" %}` by keys of texts, and `{% explain_page %}` by `pages`."""

    @library.inclusion_tag("inventory/_explained.html")
    def explain(*keys: str) -> dict[str, Any]:
        """What keys stand for: one or several in each, parted by blanks."""
        return _unfolding(texts, keys)

    @library.inclusion_tag("inventory/_explained.html", takes_context=True)
    def explain_page(context: RequestContext) -> dict[str, Any]:
        """What a page that is one form asks about."""
        return _unfolding(texts, [_page_keys(pages, context)])


def _unfolding(texts: Mapping[str, Explained], keys: Iterable[str]) -> dict[str, Any]:
    return {"texts": [texts[key] for some in keys for key in some.split()]}


def _page_keys(pages: Mapping[str, str], context: RequestContext) -> str:
    """What `pages` has for the address that was asked for; a deed or part of it is named behind a stroke."""
    match = context["request"].resolver_match
    part = match.kwargs.get("deed") or match.kwargs.get("part")
    return pages.get(f"{match.url_name}/{part}" if part else match.url_name, "")


add_tags(register, TEXTS, PAGES)
