"""The figures behind each picture as CSV. Volumes in µL at 20 °C, masses in ng, fractions from 0 to 1."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from django.http import Http404, HttpResponse
from django.http.response import HttpResponseBase

from inventory.models import Solvent
from inventory.services.forecasting import outlook_of, point_of
from inventory.web.csv_out import coded, csv_file
from inventory.web.desk import Desk, desk_page
from inventory.web.finding import container_or_404
from inventory.web.language import spoken
from recovery.models import Run
from recovery.rules.shipped_words import shipped
from recovery.selectors.drawn_losses import rules_of
from recovery.selectors.loss_series import loss_chart
from recovery.selectors.losses import LossRate, loss_rates
from recovery.selectors.runs_behind import choices_of
from recovery.selectors.solvent_balance import solvent_balance
from recovery.templatetags.bench import place_words
from recovery.templatetags.drawn import STATES
from recovery.web.loss_form import LossFilter
from recovery.web.period import PeriodForm
from recovery.web.run_balance import balances_of
from recovery.web.solvent_balance import BalanceForm

Rows = Iterable[Sequence[Any]]
TABLES = ("rates", "chart", "flows")
RATES = (
    "runs",
    "runs_without_return",
    "charged_ul",
    "returned_ul",
    "lost_ul",
    "loss_fraction",
    "lower",
    "upper",
)
CHART = (
    "run",
    "started_on",
    "charged_ul",
    "lost_ul",
    "loss_fraction",
    "lower",
    "upper",
    "ewma",
    "rules_broken",
)
FLOWS = ("solvent", "from", "to", "volume_ul", "mass_ng")
BALANCE = ("solvent", "step", "code", "volume_ul", "u_volume_ul", "known_by", "note")
GROWTH = ("tested_on", "lower_mg_per_l", "upper_mg_per_l", "method")


@desk_page("reports.read")
def recovery_csv(desk: Desk) -> HttpResponseBase:
    """What the page of losses shows by the same filters. `?table=` rates, chart or flows."""
    wanted = desk.request.GET.get("table", "rates")
    if wanted not in TABLES:
        raise Http404
    choices = choices_of(desk.lab)
    form = LossFilter(desk.request.GET, choices)
    if form.errors:
        return _unread(form)
    one = choices.solvents[0] if len(choices.solvents) == 1 else None
    solvent = form.chosen_solvent or one
    if wanted == "chart":
        return csv_file("losses-run-by-run", CHART, _chart(desk, form, solvent))
    if wanted == "flows":
        return csv_file("flows", FLOWS, _flows(desk, form, None if solvent is None else solvent.key))
    groups = ("solvent",) if form.by_group == "solvent" else ("solvent", form.by_group)
    chosen: dict[str, Any] = {**form.period, **form.equal}
    rates = loss_rates(lab=desk.lab, by=groups, **chosen)
    names: dict[str, dict[Any, str]] = {
        "solvent": {row.key: row.name for row in choices.solvents},
        "kind": {row.key: spoken(shipped(row.name)) for row in choices.kinds},
    }
    return csv_file("loss-rates", (*groups, *RATES), ([*_group(rate, names), *_rate(rate)] for rate in rates))


def _unread(form: PeriodForm) -> HttpResponse:
    return HttpResponse(form.faults(), status=400, content_type="text/plain; charset=utf-8")


def _group(rate: LossRate, names: Mapping[str, Mapping[Any, str]]) -> list[Any]:
    """What the rate is of: by key, or by name for a person."""
    return [coded(value, names.get(by, {}).get(value, value)) for by, value in rate.group.items()]


def _rate(rate: LossRate) -> list[Any]:
    own = [getattr(rate, name) for name in RATES[:-2]]
    return [*own, rate.rate.lower, rate.rate.upper]


def _chart(desk: Desk, form: LossFilter, solvent: Solvent | None) -> Rows:
    if solvent is None:
        return
    for one in loss_chart(lab=desk.lab, choice=form.choice(solvent), today=desk.today).runs:
        at = one.point
        yield (
            one.run, one.started_on, one.charged_ul, one.lost_ul, at.fraction, at.lower, at.upper, at.ewma,
            coded(" ".join(at.broken), rules_of(at)),
        )  # fmt: skip


@desk_page("reports.read")
def flows_csv(desk: Desk) -> HttpResponseBase:
    """What the picture of the solvent balance shows, by the same filters."""
    form = BalanceForm(desk.request.GET, desk.lab)
    if form.errors:
        return _unread(form)
    return csv_file("flows", FLOWS, _flows(desk, form, form.key))


def _flows(desk: Desk, form: PeriodForm, key: str | None) -> Rows:
    found = solvent_balance(lab=desk.lab, **form.period, solvent=key)
    for each in found.solvents:
        for flow in each.flows:
            ends = (coded(end, place_words(end)) for end in (flow.source, flow.destination))
            yield (each.name, *ends, flow.volume_ul, flow.mass_ng)


@desk_page("runs.read")
def balance_csv(desk: Desk, run: str) -> HttpResponseBase:
    """The balance of a run, step by step. Uncertainties are standard ones, k = 1."""
    found = desk.caller.by_id(Run.objects.select_related("kind"), run)
    rows = (
        (
            *(row.solvent.name, bar.words, coded(bar.code, bar.words), bar.value_ul, bar.u_ul),
            *(coded(bar.state, STATES.get(bar.state, bar.state)), bar.note),
        )
        for row in balances_of(desk.lab, found)
        for bar in row.waterfall.bars
        if bar.role != "rest" or row.waterfall.code != "still-open"
    )
    return csv_file(f"run-{found.pk}", BALANCE, rows)


@desk_page("safety.read")
def growth_csv(desk: Desk, code: str) -> HttpResponseBase:
    """The readings that the growth of peroxide rests on, as intervals in mg/L."""
    held = container_or_404(desk.caller, code)
    points = [point_of(test) for test in outlook_of(held).tests]
    rows = ((point.day, point.lower_mg_per_l, point.upper_mg_per_l, point.method) for point in points)
    return csv_file(f"readings-{held.code}", GROWTH, rows)
