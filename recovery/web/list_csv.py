"""Lists of runs, apparatus, fits, lots, imports and of what happened to a container, as CSV."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from django.db.models import Prefetch, Q
from django.http import HttpResponse, StreamingHttpResponse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from inventory.models import Container, Event, Lot
from inventory.rules.errors import Conflict
from inventory.selectors.timeline import Happening, timeline
from inventory.services.import_undo import VERBS, kind_of, rows_of
from inventory.web.csv_out import coded, csv_file
from inventory.web.desk import Desk, desk_page, refused
from inventory.web.finding import container_or_404
from inventory.web.language import spoken
from recovery.models import Apparatus, LossFit, Run, RunSum
from recovery.rules.shipped_words import shipped
from recovery.selectors.apparatus import apparatus_rows, fits_of, records_of
from recovery.selectors.trace import Passed, ancestry, descent, passed_by
from recovery.templatetags.apparatus import kind_words, record_words
from recovery.templatetags.bench import finding_words, happening_words, origin_words, place_words
from recovery.web.import_past import Came, came_of

Rows = Iterator[Sequence[Any]]
BATCH = 500
RUNS = (
    "run", "purpose", "operator", "draft", "started_at", "closed_at", "solvent", "charged_ul", "returned_ul",
    "lost_ul", "held_ul", "findings",
)  # fmt: skip
APPARATUS = (
    "id", "name", "kind", "place", "hold_up_ul", "runs", "last_record_at", "signals", "closed_at", "note",
)  # fmt: skip
RECORDS = ("at", "what", "by", "note", "taken_back", "why")
FITS = ("id", "solvent", "kind", "apparatus", "runs", "created_at", "by", "adopted_at", "closed_at")
LINE = ("way", "steps", "lot", "solvent", "origin", "volume_ul", "share", "containers", "runs")
CAME = ("line", "container", "run", "solvent", "volume_ul", "taken_back", "why")
TIMELINE = (
    "at", "recorded_at", "what", "words", "change_ul", "u_volume_ul", "other", "by", "note", "taken_back",
)  # fmt: skip


@desk_page("runs.read")
def runs_csv(desk: Desk) -> StreamingHttpResponse:
    """Every run, open ones first, with a line for each solvent in it."""
    sums = Prefetch("sums", RunSum.objects.select_related("solvent").order_by("solvent__name"))
    own = Run.objects.filter(lab=desk.lab).exclude(Q(is_draft=True, sums__isnull=False) & ~Q(closed_at=None))
    parts = (own.filter(closed_at=None), own.exclude(closed_at=None))
    rows = (
        line
        for part in parts
        for run in part.order_by("-id").prefetch_related(sums).iterator(chunk_size=BATCH)
        for line in _run_lines(run)
    )
    return csv_file(f"{desk.lab.slug}-runs", RUNS, rows)


def _run_lines(run: Run) -> Rows:
    found = coded(" ".join(run.findings), " ".join(map(finding_words, run.findings)))
    own = (run.pk, run.purpose, run.operator_name, run.is_draft, run.started_at, run.closed_at)
    for row in run.sums.all():
        yield *own, row.solvent.name, row.charged_ul, row.returned_ul, row.lost_ul, row.held_ul, found
    if not run.sums.all():
        yield *own, "", "", "", "", "", found


@desk_page("runs.read")
def apparatus_csv(desk: Desk) -> StreamingHttpResponse:
    """All of the lab, those that are used no more last."""
    found: Iterable[Any] = apparatus_rows(desk.lab)
    rows = (
        [
            *(row.pk, row.name, coded(row.kind, kind_words(row.kind)), row.location, row.hold_up_ul),
            *(row.runs, row.last_record_at, row.signals_now, row.ended_at, row.note),
        ]
        for row in found
    )
    return csv_file(f"{desk.lab.slug}-apparatus", APPARATUS, rows)


@desk_page("runs.read")
def records_csv(desk: Desk, apparatus: str) -> StreamingHttpResponse:
    """What was done to one apparatus."""
    found = desk.caller.by_id(Apparatus.objects.all(), apparatus)
    rows = (
        [
            *(one.row.happened_at, coded(one.row.what, record_words(one.row.what))),
            *(one.row.actor.display_name, one.row.note, one.withdrawn),
            one.row.withdrawn_by.note if one.withdrawn else "",
        ]
        for one in records_of(found, most=None)
    )
    return csv_file(f"{desk.lab.slug}-apparatus-{found.pk}", RECORDS, rows)


@desk_page("reports.read")
def fits_csv(desk: Desk) -> StreamingHttpResponse:
    """All fits of losses, the newest first."""
    rows = map(_fit, fits_of(desk.lab).iterator(chunk_size=BATCH))
    return csv_file(f"{desk.lab.slug}-loss-fits", FITS, rows)


def _fit(fit: LossFit) -> Sequence[Any]:
    kind = coded(fit.kind.key, spoken(shipped(fit.kind.name))) if fit.kind else ""
    of = (fit.pk, fit.solvent.name, kind, fit.apparatus or "", fit.runs)
    return *of, fit.made_at, fit.actor.display_name, fit.adopted_at, fit.ended_at


@desk_page("stock.read")
def line_csv(desk: Desk, lot: str) -> HttpResponse | StreamingHttpResponse:
    """Every lot that one was made of, and every one that was made of it. 409 where nobody can tell."""
    found = desk.caller.by_id(Lot.objects.select_related("solvent"), lot)
    try:
        rows = list(_line(found))
    except Conflict as conflict:
        return HttpResponse(refused(conflict), status=409, content_type="text/plain; charset=utf-8")
    return csv_file(f"{desk.lab.slug}-lot-{found.pk}", LINE, rows)


def _line(found: Lot) -> Rows:
    back, forth = ancestry(lot=found), descent(lot=found)
    behind = sorted((pk for pk in back.steps if pk != found.pk), key=lambda pk: (back.steps[pk], pk))
    ahead = sorted((pk for pk in forth.steps if pk != found.pk), key=lambda pk: (forth.steps[pk], pk))
    kin = [*behind, *ahead]
    lots, passed = Lot.objects.select_related("solvent").in_bulk(kin), passed_by(kin)
    for pk in behind:
        way = coded("made-from", _("Made from"))
        yield way, back.steps[pk], *_kin(lots[pk], back.volumes_ul.get(pk), "", passed[pk])
    for pk in ahead:
        share = forth.shares.get(pk)
        way = coded("became", _("What became of it"))
        part = "" if share is None else float(share)
        yield way, forth.steps[pk], *_kin(lots[pk], None, part, passed[pk])


def _kin(lot: Lot, volume_ul: int | None, share: float | str, passed: Passed) -> Sequence[Any]:
    held = " ".join(code for _pk, code, _ul in passed.containers)
    origin = coded(lot.origin, origin_words(lot.origin))
    return lot.pk, lot.solvent.name, origin, volume_ul, share, held, " ".join(map(str, passed.runs))


@desk_page("import.write")
def came_csv(desk: Desk, event: str) -> StreamingHttpResponse:
    """Every row that an import brought in, and what became of it."""
    told = desk.caller.by_id(Event.objects.filter(verb__in=VERBS.values()), event)
    return csv_file(f"{desk.lab.slug}-{kind_of(told)}-import-{told.pk}", CAME, _came(desk, told))


def _came(desk: Desk, told: Event) -> Rows:
    rows, after = rows_of(told).order_by("line", "pk"), 0
    while some := list(rows[after : after + BATCH]):
        for each in came_of(desk, told, some):
            yield from _came_lines(each)
        after += BATCH


def _came_lines(each: Came) -> Rows:
    bottle, run = each.bottle, each.run
    if bottle is not None:
        name = bottle.lot.solvent.name if bottle.lot else ""
        yield each.line, bottle.code, "", name, bottle.volume_ul, each.undone, each.why
    if run is not None:
        for row in run.sums.all():
            yield each.line, "", run.pk, row.solvent.name, row.charged_ul, each.undone, each.why
        if not run.sums.all():
            yield each.line, "", run.pk, "", "", each.undone, each.why


@desk_page("stock.read")
def timeline_csv(desk: Desk, code: str) -> StreamingHttpResponse:
    """All that happened to a container, the newest first."""
    held = container_or_404(desk.caller, code)
    return csv_file(f"{desk.lab.slug}-{held.code}", TIMELINE, _happened(held))


def _happened(held: Container) -> Rows:
    before = None
    while rows := timeline(container=held, before=before, limit=BATCH):
        yield from map(_happening, rows)
        before = rows[-1].place
        if len(rows) < BATCH:
            return


# Kind of row → what kind of thing that is, for a column that has a code for programs in English.
KIND_WORDS = {
    "movement": gettext_lazy("movement"),
    "test": gettext_lazy("peroxide test"),
    "sign": gettext_lazy("something seen"),
    "treatment": gettext_lazy("treatment"),
    "event": gettext_lazy("note of the records"),
}
# Kind of row → what its other end is, in a column for people and programs.
_OTHER: Mapping[str, Any] = {"movement": place_words}


def _happening(row: Happening) -> Sequence[Any]:
    what = coded(f"{row.kind}:{row.what}", KIND_WORDS[row.kind])
    other = coded(row.other, _OTHER.get(row.kind, str)(row.other))
    u_ul = row.u_ul if row.change_ul is not None else None
    amounts = (row.change_ul, u_ul, other)
    return row.at, row.recorded_at, what, happening_words(row), *amounts, row.who, row.words, row.undone
