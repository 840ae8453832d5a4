"""The runs of a series in order, and the chart of what they lost.

A series is one solvent with any of purpose, apparatus, kind and operator. Closed runs count, history among
them; drafts and open runs do not. Runs that brought nothing back are left out of the chart and counted: what
was never distilled back tells nothing of a still. In the rates they are losses like any other.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any, Literal
from zoneinfo import ZoneInfo

from django.db.models import Q, QuerySet

from inventory.models import Lab, Solvent
from inventory.rules.phrases import Phrase
from recovery.models import Apparatus, ApparatusRecord, LossSignal, RunApparatus, RunKind, RunSum
from recovery.rules.loss_watch import BASELINE_RUNS, Point, Reset, Signal, watched
from recovery.rules.loss_words import (
    ASSUMED,
    WHAT_A_POINT_IS,
    all_runs_of,
    quiet_words,
    runs_words,
    signal_words,
)
from recovery.rules.rates import Moments, Rate, loss_rate

NEW_BASELINE = (ApparatusRecord.What.REPAIRED.value, ApparatusRecord.What.CHANGED.value)
BEYOND_3_SIGMA = "western-electric-1"


@dataclass(frozen=True, slots=True)
class SeriesRun:
    """A closed run of a series that brought something back, with the volumes of the one solvent in µl."""

    run: int
    started_at: datetime
    charged_ul: int
    lost_ul: int
    is_history: bool

    @property
    def fraction(self) -> float:
        return self.lost_ul / self.charged_ul


@dataclass(frozen=True, slots=True)
class ChartReset:
    """A repair or change before the run at this index."""

    index: int
    on: date
    what: Reset
    apparatus: str


@dataclass(frozen=True, slots=True)
class Series:
    """What a chart is drawn from. apparatus: names of what each run was done in."""

    runs: tuple[SeriesRun, ...]
    resets: tuple[ChartReset, ...]
    without_return: int
    still_open: int
    apparatus: Mapping[int, tuple[str, ...]] = field(default_factory=dict)

    @property
    def fractions(self) -> list[float]:
        return [run.fraction for run in self.runs]

    @property
    def resets_by_index(self) -> dict[int, Reset]:
        """Where both fall between the same two runs, the repair: its old limits still hold."""
        found: dict[int, Reset] = {}
        for reset in self.resets:
            if found.get(reset.index) != "repaired":
                found[reset.index] = reset.what
        return found

    def rate(self, first: int, last: int) -> Rate:
        """The rate of the runs from one index to before another."""
        return loss_rate(Moments.of((run.charged_ul, run.lost_ul) for run in self.runs[first:last]))


@dataclass(frozen=True, slots=True)
class ChartRun:
    run: int
    started_on: date
    charged_ul: int
    lost_ul: int
    is_history: bool
    point: Point


@dataclass(frozen=True, slots=True)
class ChartSignal:
    """A lasting change, by indices into the runs of its chart. ended: None while it stands."""

    direction: Literal["more", "less"]
    since: int
    found: int
    ended: int | None
    ended_by: str
    words: str
    before: Rate
    after: Rate


@dataclass(frozen=True, slots=True)
class LossChart:
    """A series with its limits, what is out of them, and what that says. rate: of all its runs.

    missing: runs that the baseline still lacks. words: the one sentence that matters.
    """

    name: str
    solvent: str
    solvent_name: str
    runs: tuple[ChartRun, ...]
    signals: tuple[ChartSignal, ...]
    resets: tuple[ChartReset, ...]
    rate: Rate
    baseline_runs: int
    missing: int
    width: float
    words: str
    notes: tuple[str, ...]
    without_return: int
    still_open: int


@dataclass(frozen=True, slots=True)
class Choice:
    """What of a solvent's runs a series is made of; nothing chosen: all of them."""

    solvent: Solvent
    purpose: str | None = None
    apparatus: Apparatus | None = None
    kind: RunKind | None = None
    operator: str | None = None

    @property
    def name(self) -> str:
        """How the series is spoken of."""
        parts = [self.apparatus.name if self.apparatus else "", self.purpose or ""]
        parts += [self.kind.name if self.kind else "", self.operator or ""]
        told = ", ".join(part for part in parts if part)
        return told or all_runs_of(self.solvent.name)

    @property
    def conditions(self) -> Q:
        """Conditions on the sums of runs."""
        found = Q(solvent=self.solvent, run__is_draft=False)
        if self.purpose is not None:
            found &= Q(run__purpose=self.purpose)
        if self.apparatus is not None:
            found &= Q(run__run_apparatus__apparatus=self.apparatus)
        if self.kind is not None:
            found &= Q(run__kind=self.kind)
        if self.operator is not None:
            found &= Q(run__operator_name=self.operator)
        return found


def series_of(*, lab: Lab, choice: Choice) -> Series:
    """The runs of a series in the order in which they started, in two or three statements."""
    sums = RunSum.objects.filter(choice.conditions, run__lab=lab)
    rows = (
        sums.filter(charged_ul__gt=0)
        .order_by("run__started_at", "run_id")
        .values_list(
            "run_id", "run__started_at", "charged_ul", "lost_ul", "run__is_history", "returned_ul",
            "run__closed_at",
        )
    )  # fmt: skip
    runs, without, still_open = [], 0, 0
    for run, started_at, charged_ul, lost_ul, is_history, returned_ul, closed_at in rows:
        if closed_at is None:
            still_open += 1
        elif returned_ul <= 0:
            without += 1
        else:
            runs.append(SeriesRun(run, started_at, charged_ul, lost_ul, is_history))
    used = _apparatus_of(sums)
    zone = ZoneInfo(lab.time_zone)
    names = {run: tuple(name for _, name in held) for run, held in used.items()}
    return Series(tuple(runs), _resets(runs, used, zone), without, still_open, names)


def _apparatus_of(sums: QuerySet[RunSum]) -> dict[int, list[tuple[int, str]]]:
    """Run → id and name of what it was done in, in one statement."""
    found: dict[int, list[tuple[int, str]]] = defaultdict(list)
    rows = RunApparatus.objects.filter(run__in=sums.values("run")).order_by("id")
    for run_id, pk, name in rows.values_list("run_id", "apparatus_id", "apparatus__name"):
        found[run_id].append((pk, name))
    return found


def _resets(
    runs: Sequence[SeriesRun], used: Mapping[int, Sequence[tuple[int, str]]], zone: ZoneInfo
) -> tuple[ChartReset, ...]:
    """Repairs and changes of what the run before them was done in, each before the first run after it."""
    ids = {pk for held in used.values() for pk, _ in held}
    if not ids:
        return ()
    records = ApparatusRecord.objects.filter(
        apparatus_id__in=ids, what__in=NEW_BASELINE, withdraws=None, withdrawn_by=None
    ).order_by("happened_at", "id")
    found = []
    what: Any
    for pk, name, what, at in records.values_list("apparatus_id", "apparatus__name", "what", "happened_at"):
        index = sum(run.started_at < at for run in runs)
        if index and any(pk == one for one, _ in used.get(runs[index - 1].run, ())):
            found.append(ChartReset(index, at.astimezone(zone).date(), what, name))
    return tuple(found)


def loss_chart(*, lab: Lab, choice: Choice, today: date, baseline: int = BASELINE_RUNS) -> LossChart:
    """The chart of a series. baseline: how many first runs make its limits, 5 to 100 (ValueError)."""
    series = series_of(lab=lab, choice=choice)
    found = watched(series.fractions, baseline=baseline, resets=series.resets_by_index)
    zone = ZoneInfo(lab.time_zone)
    days = [run.started_at.astimezone(zone).date() for run in series.runs]
    signals = tuple(chart_signal(series, one, choice.name, days, today) for one in found.signals)
    standing = next((one for one in signals if one.ended is None), None)
    quiet = quiet_words(choice.name, runs=len(days), missing=found.missing, after_reset=bool(series.resets))
    return LossChart(
        name=choice.name,
        solvent=choice.solvent.key,
        solvent_name=choice.solvent.name,
        runs=tuple(
            ChartRun(run.run, day, run.charged_ul, run.lost_ul, run.is_history, point)
            for run, day, point in zip(series.runs, days, found.points, strict=True)
        ),
        signals=signals,
        resets=series.resets,
        rate=series.rate(0, len(days)),
        baseline_runs=baseline,
        missing=found.missing,
        width=found.width,
        words=standing.words if standing else quiet,
        notes=_notes(series),
        without_return=series.without_return,
        still_open=series.still_open,
    )


def chart_signal(series: Series, signal: Signal, name: str, days: Sequence[date], today: date) -> ChartSignal:
    """A signal with the rates before and since, and in words."""
    last = len(series.runs) if signal.ended is None else signal.ended
    before, after = series.rate(signal.begins, signal.since), series.rate(signal.since, last)
    words = signal_words(
        name,
        more=signal.side > 0,
        since=days[signal.since],
        today=today,
        before=before,
        after=after,
        stands=signal.ended is None,
    )
    direction: Literal["more", "less"] = "more" if signal.side > 0 else "less"
    where = (signal.since, signal.found, signal.ended, signal.ended_by)
    return ChartSignal(direction, *where, words, before, after)


def _notes(series: Series) -> tuple[str, ...]:
    """What was left out, what a point is, and what the limits take for granted."""
    notes = []
    if series.without_return:
        notes.append(
            Phrase(
                "{runs} without any return not on the chart; in the rates of the lab they count as lost.",
                runs=runs_words(series.without_return),
            )
        )
    if series.still_open:
        notes.append(Phrase("{runs} still open not counted.", runs=runs_words(series.still_open)))
    history = sum(run.is_history for run in series.runs)
    if history:
        notes.append(Phrase("{runs} from a log kept before counting began.", runs=runs_words(history)))
    return (*notes, WHAT_A_POINT_IS, ASSUMED)


@dataclass(frozen=True, slots=True)
class OddRun:
    """A single run beyond the limits of all runs of its solvent."""

    solvent: str
    run: ChartRun
    side: int


def signal_said(row: LossSignal, *, since: date, today: date, stands: bool | None = None) -> str:
    """What a signal of the records says, put together anew so that any language can say it.

    since: when the first run behind it was started, in the lab's zone. stands: as if it did, or did not; as
    the records have it when left out.
    """
    before, after = (Rate(row.data[name]["runs"], row.data[name]["fraction"]) for name in ("before", "after"))
    choice = Choice(row.solvent, row.purpose or None, row.apparatus)
    more = row.direction == "more"
    stands = row.ended_at is None if stands is None else stands
    how: dict[str, Any] = {"since": since, "today": today, "before": before, "after": after}
    return signal_words(choice.name, more=more, stands=stands, **how)


def standing_words(*, lab: Lab) -> list[str]:
    """What the standing signals of a lab say, those that lose more first."""
    rows = LossSignal.objects.filter(lab=lab, ended_at=None).order_by("-direction", "id")
    return [f"{words} ({solvent})" for words, solvent in rows.values_list("words", "solvent__name")]


def odd_runs(*, lab: Lab, today: date) -> list[OddRun]:
    """Runs beyond 3 sigma on the chart of their solvent, oldest first for each solvent.

    Those behind a standing signal are left out: they are told of already. One statement or two per solvent.
    """
    standing = LossSignal.objects.filter(lab=lab, ended_at=None).values_list("data", flat=True)
    told = {run for data in standing for run in data["runs"]}
    solvents = Solvent.objects.filter(pk__in=RunSum.objects.filter(run__lab=lab).values("solvent"))
    found: list[OddRun] = []
    for solvent in solvents.only("key", "name").order_by("name"):
        chart = loss_chart(lab=lab, choice=Choice(solvent), today=today)
        for run in chart.runs:
            beyond = BEYOND_3_SIGMA in run.point.broken and run.run not in told
            if beyond and run.point.centre is not None:
                side = 1 if run.point.fraction > run.point.centre else -1
                found.append(OddRun(solvent.name, run, side))
    return found
