"""Drawing from a container and putting back: into the run that is going on, or elsewhere."""

from __future__ import annotations

from typing import Any

from django import forms
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
END_WORDS = {
    PlaceKind.UNACCOUNTED: gettext_lazy("not told"),
    PlaceKind.REACTION: gettext_lazy("used up in a reaction"),
    PlaceKind.PRODUCT: gettext_lazy("stayed in a product"),
    PlaceKind.WASTE: gettext_lazy("handed over as waste"),
    PlaceKind.AIR: gettext_lazy("went into the air"),
}


class DrawForm(AmountForm):
    """Where to, and how much. Opens with the run and unit of the last time, ready for the amount."""

    field_of = {**AmountForm.field_of, "to": "to", "from": "to", "run": "to"}

    to = forms.ChoiceField(label=gettext_lazy("For"), choices=[])
    override = forms.CharField(
        label=gettext_lazy("A supervisor's reason to let it through"), required=False, max_length=500
    )

    def __init__(
        self, *args: Any, desk: Desk, container: Container, back: bool = False, **kwargs: Any
    ) -> None:
        runs = open_runs(desk.lab)
        kwargs["initial"] = {**_last(desk, container, runs, back), **(kwargs.get("initial") or {})}
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
        self.fields["amount"].widget.attrs["autofocus"] = True

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


def _last(desk: Desk, container: Container, runs: list[Run], back: bool) -> dict[str, Any]:
    """The run and unit that this person drew for or put back last.

    Not the amount: it stands in a focused field, where the next digits typed would be added to it.
    """
    initial: dict[str, Any] = {"unit": unit_for(container)}
    kinds = ["return", "put-back"] if back else ["charge", "draw"]
    last = _last_movement(desk.caller.user, desk.lab, kinds)
    mine = [run for run in runs if run.actor_id == desk.caller.user.pk]
    chosen = mine[0] if mine else None
    if last is not None:
        told = last.as_entered or {}
        if told.get("unit") in dict(UNITS):
            initial["unit"] = told["unit"]
        place = last.source_id if back else last.destination_id
        chosen = next((run for run in runs if run.place_id == place), chosen)
    initial["to"] = f"{RUN}{chosen.pk}" if chosen else PlaceKind.UNACCOUNTED.value
    return initial


def _last_movement(user: User, lab: Lab, kinds: list[str]) -> Movement | None:
    # The newest few of the lab: an index over people would cost every draw, and serve this form alone.
    newest = Movement.objects.filter(lab=lab).order_by("-id").values("pk")[:200]
    return Movement.objects.filter(pk__in=newest, actor=user, kind__in=kinds).order_by("-id").first()
