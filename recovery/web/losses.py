"""What runs lose: rates with intervals, standing signals, stills and purposes side by side, and the runs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from django.http import HttpResponse
from django.urls import reverse
from django.utils.translation import gettext as _

from inventory.models import Solvent
from inventory.web.desk import Desk, desk_page
from inventory.web.language import language_wanted, spoken
from recovery.models import LossSignal, Run
from recovery.rules.shipped_words import shipped
from recovery.selectors.loss_series import LossChart, loss_chart, signal_said
from recovery.selectors.losses import LossRate, loss_rates
from recovery.selectors.run_amounts import NOT_MEASURED, sums_of
from recovery.selectors.runs_behind import choices_of, runs_behind, standing_signals, started_on
from recovery.selectors.solvent_balance import solvent_balance
from recovery.web.loss_form import BY, NOT_TOLD, LossFilter
from recovery.web.run_balance import measured
from recovery.web.tables import TABLES

RUNS_SHOWN, CHARTED = 50, 60
BEHIND_SHOWN = 30
# What is worth setting side by side, once one solvent is chosen: unlike solvents never are.
SIDES = ("apparatus", "purpose")


@dataclass(frozen=True)
class Row:
    """One rate of a table. name: of its group; narrower: parameters of the address of its runs."""

    name: Any
    solvent: str
    of: LossRate
    narrower: str


@dataclass(frozen=True)
class Told:
    """A standing signal with the runs behind it."""

    signal: LossSignal
    words: str
    runs: list[Run]
    more: int


@desk_page("reports.read")
def losses(desk: Desk) -> HttpResponse:
    """Loss rates of closed runs, filtered by the address."""
    choices = choices_of(desk.lab)
    form = LossFilter(desk.request.GET, choices)
    if form.errors:
        return desk.render("recovery/losses.html", {"form": form, "filtered": True}, here="runs", status=400)
    if not choices.solvents:
        return desk.render("recovery/losses.html", {"form": form, "empty": True}, here="runs")
    solvent = form.chosen_solvent or (choices.solvents[0] if len(choices.solvents) == 1 else None)
    key = None if solvent is None else solvent.key
    shown = runs_behind(lab=desk.lab, **_period(form), equal=form.equal, limit=RUNS_SHOWN + 1)
    context: dict[str, Any] = {
        "form": form,
        "by": BY[form.by_group],
        "with_solvent": form.by_group != "solvent",
        "rates": _rows(desk, form, form.by_group),
        "filtered": bool(form.equal or form.period),
        "signals": _signals(desk, solvent),
        "solvent": solvent,
        "sides": [] if solvent is None else _sides(desk, form, solvent),
        "choices": choices.solvents,
        "tables": _tables(desk),
        "language": urlencode(language_wanted()),
        "runs": shown[:RUNS_SHOWN],
        "more": len(shown) > RUNS_SHOWN,
        "flows": solvent_balance(lab=desk.lab, **form.period, solvent=key),
    }
    measured(context["runs"], [row.run for row in context["runs"]])
    return desk.render("recovery/losses.html", {**context, **_chart(desk, form, solvent)}, here="runs")


def _period(form: LossFilter) -> dict[str, Any]:
    return {"since": form.period.get("since"), "until": form.period.get("until")}


def _rows(desk: Desk, form: LossFilter, by: str, **equal: str) -> list[Row]:
    """The newest month first; anything else by what was lost, the most first within a solvent."""
    groups = ("solvent",) if by == "solvent" else ("solvent", by)
    wanted: dict[str, Any] = {**_period(form), **form.equal, **equal}
    rates = loss_rates(lab=desk.lab, by=groups, **wanted)
    names = {row.key: row.name for row in form.choices.solvents}
    kinds = {row.key: spoken(shipped(row.name)) for row in form.choices.kinds}
    if by == "month":
        rates.sort(key=lambda rate: rate.group["month"], reverse=True)
    elif by != "solvent":
        rates.sort(key=lambda rate: (rate.group["solvent"], -(rate.loss_fraction or 0)))
    return [
        Row(
            _name(rate.group[by], by, names, kinds),
            names.get(rate.group["solvent"], rate.group["solvent"]),
            rate,
            urlencode(form.narrowed(rate.group, desk.lab)),
        )
        for rate in rates
    ]


def _name(value: Any, by: str, solvents: dict[str, str], kinds: dict[str, str]) -> Any:
    if value is None or value == "":
        return NOT_TOLD
    return {"solvent": solvents, "kind": kinds}.get(by, {}).get(value, value)


def _tables(desk: Desk) -> dict[str, str]:
    """Where the figures of this page are as CSV: by the same filters."""
    home, asked = reverse("recovery-csv", args=[desk.lab.slug]), desk.request.GET.copy()
    found = {}
    for name in TABLES:
        asked["table"] = name
        found[name] = f"{home}?{asked.urlencode()}"
    return found


def _sides(desk: Desk, form: LossFilter, solvent: Solvent) -> list[tuple[str, Any, list[Row]]]:
    """(caption, of what, rows) with at least two rows: one alone compares nothing. Last, stills within a
    purpose: what differs there is not the purpose."""
    tables: list[tuple[str, Any, list[Row]]] = [
        (_by(BY[by]), BY[by], _rows(desk, form, by, solvent=solvent.key))
        for by in SIDES
        if by != form.by_group
    ]
    both = _both(desk, form, solvent)
    if len({row.of.group["purpose"] for row in both}) < len(both):
        tables.append((_("Apparatus within each purpose"), _("purpose, apparatus"), both))
    return [table for table in tables if len(table[2]) > 1]


def _by(words: Any) -> str:
    return _("By %(what)s") % {"what": words}


def _both(desk: Desk, form: LossFilter, solvent: Solvent) -> list[Row]:
    """Each purpose with each apparatus, purpose by purpose."""
    wanted: dict[str, Any] = {**_period(form), **form.equal, "solvent": solvent.key}
    rates = loss_rates(lab=desk.lab, by=("solvent", "purpose", "apparatus"), **wanted)
    rates = [rate for rate in rates if rate.group["apparatus"]]
    rates.sort(key=lambda rate: (rate.group["purpose"], rate.group["apparatus"]))
    return [
        Row(
            f"{rate.group['purpose']}, {rate.group['apparatus']}",
            solvent.name,
            rate,
            urlencode(form.narrowed(rate.group, desk.lab)),
        )
        for rate in rates
    ]


def _signals(desk: Desk, solvent: Solvent | None) -> list[Told]:
    rows = standing_signals(lab=desk.lab, solvent=solvent)
    shown = {run for row in rows for run in row.data["runs"][-BEHIND_SHOWN:]}
    runs = started_on({*shown, *(row.since_run_id for row in rows)})
    return [
        Told(
            row,
            _said(desk, row, runs.get(row.since_run_id)),
            [runs[run] for run in row.data["runs"][-BEHIND_SHOWN:] if run in runs],
            max(len(row.data["runs"]) - BEHIND_SHOWN, 0),
        )
        for row in rows
    ]


def _said(desk: Desk, row: LossSignal, first: Run | None) -> str:
    if first is None:
        return row.words
    since = first.started_at.astimezone(ZoneInfo(desk.lab.time_zone)).date()
    return signal_said(row, since=since, today=desk.today)


def _chart(desk: Desk, form: LossFilter, solvent: Solvent | None) -> dict[str, Any]:
    """The chart of one solvent with its runs, the newest first."""
    if solvent is None:
        return {}
    chart: LossChart = loss_chart(lab=desk.lab, choice=form.choice(solvent), today=desk.today)
    alt = _("What each run lost of %(name)s, in order. The table below says the same.") % {
        "name": spoken(solvent.name)
    }
    newest = list(reversed(chart.runs[-CHARTED:]))
    places = Run.objects.filter(pk__in=[one.run for one in newest]).values_list("pk", "place_id")
    known = sums_of(list(places)) if newest else {}
    charted = [(one, known.get((one.run, solvent.pk), NOT_MEASURED)) for one in newest]
    return {"chart": chart, "charted": charted, "chart_alt": alt, "chart_asked": form.chart_asked}
