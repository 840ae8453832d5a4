"""What a lab holds recovered solvent to for itself: shown, added, changed and ended. Looser is signed."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal, InvalidOperation
from typing import Any

from django import forms
from django.http import HttpResponse, StreamingHttpResponse
from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from inventory.models import Solvent
from inventory.rules.errors import InputError
from inventory.rules.phrases import Phrase
from inventory.services.catalogue import solvents_of
from inventory.templatetags.amounts import marked
from inventory.web.bench_forms import REASON, number_input
from inventory.web.csv_out import coded, csv_file
from inventory.web.desk import Desk, DeskForm, desk_page
from inventory.web.language import spoken
from inventory.web.places import form_page, posted
from recovery.models import QualityLimit
from recovery.rules.quality_data import UNITS, load_uses
from recovery.rules.run_kinds import number_text
from recovery.selectors.quality import TIMES, standing
from recovery.services import quality_limits as limits
from recovery.templatetags.drawn import PROPERTIES

_T = gettext_lazy
WHATS = {**PROPERTIES, TIMES: _T("how often distilled")}
UNIT_WORDS = {"kg/m3": "kg/m³", "Cel": "°C", "1": "", "%": "%"}
CSV_COLUMNS = ("what", "solvent", "use", "lowest", "highest", "unit", "refuses", "source", "since", "by")
SHOWN = 200


def _figure(text: str, field: str) -> Decimal | None:
    if not text.strip():
        return None
    try:
        return Decimal(text.strip().replace("−", "-").replace(",", "."))
    except InvalidOperation:
        raise InputError(
            field, "not-a-number", Phrase("That is no number."), Phrase("Write it as 0.05.")
        ) from None


class FiguresForm(DeskForm):
    """Between what, and where that is from. Stricter is free; looser is for a supervisor, with a reason."""

    lowest = forms.CharField(label=_T("At least"), required=False, max_length=30, widget=number_input())
    highest = forms.CharField(
        label=_T("At most"), required=False, max_length=30, widget=number_input(),
        help_text=_T("A density in kg/m³ at 20 °C, a boiling range in °C, water in mass %, how often as a "
                     "whole number."),
    )  # fmt: skip
    refuses = forms.BooleanField(
        label=_T("Refuse a charge that goes beyond it (only of how often; else it warns)"), required=False
    )
    source = forms.CharField(
        label=_T("Where the figure is from"), max_length=1000, widget=forms.Textarea(attrs=REASON)
    )
    reason = forms.CharField(
        label=_T("Reason, if it gets looser"), required=False, max_length=500,
        widget=forms.Textarea(attrs=REASON),
        help_text=_T("Stricter is free. Looser is for a supervisor, and stays on record."),
    )  # fmt: skip

    def figures(self) -> dict[str, Any]:
        """As the service takes them. Raises InputError naming what is no number."""
        told = self.cleaned_data
        ends = {name: _figure(told[name], name) for name in ("lowest", "highest")}
        return {**ends, "refuses": told["refuses"], "source": told["source"].strip()}


class AddForm(FiguresForm):
    """A limit of the lab's own."""

    what = forms.ChoiceField(label=_T("What is held to it"), choices=[(key, WHATS[key]) for key in WHATS])
    solvent = forms.ModelChoiceField(
        label=_T("Solvent"), queryset=Solvent.objects.none(), required=False, empty_label=_T("every solvent"),
        help_text=_T("Only water and how often may hold for every solvent."),
    )  # fmt: skip
    use = forms.ChoiceField(label=_T("For which use"), required=False, choices=[])
    field_order = ("what", "solvent", "use", "lowest", "highest", "refuses", "source", "reason")

    def __init__(self, *args: Any, desk: Desk, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        solvent, use = self.fields["solvent"], self.fields["use"]
        assert isinstance(solvent, forms.ModelChoiceField) and isinstance(use, forms.ChoiceField)
        solvent.queryset = solvents_of(desk.lab)
        use.choices = [("", _("every use")), *((key, spoken(one.name)) for key, one in load_uses().items())]


class EndForm(DeskForm):
    """Why a limit holds no longer."""

    reason = forms.CharField(
        label=_T("Why it holds no longer"), max_length=500, widget=forms.Textarea(attrs=REASON)
    )


def _rows(desk: Desk) -> Any:
    rows = standing(desk.lab).select_related("solvent", "actor").defer("solvent__facts")
    return rows.order_by("what", "solvent__name", "use", "id")


def between(low: Decimal | None, high: Decimal | None, unit: str) -> str:
    """A range in words for a page: 0.1 – 0.2 %, at most 5."""
    shown = UNIT_WORDS.get(unit, unit)
    ends = [None if end is None else marked(number_text(end) or "") for end in (low, high)]
    if ends[0] and ends[1]:
        words = f"{ends[0]} – {ends[1]}"
    else:
        words = (_("at least %(end)s") if ends[0] else _("at most %(end)s")) % {"end": ends[0] or ends[1]}
    return f"{words} {shown}".strip()


def _shown(row: QualityLimit) -> dict[str, Any]:
    use = load_uses().get(row.use)
    return {
        "row": row,
        "what": WHATS.get(row.what, row.what),
        "use": spoken(use.name) if use else row.use,
        "range": between(row.lowest, row.highest, row.unit),
    }


def _shipped() -> list[dict[str, Any]]:
    """What is asked of solvent for each use where the lab has no limit of its own."""
    return [
        {"name": spoken(use.name), "source": spoken(use.source), "needs": [_need(n) for n in use.needs]}
        for use in load_uses().values()
    ]


def _need(need: Any) -> str:
    what = str(WHATS[need.what])
    if need.highest is not None:
        return f"{what}: {between(None, need.highest, UNITS[need.what])}"
    if need.within is None:
        return what
    if need.what == "density":
        share = marked(number_text(need.within * 100) or "")
        return _("%(what)s: within %(share)s %% of the pure solvent") % {"what": what, "share": share}
    unit = UNIT_WORDS.get(UNITS[need.what], "")
    told = {"what": what, "width": f"{marked(number_text(need.within) or '')} {unit}".strip()}
    return _("%(what)s: within %(width)s of the pure solvent") % told


@desk_page("lab.read")
def quality_limits(desk: Desk) -> HttpResponse:
    """What holds here, and what is shipped."""
    rows = [_shown(row) for row in _rows(desk)[:SHOWN]]
    return desk.render("recovery/quality_limits.html", {"rows": rows, "shipped": _shipped()}, here="more")


@desk_page("lab.read")
def quality_limits_csv(desk: Desk) -> StreamingHttpResponse:
    """The limits that hold, one a line."""
    return csv_file(f"{desk.lab.slug}-quality-limits", CSV_COLUMNS, _lines(desk))


def _lines(desk: Desk) -> Iterator[list[object]]:
    for row in _rows(desk):
        ends = [number_text(end) or "" for end in (row.lowest, row.highest)]
        solvent = "" if row.solvent is None else row.solvent.name
        told = _shown(row)
        what, use = coded(row.what, told["what"]), coded(row.use, told["use"])
        unit = coded(row.unit, UNIT_WORDS.get(row.unit, row.unit))
        yield [what, solvent, use, *ends, unit, row.refuses, row.source, row.created_at,
               row.actor.username]  # fmt: skip


def _signature(desk: Desk, form: DeskForm) -> dict[str, Any]:
    return {"reason": form.cleaned_data["reason"], "may_loosen": desk.caller.may("safety.loosen")}


@desk_page("policy.edit", "POST")
def add(desk: Desk) -> HttpResponse:
    """A limit of the lab's own, in place of the shipped figure."""
    form = AddForm(posted(desk), desk=desk)
    back = reverse("quality-limits", args=[desk.lab.slug])

    def work() -> str:
        told = form.cleaned_data
        of = {name: told[name] for name in ("what", "solvent", "use")}
        limits.limit_add(**desk.by, **of, **form.figures(), **_signature(desk, form))
        return _("It holds from now on.")

    return form_page(
        desk, form, work, lambda: back, title=_("Add a limit of quality"), button=_("Let it hold"), back=back,
        words=_("It counts in place of the shipped figure. It says nothing of peroxides."),
    )  # fmt: skip


def _limit(desk: Desk, ref: str) -> QualityLimit:
    found: QualityLimit = desk.caller.by_id(QualityLimit.objects.select_related("solvent"), ref)
    return found


def _named(row: QualityLimit) -> str:
    """As: water of hexane, for extraction, at most 0.1 %."""
    said = _shown(row)
    of = spoken(row.solvent.name) if row.solvent else _("every solvent")
    return ", ".join(filter(None, (f"{said['what']}: {of}", str(said["use"]), str(said["range"]))))


@desk_page("policy.edit", "POST")
def change(desk: Desk, quality_limit: str) -> HttpResponse:
    """Other figures or another source."""
    row = _limit(desk, quality_limit)
    start = {name: number_text(getattr(row, name)) or "" for name in ("lowest", "highest")}
    form = FiguresForm(posted(desk), initial={**start, "refuses": row.refuses, "source": row.source})
    back = reverse("quality-limits", args=[desk.lab.slug])

    def work() -> str:
        limits.limit_change(**desk.by, limit=row, changes=form.figures(), **_signature(desk, form))
        return _("Changed.")

    return form_page(
        desk, form, work, lambda: back, title=_("Change a limit of quality"), words=_named(row),
        button=_("Save the change"), back=back,
    )  # fmt: skip


@desk_page("safety.loosen", "POST")
def end(desk: Desk, quality_limit: str) -> HttpResponse:
    """A limit holds no longer: for a supervisor, with a reason."""
    row = _limit(desk, quality_limit)
    form = EndForm(posted(desk))
    back = reverse("quality-limits", args=[desk.lab.slug])

    def work() -> str:
        limits.limit_end(**desk.by, limit=row, **_signature(desk, form))
        return _(
            "It holds no longer: the shipped figure counts again. Who ended it, and why, stays on record."
        )

    return form_page(
        desk, form, work, lambda: back, title=_("End a limit of quality"), words=_named(row),
        button=_("End it"), back=back, grave=True,
    )  # fmt: skip
