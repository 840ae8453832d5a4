"""The solvent balance of a period: as JSON, as a table for spreadsheets, and as pages to sign."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import date
from typing import Any

from django.http import HttpResponse
from rest_framework.renderers import BaseRenderer, JSONRenderer

from inventory.api import params
from inventory.api.base import Contract, LabView
from inventory.api.negotiation import ByAccept
from inventory.api.params import Param
from inventory.api.problems import QueryError
from inventory.api.quantities import volume_out
from inventory.api.replies import tagged
from inventory.api.rows import decimal_text
from inventory.rules.errors import InputError
from inventory.services.speaking import SPOKEN, speaker
from recovery.api.shapes_solvent_balance import SolventBalanceShape
from recovery.rules.solvent_balance import Figures, Report, SolventBalance
from recovery.rules.solvent_balance_csv import balance_csv
from recovery.rules.solvent_balance_pdf import balance_pdf
from recovery.rules.solvent_balance_words import (
    APART_WORDS,
    EVERY_MONTH,
    FILE_NAME,
    SOURCES,
    cautions,
    grams,
    month_text,
)
from recovery.rules.solvent_terms import OUTPUTS, TermTable, load_terms
from recovery.selectors.solvent_balance import solvent_balance

MONTH = re.compile(r"(19|20|21)[0-9]{2}-(0[1-9]|1[0-2])", re.ASCII)
PERIOD_WORDS = (
    "since, until: months, both included; left out, from the first record and to the last. CSV or PDF when "
    "`Accept` or `format` asks for it; the same records in the same language give the same bytes. JSON, "
    "and codes and numbers of the CSV, are the same in any language."
)


def month(name: str, words: str = "") -> Param:
    """A month as "2026-03"; its first day."""

    def read(text: str) -> date:
        if MONTH.fullmatch(text) is None:
            raise ValueError
        return date(int(text[:4]), int(text[5:]), 1)

    return Param(name, read, {"type": "string", "pattern": f"^{MONTH.pattern}$", "maxLength": 7}, words)


class CsvRenderer(BaseRenderer):
    media_type = "text/csv"
    format = "csv"


class PdfRenderer(BaseRenderer):
    media_type = "application/pdf"
    format = "pdf"


class SolventBalances(LabView):
    """Inputs, outputs, consumption and emissions of a period, in the Directive's terms."""

    renderer_classes: Any = [JSONRenderer, CsvRenderer, PdfRenderer]
    content_negotiation_class = ByAccept
    contracts = {
        "GET": Contract(
            "reports.read",
            SolventBalanceShape,
            "Solvent balance",
            params=(
                month("since", "First month, as 2026-01."),
                month("until", "Last month, as 2026-12."),
                params.text("solvent", "Id, key, name or synonym; all when left out."),
                params.choice("format", ("json", "csv", "pdf"), "As the Accept header, for links."),
                params.choice("language", SPOKEN, "Of the words in CSV and PDF; en when left out."),
            ),
            tagged=True,
            media=(CsvRenderer.media_type, PdfRenderer.media_type),
            words=PERIOD_WORDS,
        )
    }

    def get(self, request: Any, lab: str) -> HttpResponse:
        given = self.query
        given.pop("format", None)
        language = given.pop("language", SPOKEN[0])
        try:
            found = solvent_balance(lab=self.caller.lab, **given)
        except InputError as error:
            raise QueryError(error.field, error.code, error.detail, error.remedy) from error
        kind = self.request.accepted_media_type
        sent = kind in _WRITERS
        response = self._file(kind, found, language) if sent else self.detail(self._body(found))
        response["Vary"] = "Accept"
        return response

    def _file(self, kind: str, found: Report, language: str) -> HttpResponse:
        say, slug = speaker(language), self.caller.lab.slug
        told: dict[str, Any] = {
            "lab": self.caller.lab.name,
            "cautions": cautions(found, today=self.today),
            "say": say,
        }
        if kind == PdfRenderer.media_type and language != SPOKEN[0]:
            told["language"] = language
        response = tagged(self.request._request, _WRITERS[kind](found, load_terms(), **told), kind)
        ending = "csv" if kind == CsvRenderer.media_type else "pdf"
        span = "-".join(filter(None, (month_text(found.since), month_text(found.until)))) or say(EVERY_MONTH)
        file = f"{say(FILE_NAME)}-{slug}-{span}.{ending}"
        response["Content-Disposition"] = f'attachment; filename="{file}"'
        return response

    def _body(self, found: Report) -> dict[str, Any]:
        table = load_terms()
        return {
            "lab": self.caller.lab.name,
            "since": month_text(found.since),
            "until": month_text(found.until),
            "closes": found.total.difference == 0,
            "total": figures_out(found.total, mass_out),
            "apart": [
                {"code": code, "words": APART_WORDS[code], "mass": mass_out(ng)}
                for code, ng in sorted(found.apart.items())
            ],
            "solvents": [solvent_out(each) for each in found.solvents],
            "terms": [{"term": t.term, "words": t.words, "source": t.source} for t in table.terms],
            "rows": rows_out(table),
            "stock_kinds": sorted(table.stock),
            "cautions": cautions(found, today=self.today),
            "sources": list(SOURCES),
        }


_WRITERS: dict[str, Callable[..., bytes]] = {
    CsvRenderer.media_type: balance_csv,
    PdfRenderer.media_type: balance_pdf,
}


def mass_out(mass_ng: int) -> dict[str, str | None]:
    """A mass in g, exact; no uncertainty is kept for sums of a period."""
    return {"value": grams(mass_ng), "unit": "g", "uncertainty": None}


def figures_out(figures: Figures, out: Callable[[int], Any]) -> dict[str, Any]:
    """A balance whose values `out` writes."""
    terms = {"I1": figures.i1, "I2": figures.i2} | {term: figures.outputs[term] for term in OUTPUTS}
    return {
        "opening": out(figures.opening),
        "brought_in": out(figures.brought_in),
        "closing": out(figures.closing),
        "terms": {term: out(value) for term, value in terms.items()},
        "consumption": out(figures.consumption),
        "fugitive": out(figures.fugitive),
        "fugitive_direct": out(figures.fugitive_direct),
        "difference": out(figures.difference),
        "total_emission": out(figures.emission),
        "fugitive_share": decimal_text(figures.fugitive_share),
    }


def solvent_out(solvent: SolventBalance) -> dict[str, Any]:
    return {
        "key": solvent.key,
        "name": solvent.name,
        "density_kg_m3": decimal_text(solvent.density_kg_m3),
        "mass": figures_out(solvent.mass, mass_out),
        "volume": figures_out(solvent.volume, volume_out),
        "stock": [
            {"kind": kind, "opening": volume_out(opening), "closing": volume_out(closing)}
            for kind, (opening, closing) in solvent.stock.items()
        ],
        "flows": [
            {
                "source": flow.source,
                "destination": flow.destination,
                "volume": volume_out(flow.volume_ul),
                "mass": mass_out(flow.mass_ng),
                "terms": list(flow.terms),
                "words": flow.words,
                "apart": flow.apart,
            }
            for flow in solvent.flows
        ],
    }


def rows_out(table: TermTable) -> list[dict[str, Any]]:
    """The data behind the terms, as it stands in the file: pairs that feed alike in one row."""
    merged: dict[Any, tuple[list[str], list[str]]] = {}
    for (source, destination), feed in table.feeds.items():
        sources, destinations = merged.setdefault(feed, ([], []))
        sources += [source] if source not in sources else []
        destinations += [destination] if destination not in destinations else []
    found = [
        {"from": pair[0], "to": pair[1], "terms": list(feed.signed), "words": feed.words,
         "source": feed.source, "apart": feed.apart}
        for feed, pair in merged.items()
    ]  # fmt: skip
    stock = sorted(table.stock)
    reuse = {"from": ["container"], "to": ["run"], "terms": [f"+{table.reuse.term}"]}
    found.append({**reuse, "words": table.reuse.words, "source": table.reuse.source, "apart": ""})
    inner = table.feed(stock[0], stock[1])
    found.append({"from": stock, "to": stock, "terms": [], "words": inner.words, "source": inner.source,
                  "apart": inner.apart})  # fmt: skip
    return found
