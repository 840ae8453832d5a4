"""Charts of losses, and the signals that they gave."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any
from zoneinfo import ZoneInfo

from django.http import HttpResponse

from inventory.access import Caller
from inventory.api.base import Contract, LabView
from inventory.api.lookup import solvent_at
from inventory.api.paging import Key, orderings, page
from inventory.api.params import choice, flag, number, paging, ref, text
from inventory.api.problems import QueryError
from inventory.api.quantities import volume_out
from inventory.api.rows import solvent_ref
from inventory.models import Solvent
from inventory.rules.errors import InputError
from recovery.api.shapes_losses import LossChartShape, LossSignalShape
from recovery.models import Apparatus, LossSignal
from recovery.rules.loss_watch import BASELINE_LEAST, BASELINE_MOST, BASELINE_RUNS
from recovery.rules.rates import Rate
from recovery.rules.run_rules import RULES
from recovery.selectors.loss_series import ChartRun, ChartSignal, Choice, LossChart, loss_chart
from recovery.services.kinds import kind_named

RUNS_SHOWN, RUNS_SHOWN_MAX = 200, 1000
BY_ID = orderings(id=Key("id", "int"))
RELATED = ("solvent", "apparatus", "since_run")
CHART_PARAMS = (
    text("purpose", "Exactly as the runs have it."),
    ref("apparatus"),
    text("kind", "Id or key."),
    text("operator", "Exactly as the runs have it."),
    number("baseline", f"Runs; {BASELINE_RUNS} when left out.", least=BASELINE_LEAST, most=BASELINE_MOST),
)
OWN_RULES = {
    "ewma": ("the EWMA beyond its widened limits", "NIST/SEMATECH 6.3.2.4; limits widened for the baseline"),
    "cusum": ("the CUSUM beyond five sigma", "NIST/SEMATECH 6.3.2.3, k 0.5, h 5"),
}


def number_text(value: float | None) -> str | None:
    """A fraction as decimal text to a millionth."""
    return None if value is None else f"{value:.6f}"


def rate_out(rate: Rate) -> dict[str, Any]:
    return {
        "runs": rate.runs,
        "loss_fraction": number_text(rate.fraction),
        "uncertainty": number_text(rate.u),
        "lower": number_text(rate.lower),
        "upper": number_text(rate.upper),
        "level": f"{rate.level:g}",
        "words": rate.words,
    }


def choice_of(caller: Caller, solvent: Solvent, given: Mapping[str, Any]) -> Choice:
    """The series that the parameters of an address mean. Raises QueryError for what the lab has not."""
    apparatus = kind = None
    if "apparatus" in given:
        apparatus = Apparatus.objects.filter(lab=caller.lab, pk=given["apparatus"]).first()
        if apparatus is None:
            raise QueryError("apparatus", "unknown-apparatus", "This lab has none such.", "Send its id.")
    if "kind" in given:
        try:
            kind = kind_named(lab=caller.lab, ref=given["kind"])
        except InputError as error:
            raise QueryError("kind", error.code, error.detail, error.remedy) from error
    return Choice(solvent, given.get("purpose"), apparatus, kind, given.get("operator"))


class LossCharts(LabView):
    """What each run lost, with limits from the first runs, and since when more is lost."""

    contracts = {
        "GET": Contract(
            "reports.read",
            LossChartShape,
            "A chart of losses",
            params=(
                *CHART_PARAMS,
                number("last", f"Runs listed; {RUNS_SHOWN} when left out.", least=1, most=RUNS_SHOWN_MAX),
            ),
            words="Of closed runs with this solvent that brought something back. Every run counts, whether "
            "it is listed or not. Alerts are opened for a solvent with a purpose, and with an apparatus.",
        )
    }

    def get(self, request: Any, lab: str, solvent: str) -> HttpResponse:
        given = self.query
        found = choice_of(self.caller, solvent_at(self.caller, solvent), given)
        baseline = given.get("baseline", BASELINE_RUNS)
        chart = loss_chart(lab=self.caller.lab, choice=found, today=self.today, baseline=baseline)
        return self.listing(chart_out(chart, found.solvent, given.get("last", RUNS_SHOWN)))


def chart_out(chart: LossChart, solvent: Solvent, last: int) -> dict[str, Any]:
    """A chart with its last runs."""
    shown = chart.runs[-last:]
    broken = dict.fromkeys(key for run in shown for key in run.point.broken)
    return {
        "name": chart.name,
        "solvent": solvent_ref(solvent.pk, solvent.key, solvent.name),
        "words": chart.words,
        "rate": rate_out(chart.rate),
        "baseline_runs": chart.baseline_runs,
        "missing": chart.missing,
        "width": f"{chart.width:.3f}",
        "runs": [_run_out(run) for run in shown],
        "left_off": len(chart.runs) - len(shown),
        "signals": [_signal_out(chart, signal) for signal in chart.signals],
        "resets": [
            {"happened_on": one.on, "what": one.what, "apparatus": one.apparatus} for one in chart.resets
        ],
        "rules": [_rule_out(key) for key in broken],
        "notes": list(chart.notes),
        "runs_without_return": chart.without_return,
        "open_runs": chart.still_open,
    }


def _run_out(run: ChartRun) -> dict[str, Any]:
    point = run.point
    return {
        "run": str(run.run),
        "started_on": run.started_on,
        "charged": volume_out(run.charged_ul),
        "lost": volume_out(run.lost_ul),
        "is_history": run.is_history,
        "loss_fraction": number_text(point.fraction),
        "phase": point.phase,
        "stretch": point.stretch,
        "centre": number_text(point.centre),
        "lower": number_text(point.lower),
        "upper": number_text(point.upper),
        "moving_range": number_text(point.moved),
        "moving_range_upper": number_text(point.moved_upper),
        "ewma": number_text(point.ewma),
        "ewma_lower": number_text(point.ewma_lower),
        "ewma_upper": number_text(point.ewma_upper),
        "cusum_high": number_text(point.cusum_high),
        "cusum_low": number_text(point.cusum_low),
        "cusum_limit": number_text(point.cusum_limit),
        "broken": list(point.broken),
    }


def _signal_out(chart: LossChart, signal: ChartSignal) -> dict[str, Any]:
    ended = signal.ended if signal.ended is not None and signal.ended < len(chart.runs) else None
    return {
        "direction": signal.direction,
        "since_run": str(chart.runs[signal.since].run),
        "since_on": chart.runs[signal.since].started_on,
        "found_run": str(chart.runs[signal.found].run),
        "ended_run": None if ended is None else str(chart.runs[ended].run),
        "ended_by": signal.ended_by,
        "stands": signal.ended is None,
        "words": signal.words,
        "before": rate_out(signal.before),
        "after": rate_out(signal.after),
    }


def _rule_out(key: str) -> dict[str, str]:
    rule = RULES.get(key)
    words, source = (rule.words, rule.source) if rule else OWN_RULES[key]
    return {"key": key, "words": words, "source": source}


class LossSignals(LabView):
    """Series of runs that lose more, or less, than they did, newest first."""

    contracts = {
        "GET": Contract(
            "reports.read",
            LossSignalShape,
            "Signals of losses",
            params=(
                flag("stands", "Not ended."),
                choice("direction", ["more", "less"]),
                text("solvent", "Id, key, name or synonym."),
                text("purpose"),
                ref("apparatus"),
                *paging(BY_ID),
            ),
            paged=True,
        )
    }

    def get(self, request: Any, lab: str) -> HttpResponse:
        given = self.query
        rows = LossSignal.objects.filter(lab=self.caller.lab)
        names = {"solvent": "solvent__key", "apparatus": "apparatus_id"}
        for name in ("direction", "solvent", "purpose", "apparatus"):
            if name in given:
                rows = rows.filter(**{names.get(name, name): given[name]})
        if "stands" in given:
            rows = rows.filter(ended_at__isnull=given["stands"])
        keys = BY_ID[given.get("ordering", "-id")]
        body = page(request._request, rows, keys=keys, columns=("id",), given=given, shape=lambda row: row[0])
        held = LossSignal.objects.select_related(*RELATED).in_bulk(body["results"])
        zone = ZoneInfo(self.caller.lab.time_zone)
        return self.listing({**body, "results": [signal_out(held[pk], zone) for pk in body["results"]]})


class LossSignalDetail(LabView):
    """One signal with the runs behind it."""

    contracts = {"GET": Contract("reports.read", LossSignalShape, "One signal of losses", tagged=True)}

    def get(self, request: Any, lab: str, signal: str) -> HttpResponse:
        self.query  # noqa: B018 - refuses parameters
        row = self.caller.by_id(LossSignal.objects.select_related(*RELATED), signal)
        return self.detail(signal_out(row, ZoneInfo(self.caller.lab.time_zone)))


def signal_out(row: LossSignal, zone: ZoneInfo) -> dict[str, Any]:
    """A row with its solvent, apparatus and first run loaded."""
    solvent, of, data = row.solvent, row.apparatus, row.data
    return {
        "id": str(row.pk),
        "solvent": solvent_ref(solvent.pk, solvent.key, solvent.name),
        "purpose": row.purpose,
        "apparatus": None if of is None else {"id": str(of.pk), "name": of.name},
        "direction": row.direction,
        "words": row.words,
        "chart": row.chart,
        "rule": row.rule,
        "since_run": str(row.since_run_id),
        "since_on": row.since_run.started_at.astimezone(zone).date(),
        "last_run": str(row.last_run_id),
        "runs": [str(run) for run in data["runs"]],
        "baseline": [str(run) for run in data["baseline"]],
        "done_in": data["apparatus"],
        "before": _kept_rate(data["before"]),
        "after": _kept_rate(data["after"]),
        "found_at": row.found_at,
        "ended_at": row.ended_at,
        "ended_words": row.ended_words,
    }


def _kept_rate(kept: Mapping[str, Any]) -> dict[str, Any]:
    numbers = {name: number_text(kept[name]) for name in ("lower", "upper")}
    known = {"runs": kept["runs"], "loss_fraction": number_text(kept["fraction"]), "words": kept["words"]}
    return known | numbers
