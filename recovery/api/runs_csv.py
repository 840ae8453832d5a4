"""Runs as a table for spreadsheets (RFC 4180): a line for each run and solvent, not only one page.

In English it bears codes, as programs know them; in another language what a person reads. Numbers and times
are the same in any, and what people wrote stays as they wrote it.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator
from io import StringIO
from typing import Any

from django.db.models import QuerySet
from rest_framework.renderers import BaseRenderer

from inventory.api.problems import QueryError
from inventory.rules.phrases import Say
from recovery.api.rows_runs import RUN_COLUMNS, run_out, with_details
from recovery.models import Run
from recovery.rules.runs_csv_words import COLUMN_WORDS, FINDING_WORDS, STATE_WORDS
from recovery.rules.shipped_words import shipped
from recovery.rules.solvent_balance_csv import harmless

RUNS_MAX, BATCH = 20_000, 500
MARK = "\ufeff"
COLUMNS = (
    "run", "state", "kind", "purpose", "operator", "room", "apparatus", "started_at", "closed_at", "solvent",
    "charged_ml", "returned_ml", "held_ml", "lost_ml", "loss_fraction", "findings", "facts", "remarks",
)  # fmt: skip
PARTS = ("charged", "returned", "held", "lost")
NO_SUM: dict[str, Any] = {"solvent": {"key": ""}, "loss_fraction": None}


class CsvRenderer(BaseRenderer):
    media_type = "text/csv"
    format = "csv"


def runs_csv(rows: QuerySet[Run], say: Say | None = None) -> bytes:
    """UTF-8 text with a header, oldest run first. Raises QueryError when there are too many at once.

    say: says the words in a language, with the mark in front that tells spreadsheets it is UTF-8; None:
    English codes without one.
    """
    ids = list(rows.order_by("id").values_list("pk", flat=True)[: RUNS_MAX + 1])
    if len(ids) > RUNS_MAX:
        raise QueryError(
            "format",
            "too-many-runs",
            f"More than {RUNS_MAX} runs fit.",
            "Ask for fewer, as by month or started_at__gte.",
        )
    out = StringIO()
    writer = csv.writer(out)
    if say is not None:
        out.write(MARK)
    writer.writerow(COLUMNS if say is None else [say(COLUMN_WORDS[name]) for name in COLUMNS])
    for start in range(0, len(ids), BATCH):
        batch = Run.objects.filter(pk__in=ids[start : start + BATCH]).order_by("id")
        for run in with_details([run_out(row) for row in batch.values_list(*RUN_COLUMNS)]):
            writer.writerows(_lines(run if say is None else _said(run, say)))
    return out.getvalue().encode()


def _said(run: dict[str, Any], say: Say) -> dict[str, Any]:
    """The run with words where there were codes."""
    kind = run["kind"]
    return {
        **run,
        "state": say(STATE_WORDS.get(run["state"], run["state"])),
        "kind": kind and {"key": say(shipped(kind["name"]))},
        "findings": [say(FINDING_WORDS.get(code, code)) for code in run["findings"]],
        "facts": [
            {"field": say(shipped(fact["name"])), "text": say(shipped(fact["text"]))} for fact in run["facts"]
        ],
        "sums": [{**one, "solvent": {"key": say(one["solvent"]["name"])}} for one in run["sums"]],
    }


def _lines(run: dict[str, Any]) -> Iterator[list[str]]:
    facts = "; ".join(f"{fact['field']}: {fact['text']}" for fact in run["facts"])
    used = "; ".join(one["name"] for one in run["apparatus"])
    kind, room = (run["kind"] or {}).get("key", ""), (run["location"] or {}).get("name", "")
    ends = [run[name].isoformat() if run[name] else "" for name in ("started_at", "closed_at")]
    head = [run["id"], run["state"], kind, run["purpose"], run["operator"], room, used, *ends]
    tail = ["; ".join(run["findings"]), facts, run["remarks"]]
    for one in run["sums"] or [NO_SUM]:
        volumes = [
            one[part]["value"] if part in one else "" for part in ("charged", "returned", "held", "lost")
        ]
        words = [*map(harmless, head), harmless(one["solvent"]["key"])]
        yield [*words, *volumes, one["loss_fraction"] or "", *map(harmless, tail)]
