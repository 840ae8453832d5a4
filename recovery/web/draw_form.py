"""Drawing from a container and putting back: into the run that is going on, or elsewhere."""

from __future__ import annotations

from collections.abc import Iterable
from decimal import Decimal
from typing import Any

from django import forms
from django.utils.formats import get_format
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from inventory.models import Container, Lab, Movement, PlaceKind, User
from inventory.services.once import words_of
from inventory.services.volumes import BENCH_ENDS
from inventory.web.bench_forms import UNITS, AmountForm, _choices, unit_for
from inventory.web.desk import Desk
from recovery.models import Run

RUN = "run:"
# A run whose start waited in the browser for the network: known by the key of its form.
BEGUN = "begun:"
RUNS_SHOWN = 30
# Portions to choose from, and the movements of one person that are looked through for them.
PORTIONS, LOOKED_THROUGH = 3, 20
UL_PER = {"uL": 1, "mL": 1_000, "L": 1_000_000}
END_WORDS = {
    PlaceKind.UNACCOUNTED: gettext_lazy("not told"),
    PlaceKind.REACTION: gettext_lazy("used up in a reaction"),
    PlaceKind.PRODUCT: gettext_lazy("stayed in a product"),
    PlaceKind.WASTE: gettext_lazy("handed over as waste"),
    PlaceKind.AIR: gettext_lazy("went into the air"),
}


class AmountInput(forms.TextInput):
    """An amount with those of the last times to choose from, as the browser offers them at the field.

    portions: as the reader writes them. The first of them is what the script fills in, all of it selected.
    """

    template_name = "recovery/_amount_input.html"
    portions: tuple[str, ...] = ()

    def get_context(self, name: str, value: Any, attrs: Any) -> dict[str, Any]:
        context: dict[str, Any] = super().get_context(name, value, attrs)
        given = context["widget"]["attrs"]
        if self.portions:
            given["list"] = f"{given.get('id', name)}-portions"
        return {**context, "portions": self.portions}


class DrawForm(AmountForm):
    """Where to, and how much. Opens with the run, the unit and the amount of the last time.

    The amount stands in the list of its field. The page's script also fills it in where that is safe, and
    selects it: typed over without the script, 25 and then 30 would become 2530.
    """

    field_of = {**AmountForm.field_of, "to": "to", "from": "to", "run": "to"}

    to = forms.ChoiceField(label=gettext_lazy("For"), choices=[])
    override = forms.CharField(
        label=gettext_lazy("A supervisor's reason to let it through"), required=False, max_length=500
    )

    def __init__(
        self, *args: Any, desk: Desk, container: Container, back: bool = False, **kwargs: Any
    ) -> None:
        runs = open_runs(desk.lab)
        before = _before(desk.caller.user, desk.lab, ["return", "put-back"] if back else ["charge", "draw"])
        initial = _last(desk, container, runs, before, back)
        kwargs["initial"] = {**initial, **(kwargs.get("initial") or {})}
        super().__init__(*args, **kwargs)
        self.runs = {f"{RUN}{run.pk}": run for run in runs}
        self._look_for_begun(desk, str(self.data.get("to", "")))
        ends = [(str(end.value), END_WORDS[end]) for end in BENCH_ENDS]
        if back:
            self.fields["to"].label = _("From")
        _choices(self, "to", [(_("A run that is open"), _named(self.runs)), (_("Outside a run"), ends)])
        _choices(self, "unit", UNITS)
        self.fields["to"].widget.attrs["data-begun"] = _("waits to be started")
        if back or not desk.caller.may("runs.override"):
            del self.fields["override"]
        self._offer_portions(before, container, back)

    def _offer_portions(self, before: list[Movement], container: Container, back: bool) -> None:
        """The amounts of the last times in the unit chosen; the last is ready for the run that it was for."""
        unit = str(self.initial["unit"])
        field = self.fields["amount"]
        widget = AmountInput(attrs={**field.widget.attrs, "autofocus": True})
        portions = _portions(before, unit)
        widget.portions = tuple(_written(value) for value in portions)
        if portions:
            told = f"{widget.portions[0]}\N{NO-BREAK SPACE}{dict(UNITS)[unit]}"
            words = _("What you put back last: %(amount)s") if back else _("Your last draw: %(amount)s")
            field.help_text = words % {"amount": told}
        run = self.runs.get(str(self.initial["to"]))
        again = bool(portions) and run is not None and run.place_id == before[0].destination_id
        # What comes back is never known beforehand, and what is not there cannot be drawn.
        again = again and not back and _told(before[0], unit) == portions[0]
        if again and portions[0] * UL_PER[unit] <= container.volume_ul:
            widget.attrs["data-portion"] = _written(portions[0])
        field.widget = widget

    def _look_for_begun(self, desk: Desk, to: str) -> None:
        """The run that was started under the key told, once it is there; else nothing goes elsewhere."""
        if not to.startswith(BEGUN):
            return
        pk = words_of(user=desk.caller.user, key=to.removeprefix(BEGUN)) or ""
        named = pk.isascii() and pk.isdigit() and len(pk) < 19
        found = Run.objects.filter(lab=desk.lab, pk=int(pk)).first() if named else None
        if found is not None:
            self.runs[to] = found
        self.fields["to"].error_messages["invalid_choice"] = _(
            "The run that this was for has not been started. Start it, and choose it here."
        )

    def run(self) -> Run | None:
        return self.runs.get(self.cleaned_data["to"])


def _named(runs: dict[str, Run]) -> list[tuple[str, str]]:
    return [(key, _run_words(run)) for key, run in runs.items()] or [("", _("none: start one under Runs"))]


def _run_words(run: Run) -> str:
    words = f"{run.purpose} · {run.operator_name}"
    return f"{words} · {_('draft')}" if run.is_draft else words


def open_runs(lab: Lab) -> list[Run]:
    """Runs that may be charged, newest first."""
    rows = Run.objects.filter(lab=lab, closed_at=None, is_history=False)
    return list(rows.order_by("-started_at", "-id")[:RUNS_SHOWN])


def _last(
    desk: Desk, container: Container, runs: list[Run], before: list[Movement], back: bool
) -> dict[str, Any]:
    """The run and unit that this person drew for or put back last."""
    initial: dict[str, Any] = {"unit": unit_for(container)}
    mine = [run for run in runs if run.actor_id == desk.caller.user.pk]
    chosen = mine[0] if mine else None
    if before:
        last = before[0]
        told = last.as_entered or {}
        if told.get("unit") in dict(UNITS):
            initial["unit"] = told["unit"]
        place = last.source_id if back else last.destination_id
        chosen = next((run for run in runs if run.place_id == place), chosen)
    initial["to"] = f"{RUN}{chosen.pk}" if chosen else PlaceKind.UNACCOUNTED.value
    return initial


def _before(user: User, lab: Lab, kinds: list[str]) -> list[Movement]:
    """What this person moved lately, newest first."""
    # The newest few of the lab: an index over people would cost every draw, and serve this form alone.
    newest = Movement.objects.filter(lab=lab).order_by("-id").values("pk")[:200]
    # What was taken back was a mistake: it is not what the next one looks like.
    mine = Movement.objects.filter(pk__in=newest, actor=user, kind__in=kinds, reversed_by=None)
    return list(mine.order_by("-id")[:LOOKED_THROUGH])


def _told(row: Movement, unit: str) -> Decimal | None:
    """The amount as it was entered, if that was in this unit and by volume."""
    told = row.as_entered or {}
    if told.get("unit") != unit or "value" not in told:
        return None
    return Decimal(told["value"])


def _portions(before: Iterable[Movement], unit: str) -> list[Decimal]:
    """The last amounts that differ, newest first."""
    told = [value for row in before if (value := _told(row, unit)) is not None]
    return list(dict.fromkeys(told))[:PORTIONS]


def _written(value: Decimal) -> str:
    return f"{value:f}".replace(".", str(get_format("DECIMAL_SEPARATOR")))
