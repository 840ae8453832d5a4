"""What may be done with a container at the bench: each deed with its form and the one service it calls."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from inventory.models import Container, Event, Reagent
from inventory.rules.advice import ADVICE
from inventory.rules.errors import Conflict
from inventory.rules.phrases import Phrase
from inventory.rules.waste import FIRST
from inventory.services import safety, volumes
from inventory.services.containers import day_in_lab
from inventory.services.moving import put_away
from inventory.services.opening import mark_opened
from inventory.services.quarantine import set_aside
from inventory.services.storage import Override
from inventory.templatetags.amounts import ml_text
from inventory.web.bench_forms import (
    CountForm,
    DiscardForm,
    MoveForm,
    OpenForm,
    PourForm,
    SetAsideForm,
    SignForm,
    TestForm,
    WeighForm,
    unit_for,
)
from inventory.web.desk import Desk, DeskForm
from inventory.web.finding import container_named
from inventory.web.language import spoken
from recovery.services import runs
from recovery.services.gate import Signature
from recovery.web.deed import Deed
from recovery.web.draw_form import DrawForm
from recovery.web.treating import TREATING, fitting
from recovery.web.waste_forms import into_waste, into_waste_form


def _draw_form(desk: Desk, container: Container, data: Any) -> DeskForm:
    return DrawForm(data, desk=desk, container=container)


def _draw(desk: Desk, container: Container, form: DrawForm) -> str:
    run, told = form.run(), {"container": container, "amount": form.entry(), **form.moment()}
    if run is None:
        end = volumes.bench_end(desk.lab, form.cleaned_data["to"], field="to")
        volumes.draw(**desk.by, destination=end, **told)
    else:
        desk.caller.require("runs.log")
        reason = form.cleaned_data.get("override", "")
        signature = Signature(reason, allowed=desk.caller.may("runs.override")) if reason else None
        runs.charge(**desk.by, run=run, signature=signature, **told)
    return _now(container, _("Drawn."))


def _back_form(desk: Desk, container: Container, data: Any) -> DeskForm:
    return DrawForm(data, desk=desk, container=container, back=True)


def _back(desk: Desk, container: Container, form: DrawForm) -> str:
    run, told = form.run(), {"container": container, "amount": form.entry(), **form.moment()}
    if run is None:
        end = volumes.bench_end(desk.lab, form.cleaned_data["to"], field="from")
        volumes.put_back(**desk.by, source=end, **told)
    else:
        desk.caller.require("runs.log")
        solvent = container.lot.solvent if container.lot and container.volume_ul else None
        runs.give_back(**desk.by, run=run, solvent=solvent, **told)
    return _now(container, _("Put in."))


def _test_form(desk: Desk, container: Container, data: Any) -> DeskForm:
    kept = Reagent.objects.filter(lab=desk.lab, ended_at=None).order_by("-id")
    named = [(str(r.pk), str(r)) for r in kept]
    return TestForm(data, reagents=named, initial={"tested_on": desk.today})


def _test(desk: Desk, container: Container, form: TestForm) -> str:
    told = form.cleaned_data
    reagent = Reagent.objects.filter(lab=desk.lab, pk=told["reagent"]).first() if told["reagent"] else None
    safety.test_record(
        **desk.by,
        container=container,
        reading=told["reading"],
        method=told["method"],
        tested_on=told["tested_on"],
        note=told["note"],
        reagent=reagent,
    )
    return _("The test is recorded. The verdict below takes it in.")


def _sign_form(desk: Desk, container: Container, data: Any) -> DeskForm:
    return SignForm(data)


def _sign(desk: Desk, container: Container, form: SignForm) -> str:
    told, tapped = form.cleaned_data, form.tapped()
    seen_on = None if tapped is None else day_in_lab(desk.lab, tapped)
    safety.observe(**desk.by, container=container, sign=told["sign"], words=told["words"], seen_on=seen_on)
    return _("Recorded. Follow what the verdict below says.")


def _open_form(desk: Desk, container: Container, data: Any) -> DeskForm:
    return OpenForm(data, initial={"opened_on": desk.today})


def _open(desk: Desk, container: Container, form: OpenForm) -> str:
    told = form.cleaned_data
    mark_opened(
        container=container,
        actor=desk.caller.user,
        now=desk.now,
        opened_on=told["opened_on"],
        may_loosen=desk.caller.may("safety.loosen"),
        reason=told["reason"],
    )
    return _("The opening is recorded.")


def _count_form(desk: Desk, container: Container, data: Any) -> DeskForm:
    return CountForm(data, initial={"unit": unit_for(container)})


def _count(desk: Desk, container: Container, form: CountForm) -> str:
    counted = volumes.count(
        **desk.by,
        container=container,
        amount=form.entry(),
        happened_at=form.moment()["happened_at"],
    )
    return _counted(container, counted)


def _weigh_form(desk: Desk, container: Container, data: Any) -> DeskForm:
    return WeighForm(data)


def _weigh(desk: Desk, container: Container, form: WeighForm) -> str:
    told: dict[str, Any] = {"gross": form.entry(), "happened_at": form.tapped()}
    return _counted(container, volumes.weigh(**desk.by, container=container, **told))


def _counted(container: Container, counted: Any) -> str:
    if not counted.difference_ul:
        return _("It agrees with the record.")
    words = _("Recorded: %(difference)s different from the record.") % {
        "difference": ml_text(counted.difference_ul)
    }
    if counted.beyond_uncertainty:
        words += " " + _("That is more than the uncertainty of both: something was not written down.")
    return words


def _move_form(desk: Desk, container: Container, data: Any) -> DeskForm:
    return MoveForm(data, lab=desk.lab, initial={"location": container.location_id})


def _move(desk: Desk, container: Container, form: MoveForm) -> str:
    told = form.cleaned_data
    _not_moved_since(container, form.tapped())
    override = Override(told["override_reason"], allowed=desk.caller.may("safety.loosen"))
    done = put_away(
        container=container,
        actor=desk.caller.user,
        now=desk.now,
        location=told["location"],
        override=override,
    )
    warned = " ".join(spoken(warning.words) for warning in done.warnings)
    stands = _("It stands there now.")
    if done.against and not done.carried:
        stands = f"{stands} {spoken(ADVICE[done.against.level])}"
    elif done.against:
        # What happened is on record; what is to happen now is said first.
        stands = _(
            "Recorded, and that it was not to be moved. Leave it there, keep others away "
            "and call the supervisor."
        )
    return f"{stands} {warned}".strip()


def _not_moved_since(container: Container, tapped: datetime | None) -> None:
    """A form that was kept for want of a network does not undo what somebody did after it was tapped."""
    if tapped is None:
        return
    told = Event.objects.filter(subject_kind="container", subject_id=container.pk, verb="put-away")
    if told.filter(at__gt=tapped).exists():
        raise Conflict(
            "location",
            "moved-since",
            Phrase("{code} has been moved since you told that.", code=container.code),
            Phrase("Look where it stands, and move it once more if that is wrong."),
        )


def _pour_form(desk: Desk, container: Container, data: Any) -> DeskForm:
    return PourForm(data, initial={"unit": unit_for(container)})


def _pour(desk: Desk, container: Container, form: PourForm) -> str:
    into = container_named(desk.caller, form.cleaned_data["into"], "into")
    volumes.pour(**desk.by, source=container, into=into, amount=form.entry(), **form.moment())
    into.refresh_from_db()
    return _("Poured. %(code)s holds %(amount)s now.") % {
        "code": into.code,
        "amount": ml_text(into.volume_ul),
    }


def _aside_form(desk: Desk, container: Container, data: Any) -> DeskForm:
    return SetAsideForm(data)


def _aside(desk: Desk, container: Container, form: SetAsideForm) -> str:
    set_aside(**desk.by, container=container, reason=form.cleaned_data["reason"])
    return _("Barred. Nobody uses it until a supervisor lifts that.")


def _discard_form(desk: Desk, container: Container, data: Any) -> DeskForm:
    return DiscardForm(data)


def _discard(desk: Desk, container: Container, form: DiscardForm) -> str:
    volumes.discard(**desk.by, container=container, **form.moment())
    return _("It has left the shelf for good.")


def _now(container: Container, words: str) -> str:
    container.refresh_from_db(fields=["volume_ul"])
    held = _("%(code)s holds %(amount)s now.") % {
        "code": container.code,
        "amount": ml_text(container.volume_ul),
    }
    return f"{words} {held}"


_T = gettext_lazy
DEEDS: Mapping[str, Deed] = {
    deed.key: deed
    for deed in (
        Deed("draw", _T("Draw from it"), _T("Draw"), "stock.draw", _draw_form, _draw),
        Deed(
            "put-in",
            _T("Put solvent in"),
            _T("Put in"),
            "stock.put-back",
            _back_form,
            _back,
            needs_content=False,
        ),
        Deed("test", _T("Record a peroxide test"), _T("Test"), "safety.test", _test_form, _test),
        Deed(
            "sign",
            _T("Record something seen on it"),
            _T("I see something"),
            "safety.observe",
            _sign_form,
            _sign,
            needs_content=False,
            leaves_alone=True,
        ),
        Deed("open", _T("Record that it was opened"), _T("Opened"), "stock.open", _open_form, _open),
        Deed("weigh", _T("Weigh it"), _T("Weigh"), "stock.count", _weigh_form, _weigh),
        Deed("count", _T("Count what is in it"), _T("Count"), "stock.count", _count_form, _count),
        Deed("move", _T("Move it"), _T("Move"), "stock.move", _move_form, _move, needs_content=False),
        Deed("pour", _T("Pour it over"), _T("Pour over"), "stock.pour", _pour_form, _pour),
        Deed(
            "into-waste",
            _T("Put it into a waste container"),
            _T("Into waste"),
            "waste.log",
            into_waste_form,
            into_waste,
            before=FIRST,
        ),
        Deed(
            "set-aside",
            _T("Bar it from use"),
            _T("Bar its use"),
            "safety.quarantine",
            _aside_form,
            _aside,
            needs_content=False,
            leaves_alone=True,
        ),
        Deed(
            "discard",
            _T("Hand it over for disposal"),
            _T("Discard"),
            "stock.discard",
            _discard_form,
            _discard,
            grave=True,
            needs_content=False,
            leaves_alone=True,
        ),
        *TREATING,
    )
}


def deeds_for(desk: Desk, container: Container) -> list[Deed]:
    """Those that this person may do and that make sense now. What is refused says why when it is tried."""
    if container.discarded_at is not None:
        return []
    fits = [deed for deed in DEEDS.values() if desk.caller.may(deed.permission)]
    if container.volume_ul == 0:
        fits = [deed for deed in fits if not deed.needs_content]
    if container.opened == Container.Opened.OPENED and container.opened_on is not None:
        fits = [deed for deed in fits if deed.key != "open"]
    if container.tare_mg is None:
        fits = [deed for deed in fits if deed.key != "weigh"]
    return fitting(container, fits)
