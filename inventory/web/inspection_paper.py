"""The inspection report as a paper: shown to somebody from outside, in words they need not look up."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from django.utils.timezone import localtime
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext

from inventory.models import WasteContainer
from inventory.rules.cautions import CAUTIONS
from inventory.rules.paper import Column, Line, Paper, Part
from inventory.services.bottles import Bottle, LastTest
from inventory.services.inspection import Inspection, Signed, barred_counted
from inventory.services.waste import days_source_words
from inventory.web.language import spoken
from inventory.web.papers import amount, day, opened_words

VERBS = {
    "policy-loosened": gettext_lazy("Retest rules made looser"),
    "loosened": gettext_lazy("A record made milder"),
    "limit-loosened": gettext_lazy("Storage limit made looser"),
    "limit-ended": gettext_lazy("Storage limit ended"),
    "storage-overridden": gettext_lazy("Storage rule overridden"),
    "distilling-overridden": gettext_lazy("Distilled against a refusal"),
    "used-against-verdict": gettext_lazy("Used against the verdict"),
    "quality-limit-ended": gettext_lazy("Limit of quality ended"),
}
MEASURES = {
    "total": gettext_lazy("all that stands there"),
    "container": gettext_lazy("largest container"),
    "waste": gettext_lazy("waste"),
}


def inspection_paper(found: Inspection, *, asked_by: str) -> Paper:
    """asked_by: who made it, for the foot."""
    lab, policy = found.lab, found.policy
    facts = [
        (_("Laboratory"), lab.name),
        (_("As it stood on"), f"{localtime(found.now):%Y-%m-%d %H:%M} ({lab.time_zone})"),
        (_("Signed for, from and to"), f"{day(found.since)} – {day(found.until)}"),
        (_("Retest policy in force"), policy.name),
        (_("Its source"), policy.source),
        (_("Looks after the lab"), lab.contact or _("not recorded")),
    ]
    if policy.by and policy.at is not None:
        told = f"{policy.by}, {localtime(policy.at):%Y-%m-%d}" + (
            f": {policy.reason}" if policy.reason else ""
        )
        facts.insert(5, (_("Chosen by"), told))
    return Paper(
        title=_("Inspection report"),
        facts=facts,
        parts=[_formers(found), _limits(found), _neighbours(found), _waste(found), _signed(found), _code()],
        foot=f"{lab.name} · {day(found.today)} · {_('made by')} {asked_by}",
        page_words=_("Page {page} of {pages}"),
        landscape=True,
    )


def _formers(found: Inspection) -> Part:
    formers, today = found.formers, found.today
    alone, test_first = barred_counted(formers)
    counted = [
        ngettext("%(n)d container", "%(n)d containers", len(formers)) % {"n": len(formers)},
        _("%(n)d not to be used or touched") % {"n": alone},
        _("%(n)d to be tested before use") % {"n": test_first},
        _("%(n)d past their test day, also those to be left alone") % {"n": len(found.overdue)},
    ]
    return Part(
        title=_("Peroxide formers, and whatever a sign was seen on"),
        words=[
            " · ".join(counted) + ".",
            _("Those that nobody may use stand first, then those past their day, the longest first.")
            + f" {spoken(CAUTIONS['tests-miss-some'])}",
        ],
        columns=[
            Column(_("Code"), 10),
            Column(_("Solvent, class"), 14),
            Column(_("Place"), 11),
            Column(_("Amount"), 8, right=True),
            Column(_("Received"), 9.4),
            Column(_("Opened"), 8.5),
            Column(_("Last test"), 8.5),
            Column(_("Result"), 13),
            Column(_("Next test"), 8.5),
            Column(_("Verdict, and why"), 26.1, strong=True),
        ],
        lines=[former_line(bottle, grave=bottle.alone or bottle.overdue(today)) for bottle in formers],
        empty=_("There is none by the records."),
    )


def former_line(bottle: Bottle, *, grave: bool) -> Line:
    kind = _("class %(letter)s") % {"letter": bottle.peroxide_class}
    if bottle.peroxide_class == "unknown":
        kind = _("class not known")
    if bottle.peroxide_class == "none":
        kind = _("no former")
    why = " ".join(spoken(words) for words in (bottle.told.words, bottle.told.advice) if words)
    return Line(
        [
            bottle.code,
            f"{spoken(bottle.solvent)}, {kind}",
            bottle.place or _("not recorded"),
            amount(bottle.volume_ul) if bottle.volume_ul else _("empty"),
            _came(bottle),
            opened_words(bottle),
            "–" if bottle.test is None else day(bottle.test.on, _("day not known")),
            _("no test on record") if bottle.test is None else result_words(bottle.test),
            "–" if bottle.alone else day(bottle.test_by, _("none by date")),
            f"{spoken(bottle.verdict).removesuffix('.')}. {why}".strip(),
        ],
        grave=grave,
    )


def _came(bottle: Bottle) -> str:
    """The day it came in, or was made."""
    if bottle.received_on is None and bottle.made_on is not None:
        return _("made %(day)s") % {"day": day(bottle.made_on)}
    return day(bottle.received_on, _("not recorded"))


def result_words(test: LastTest) -> str:
    """As entered, and what that means in mg/L by the method's steps."""
    low, high = test.lower_mg_per_l, test.upper_mg_per_l
    means = f"{low} – {high} mg/L" if high else _("%(low)s mg/L or more") % {"low": low}
    if high and low == "0":
        means = _("up to %(high)s mg/L") % {"high": high}
    if high and low == high:
        means = f"{low} mg/L"
    return f"{test.reading} ({means}; {spoken(test.method)})"


def _limits(found: Inspection) -> Part:
    places = found.storage.locations
    uses = [use for pk, some in found.storage.uses.items() if places[pk].ended_at is None for use in some]
    uses.sort(key=lambda use: -use.share)
    lines = [
        Line(
            [
                places[use.kept.location_id].name,
                spoken(use.kept.limit.name),
                str(MEASURES[use.kept.limit.measure]),
                amount(use.used_ul),
                amount(use.kept.limit.limit_ul),
                f"{use.share * 100:.0f} %",
                _over(use.over_ul, use.too_large),
                f"{spoken(use.kept.limit.code)}. {use.kept.limit.source}",
            ],
            grave=use.over_ul > 0,
        )
        for use in uses
    ]
    return Part(
        title=_("What stands where, against the limits"),
        words=[_("Only limits that this lab has entered are shown.") + f" {spoken(CAUTIONS['local-code'])}"],
        columns=[
            Column(_("Place"), 13),
            Column(_("Limit"), 20),
            Column(_("Counts"), 10),
            Column(_("Is there"), 9, right=True),
            Column(_("Allowed"), 9, right=True),
            Column(_("Share"), 6, right=True),
            Column(_("Beyond it"), 13, strong=True),
            Column(_("Rule and source"), 28),
        ],
        lines=lines,
        empty=_("No limit has been entered for any place."),
    )


def _over(over_ul: int, codes: Sequence[str]) -> str:
    if not over_ul:
        return _("no")
    return _("%(amount)s too much") % {"amount": amount(over_ul)} + (f": {', '.join(codes)}" if codes else "")


def _neighbours(found: Inspection) -> Part:
    places = found.storage.locations
    return Part(
        title=_("What should stand apart"),
        columns=[
            Column(_("Place"), 15),
            Column(_("One"), 14),
            Column(_("Other"), 14),
            Column(_("Why"), 34, strong=True),
            Column(_("Rule and source"), 28),
        ],
        lines=[
            Line(
                [
                    places[one.location_id].name,
                    one.one.name,
                    one.other.name,
                    spoken(one.clash.words),
                    f"{one.clash.code}. {one.clash.source}",
                ],
                grave=one.clash.effect == "refuse",
            )
            for one in found.storage.neighbours
        ],
        empty=_("No two liquids that are known to be kept apart share a cabinet or shelf."),
    )


def _waste(found: Inspection) -> Part:
    return Part(
        title=_("Waste"),
        words=[
            _("How long waste may stay differs from place to place.")
            + f" {spoken(CAUTIONS['local-code'])} {spoken(CAUTIONS['licensed-disposal'])}"
        ],
        columns=[
            Column(_("Code"), 12),
            Column(_("What belongs in it"), 24),
            Column(_("Place"), 16),
            Column(_("Amount"), 9, right=True),
            Column(_("Of"), 9, right=True),
            Column(_("Begun on"), 10),
            Column(_("Collect by"), 10, strong=True),
            Column(_("Rule"), 20),
            Column(_("Collected on"), 10),
        ],
        lines=[*_waste_lines(found.waste, found), *_waste_lines(found.collected, found)],
        empty=_("No waste container stands here, and none was collected in that time."),
    )


def _waste_lines(rows: Iterable[WasteContainer], found: Inspection) -> Iterable[Line]:
    for row in rows:
        rule = _("%(n)d days") % {"n": row.days_max}
        if row.days_source:
            rule = f"{rule}, {spoken(days_source_words(row.days_source))}"
        gone = row.collected_at
        yield Line(
            [
                row.code,
                row.stream,
                row.location.name if row.location else _("not recorded"),
                amount(row.volume_ul),
                amount(row.capacity_ul),
                day(row.started_on),
                day(row.collect_by),
                rule,
                "–" if gone is None else f"{localtime(gone):%Y-%m-%d}",
            ],
            grave=gone is None and row.collect_by < found.today,
        )


def _signed(found: Inspection) -> Part:
    return Part(
        title=_("What was made looser, or done against a rule or verdict"),
        words=[_("From %(since)s to %(until)s, newest first, with who answered for it.") % _period(found)],
        columns=[
            Column(_("When"), 12),
            Column(_("Who"), 13),
            Column(_("What"), 16),
            Column(_("Of"), 14),
            Column(_("Which way"), 30),
            Column(_("Reason given"), 26),
        ],
        lines=[_signed_line(one) for one in found.signed],
        empty=_("Nothing in that time."),
    )


def _period(found: Inspection) -> dict[str, Any]:
    return {"since": day(found.since), "until": day(found.until)}


def _signed_line(one: Signed) -> Line:
    return Line(
        [
            f"{localtime(one.at):%Y-%m-%d %H:%M}",
            one.by,
            str(VERBS.get(one.verb, one.verb)),
            one.subject,
            " ".join(dict.fromkeys(one.ways)) or "–",
            one.reason or "–",
        ]
    )


def _code() -> Part:
    return Part(
        title=_("How to read this"),
        words=[
            spoken(CAUTIONS["local-code"]),
            _("It shows what has been recorded, no more; what is not known is taken as the worse case."),
        ],
    )
