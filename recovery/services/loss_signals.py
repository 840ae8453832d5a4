"""Signals that a series of runs loses more, or less, than its baseline: found and ended with what is booked.

Two kinds of series are watched: a solvent with a purpose, always, and a solvent with an apparatus where one
is told. Only the series of the run in question are read. A signal is never ended by hand: it ends when a
repair or change is recorded, or when the runs are as before, or when those behind it are corrected.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.db.models import Count

from inventory.models import Lab, Solvent
from inventory.services.containers import day_in_lab
from recovery.models import Apparatus, LossSignal, Run, RunApparatus, RunSum
from recovery.rules.loss_watch import BASELINE_RUNS, Signal, signals_in, width
from recovery.rules.loss_words import ENDED_WORDS
from recovery.rules.rates import Rate
from recovery.selectors.loss_series import ChartSignal, Choice, Series, chart_signal, series_of

CHART, RULE = "ewma", "ewma-after-baseline"


@dataclass(frozen=True, slots=True)
class Key:
    """One watched series: a solvent with a purpose, or with an apparatus."""

    solvent_id: int
    purpose: str = ""
    apparatus_id: int | None = None

    @property
    def text(self) -> str:
        """The name of the series in its row."""
        what = f"apparatus:{self.apparatus_id}" if self.apparatus_id else f"purpose:{self.purpose}"
        return f"{self.solvent_id}/{what}"


def on_settled(*, lab: Lab, run: Run, now: datetime, why: str, **_: Any) -> None:
    """Receiver of `run_hooks.settled`: look at the series of a run that was closed, reopened or changed.

    After a change it may have left a series: those with a standing signal of the same solvents are looked at.
    """
    keys = keys_of(run)
    if why == "changed":
        solvents = {key.solvent_id for key in keys}
        keys += _standing_keys(LossSignal.objects.filter(lab=lab, ended_at=None, solvent__in=solvents))
    refresh(lab=lab, keys=keys, now=now)


def on_recorded(*, lab: Lab, apparatus: Apparatus, now: datetime, **_: Any) -> None:
    """Receiver of `run_hooks.recorded`: a repair or change, or one taken back, moves a baseline."""
    runs = Run.objects.filter(run_apparatus__apparatus=apparatus)
    pairs = RunSum.objects.filter(run__in=runs).values_list("solvent_id", "run__purpose").distinct()
    keys = [Key(solvent_id, purpose) for solvent_id, purpose in pairs]
    keys += [Key(solvent_id, apparatus_id=apparatus.pk) for solvent_id in {key.solvent_id for key in keys}]
    refresh(lab=lab, keys=keys, now=now)


def keys_of(run: Run) -> list[Key]:
    """The watched series of one run."""
    solvents = sorted(RunSum.objects.filter(run=run).values_list("solvent_id", flat=True))
    used = list(RunApparatus.objects.filter(run=run).order_by("id").values_list("apparatus_id", flat=True))
    by_apparatus = [Key(solvent, apparatus_id=pk) for solvent in solvents for pk in used]
    return [*by_apparatus, *(Key(solvent, run.purpose) for solvent in solvents)]


def _standing_keys(rows: Iterable[LossSignal]) -> list[Key]:
    return [Key(row.solvent_id, row.purpose, row.apparatus_id if not row.purpose else None) for row in rows]


def refresh_lab(*, lab: Lab, now: datetime) -> None:
    """Look at every series of a lab that has enough runs, as after an import of many."""
    closed = RunSum.objects.filter(run__lab=lab, run__closed_at__isnull=False, returned_ul__gt=0)
    by_purpose = closed.values_list("solvent_id", "run__purpose").annotate(runs=Count("id")).order_by()
    pairs = closed.filter(run__run_apparatus__isnull=False).values_list(
        "solvent_id", "run__run_apparatus__apparatus"
    )
    by_apparatus = pairs.annotate(runs=Count("id")).order_by()
    keys = [Key(solvent, apparatus_id=pk) for solvent, pk, runs in by_apparatus if runs > BASELINE_RUNS]
    keys += [Key(solvent, purpose) for solvent, purpose, runs in by_purpose if runs > BASELINE_RUNS]
    keys += _standing_keys(LossSignal.objects.filter(lab=lab, ended_at=None))
    refresh(lab=lab, keys=keys, now=now)


def refresh(*, lab: Lab, keys: Iterable[Key], now: datetime) -> None:
    """Bring the signals of some series up to date with their runs; repeating it changes nothing."""
    today = day_in_lab(lab, now)
    # An apparatus before a purpose: of one leak, the apparatus is named once and not the purpose as well.
    for key in sorted(set(keys), key=lambda key: (key.apparatus_id is None, key.text)):
        _refresh(lab, key, now, today)


def _refresh(lab: Lab, key: Key, now: datetime, today: date) -> None:
    choice = Choice(
        solvent=Solvent.objects.only("key", "name").get(pk=key.solvent_id),
        purpose=key.purpose if key.apparatus_id is None else None,
        apparatus=None if key.apparatus_id is None else Apparatus.objects.get(pk=key.apparatus_id),
    )
    held = LossSignal.objects.filter(lab=lab, series=key.text, ended_at=None).first()
    series = series_of(lab=lab, choice=choice)
    found = signals_in(series.fractions, resets=series.resets_by_index)
    last = found[-1] if found else None
    if last is None or last.ended is not None:
        if held is not None:
            _end(held, now, _ended_by(held, series, last))
        return
    if key.apparatus_id is None and _said_of_apparatus(lab, key, series, last):
        if held is not None:
            _end(held, now, "one-apparatus")
        return
    side = "more" if last.side > 0 else "less"
    if held is not None and held.direction != side:
        _end(held, now, "in-control")
        held = None
    days = [run.started_at.astimezone(ZoneInfo(lab.time_zone)).date() for run in series.runs]
    row = _row(lab, key, choice, series, last, chart_signal(series, last, choice.name, days, today), now)
    if held is None:
        LossSignal.objects.bulk_create([row], ignore_conflicts=True)
    else:
        kept = ("direction", "since_run_id", "last_run_id", "data", "words")
        LossSignal.objects.filter(pk=held.pk).update(**{name: getattr(row, name) for name in kept})


def _ended_by(held: LossSignal, series: Series, last: Signal | None) -> str:
    """Why a signal no longer stands: the chart's own word where it still knows of it."""
    known = last is not None and series.runs[last.since].run in held.data["runs"]
    return last.ended_by if last is not None and known else "corrected"


def _end(held: LossSignal, now: datetime, why: str) -> None:
    LossSignal.objects.filter(pk=held.pk, ended_at=None).update(ended_at=now, ended_words=ENDED_WORDS[why])


def _said_of_apparatus(lab: Lab, key: Key, series: Series, signal: Signal) -> bool:
    """Whether every run behind a signal was done in one apparatus that has a signal of that side standing."""
    runs = [run.run for run in series.runs[signal.since :]]
    said = LossSignal.objects.filter(
        lab=lab, solvent_id=key.solvent_id, ended_at=None, purpose="", apparatus__isnull=False,
        direction="more" if signal.side > 0 else "less",
    )  # fmt: skip
    return any(
        RunApparatus.objects.filter(apparatus__signals=row, run__in=runs).count() == len(runs) for row in said
    )


def _row(
    lab: Lab, key: Key, choice: Choice, series: Series, signal: Signal, said: ChartSignal, now: datetime
) -> LossSignal:
    runs = series.runs[signal.since :]
    names = {name for run in runs for name in series.apparatus.get(run.run, ())}
    limits = series.runs[signal.begins : signal.begins + BASELINE_RUNS]
    return LossSignal(
        lab=lab,
        series=key.text,
        solvent=choice.solvent,
        apparatus=choice.apparatus,
        purpose=choice.purpose or "",
        chart=CHART,
        rule=RULE,
        direction=said.direction,
        since_run_id=runs[0].run,
        last_run_id=runs[-1].run,
        data={
            "runs": [run.run for run in runs],
            "baseline": [run.run for run in limits],
            "width": width(BASELINE_RUNS),
            "before": _rate_data(said.before),
            "after": _rate_data(said.after),
            "apparatus": sorted(names),
        },
        words=said.words,
        found_at=now,
    )


def _rate_data(rate: Rate) -> dict[str, Any]:
    names = ("runs", "fraction", "lower", "upper", "words")
    return {name: getattr(rate, name) for name in names}
