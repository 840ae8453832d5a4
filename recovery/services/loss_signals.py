"""Signals that a series of runs loses more, or less, than its baseline: found and ended with what is booked.

Two kinds of series are watched: a solvent with a purpose, always, and a solvent with an apparatus where one
is told. Only the series of the run in question are read. A signal is never ended by hand: it ends when a
repair or change is recorded, or when the runs are as before, or when those behind it are corrected.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.db.models import Count

from inventory.models import Lab, Solvent
from inventory.services.audit import Finding
from inventory.services.containers import day_in_lab
from recovery.models import Apparatus, LossSignal, Run, RunApparatus, RunSum
from recovery.rules.loss_watch import BASELINE_RUNS, Signal, signals_in, width
from recovery.rules.loss_words import ENDED_WORDS
from recovery.rules.rates import Rate
from recovery.selectors.loss_series import Choice, Series, chart_signal, series_of

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
    refresh(lab=lab, keys=_watched_keys(lab), now=now)


def _watched_keys(lab: Lab) -> list[Key]:
    """Every series with more runs than a baseline has, and every one with a standing signal."""
    closed = RunSum.objects.filter(run__lab=lab, run__closed_at__isnull=False, returned_ul__gt=0)
    by_purpose = closed.values_list("solvent_id", "run__purpose").annotate(runs=Count("id")).order_by()
    pairs = closed.filter(run__run_apparatus__isnull=False).values_list(
        "solvent_id", "run__run_apparatus__apparatus"
    )
    by_apparatus = pairs.annotate(runs=Count("id")).order_by()
    keys = [Key(solvent, apparatus_id=pk) for solvent, pk, runs in by_apparatus if runs > BASELINE_RUNS]
    keys += [Key(solvent, purpose) for solvent, purpose, runs in by_purpose if runs > BASELINE_RUNS]
    return keys + _standing_keys(LossSignal.objects.filter(lab=lab, ended_at=None))


def refresh(*, lab: Lab, keys: Iterable[Key], now: datetime) -> None:
    """Bring the signals of some series up to date with their runs; repeating it changes nothing."""
    today = day_in_lab(lab, now)
    # An apparatus before a purpose: of one leak, the apparatus is named once and not the purpose as well.
    for key in sorted(set(keys), key=lambda key: (key.apparatus_id is None, key.text)):
        _refresh(lab, key, now, today)


@dataclass(frozen=True, slots=True)
class _Seen:
    """A series as it is now, with all its signals."""

    key: Key
    choice: Choice
    series: Series
    signals: tuple[Signal, ...]

    @property
    def last(self) -> Signal | None:
        return self.signals[-1] if self.signals else None


def _seen(lab: Lab, key: Key) -> _Seen:
    choice = Choice(
        solvent=Solvent.objects.only("key", "name").get(pk=key.solvent_id),
        purpose=key.purpose if key.apparatus_id is None else None,
        apparatus=None if key.apparatus_id is None else Apparatus.objects.get(pk=key.apparatus_id),
    )
    series = series_of(lab=lab, choice=choice)
    return _Seen(key, choice, series, signals_in(series.fractions, resets=series.resets_by_index))


def _side(signal: Signal) -> str:
    return "more" if signal.side > 0 else "less"


def _refresh(lab: Lab, key: Key, now: datetime, today: date) -> None:
    held = LossSignal.objects.filter(lab=lab, series=key.text, ended_at=None).first()
    seen = _seen(lab, key)
    last = seen.last
    if last is None or last.ended is not None:
        if held is not None:
            _end(held, now, _ended_by(held, seen.series, last))
        return
    if _said_of_apparatus(lab, seen, last):
        if held is not None:
            _end(held, now, "one-apparatus")
        return
    if held is not None and held.direction != _side(last):
        _end(held, now, "in-control")
        held = None
    row = _row(lab, seen, last, now, today)
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


def _said_of_apparatus(lab: Lab, seen: _Seen, signal: Signal) -> bool:
    """Whether every run behind a purpose's signal was done in an apparatus that has the like standing."""
    if seen.key.apparatus_id is not None:
        return False
    runs = [run.run for run in seen.series.runs[signal.since :]]
    said = LossSignal.objects.filter(
        lab=lab, solvent_id=seen.key.solvent_id, ended_at=None, purpose="", apparatus__isnull=False,
        direction=_side(signal),
    )  # fmt: skip
    return any(
        RunApparatus.objects.filter(apparatus__signals=row, run__in=runs).count() == len(runs) for row in said
    )


def _row(lab: Lab, seen: _Seen, signal: Signal, now: datetime, today: date) -> LossSignal:
    series, choice = seen.series, seen.choice
    runs = series.runs[signal.since :]
    zone = ZoneInfo(lab.time_zone)
    days = [run.started_at.astimezone(zone).date() for run in series.runs]
    said = chart_signal(series, signal, choice.name, days, today)
    limits = series.runs[signal.begins : signal.begins + BASELINE_RUNS]
    return LossSignal(
        lab=lab,
        series=seen.key.text,
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
            "apparatus": sorted({name for run in runs for name in series.apparatus.get(run.run, ())}),
        },
        words=said.words,
        found_at=now,
    )


def _rate_data(rate: Rate) -> dict[str, Any]:
    names = ("runs", "fraction", "lower", "upper", "words")
    return {name: getattr(rate, name) for name in names}


def signal_differences(lab: Lab | None, full: bool) -> Iterator[Finding]:
    """For the full audit: every watched series worked out again, and what stands for it.

    Two runs of a series that are closed at the same moment do not see each other; the next run, or this,
    tells.
    """
    if not full:
        return
    for one in Lab.objects.order_by("pk") if lab is None else [lab]:
        for key in sorted(set(_watched_keys(one)), key=lambda key: key.text):
            seen = _seen(one, key)
            last = seen.last if seen.last and seen.last.ended is None else None
            if last is not None and _said_of_apparatus(one, seen, last):
                last = None
            held = LossSignal.objects.filter(lab=one, series=key.text, ended_at=None).first()
            expected = _plain(_side(last), seen.series.runs[last.since].run) if last else "none"
            found = _plain(held.direction, held.since_run_id) if held else "none"
            if expected != found:
                yield Finding("loss-signal", "recovery_losssignal", key.text, expected, found)


def _plain(direction: str, run: int) -> str:
    return f"{direction} since run {run}"
