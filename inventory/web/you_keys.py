"""The pages on which people turn a second step on, and add and remove passkeys."""

from __future__ import annotations

from typing import Any
from uuid import uuid4

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils import timezone
from django.utils.safestring import SafeString, mark_safe
from django.utils.translation import gettext as _

from inventory.models import Passkey, SecondFactor, User
from inventory.rules import one_time_codes
from inventory.rules.errors import Conflict, InputError
from inventory.services import passkeys, second_factor
from inventory.services.once import Reply, fingerprint, once
from inventory.services.sealing import seal, unseal
from inventory.web.language import spoken
from inventory.web.passkey_sign_in import keep_asked, site_of, take_asked
from inventory.web.you import PAGE, own_page, shown
from inventory.web.you_forms import PasskeyForm, PasskeyName, ProvingForm, TurnOnForm

PENDING = "second_step_key"
FRESH_CODES = "fresh_codes"
FRESH_SECONDS = 15 * 60


@own_page(*PAGE)
def second_step(request: HttpRequest, person: User) -> HttpResponse:
    """Turn the second step on by a first code of the app, or off by the password."""
    factor = SecondFactor.objects.filter(user=person).first()
    return _factor_on(request, person, factor) if factor else _factor_off(request, person)


def _factor_on(request: HttpRequest, person: User, factor: SecondFactor) -> HttpResponse:
    if request.method == "POST" and "code" in request.POST:
        return redirect("you-codes")  # sent twice: it was turned on the first time
    form = ProvingForm(request.POST or None, request=request)
    if request.method == "POST" and form.is_valid():
        second_factor.turn_off(actor=person, now=timezone.now())
        messages.success(request, _("The second step is off. Your password alone signs you in."))
        return redirect("you")
    left = second_factor.recovery_codes_left(user=person)
    readable = second_factor.is_readable(user=person)
    return shown(request, "you_second_step", form, factor=factor, left=left, readable=readable)


def _factor_off(request: HttpRequest, person: User) -> HttpResponse:
    if request.method == "POST" and "code" not in request.POST and "now_password" in request.POST:
        return redirect("you")  # sent twice: it was turned off the first time
    secret = _pending(request, person)
    form = TurnOnForm(request.POST or None, request=request)
    if request.method == "POST" and form.is_valid():
        try:
            codes = second_factor.turn_on(
                actor=person, now=timezone.now(), secret=secret, code=form.cleaned_data["code"]
            )
        except Conflict:
            return redirect("you-codes")
        except InputError as error:
            form.refuse(error)
        else:
            del request.session[PENDING]
            return _show_codes(request, codes)
    address = one_time_codes.app_address(
        secret, person=person.username, site=f"Stillkeep {request.get_host()}"
    )
    parts = [secret[at : at + 4] for at in range(0, len(secret), 4)]
    return shown(
        request, "you_second_step", form, factor=None, qr=_qr(address), key_parts=parts, app_address=address
    )


def _pending(request: HttpRequest, person: User) -> str:
    """The secret that is being tried out, the same while the page is loaded again; sealed in the session."""
    purpose = f"second step of {person.pk}"
    secret = unseal(request.session.get(PENDING, ""), purpose=purpose)
    if secret is None:
        secret = one_time_codes.secret_make()
        request.session[PENDING] = seal(secret, purpose=purpose)
    return secret


def _qr(text: str) -> SafeString:
    """The code as an inline picture of attributes alone: black on white in any light."""
    import segno

    picture = segno.make(text, error="m", micro=False).svg_inline(omitsize=True, light="#fff", dark="#000")
    return mark_safe(picture)  # noqa: S308  # made here of squares alone


def _show_codes(request: HttpRequest, codes: list[str]) -> HttpResponse:
    sealed = seal(" ".join(codes), purpose=FRESH_CODES)
    request.session[FRESH_CODES] = {"sealed": sealed, "until": timezone.now().timestamp() + FRESH_SECONDS}
    return redirect("you-codes")


def _fresh(request: HttpRequest) -> list[str]:
    """The codes that were just made, for some minutes; afterwards the session forgets them."""
    fresh: Any = request.session.get(FRESH_CODES)
    if fresh is None:
        return []
    if fresh["until"] <= timezone.now().timestamp():
        del request.session[FRESH_CODES]
        return []
    return (unseal(fresh.get("sealed", ""), purpose=FRESH_CODES) or "").split()


@own_page(*PAGE)
def codes(request: HttpRequest, person: User) -> HttpResponse:
    """The recovery codes while they are new; afterwards only how many are left, and a way to new ones."""
    if not second_factor.wanted(user=person):
        return redirect("you-second-step")
    if request.method == "POST" and "kept" in request.POST:
        request.session.pop(FRESH_CODES, None)
        return redirect("you")
    form = ProvingForm(request.POST or None, request=request)
    if request.method == "POST" and form.is_valid():
        return _renewed(request, person)
    left = second_factor.recovery_codes_left(user=person)
    return shown(request, "you_codes", form, fresh=_fresh(request), left=left, key=str(uuid4()))


def _renewed(request: HttpRequest, person: User) -> HttpResponse:
    """New codes, once for each form: the second of two taps would end those that the first one shows."""
    made: list[str] = []
    now = timezone.now()

    def work() -> Reply:
        made.extend(second_factor.recovery_codes_renew(actor=person, now=now))
        return Reply(200, {})

    key = request.POST.get("key") or str(uuid4())
    try:
        once(user=person, key=key[:200], body_sha256=fingerprint(b"new-codes"), now=now, work=work)
    except InputError:
        return redirect("you-codes")
    return _show_codes(request, made) if made else redirect("you-codes")


@own_page(*PAGE)
def keys(request: HttpRequest, person: User) -> HttpResponse:
    """One's passkeys; a new one arrives here from the script."""
    form = PasskeyForm(request.POST or None, request=request)
    if request.method == "POST":
        problem = _added(request, person)
        if problem is None:
            messages.success(request, _("The passkey is added. It signs you in without your password."))
            return redirect("you-passkeys")
        form = PasskeyForm(request=request, initial={"name": request.POST.get("name", "")})
        messages.error(request, problem)
    usable = site_of(request).takes_passkeys
    return shown(
        request,
        "you_passkeys",
        form,
        keys=Passkey.objects.filter(user=person).order_by("added_at"),
        usable=usable,
    )


def _added(request: HttpRequest, person: User) -> str | None:
    """Keep the passkey that was posted; words when it was not taken. The password was asked for before."""
    try:
        passkeys.add(
            actor=person,
            now=timezone.now(),
            site=site_of(request),
            state=take_asked(request, f"add-{person.pk}") or {},
            answer=request.POST.get("answer", ""),
            name=request.POST.get("name", ""),
        )
    except InputError as error:
        return f"{spoken(error.detail)} {spoken(error.remedy)}"
    return None


@own_page("POST")
def key_ask(request: HttpRequest, person: User) -> HttpResponse:
    """What the browser needs to make a key, as JSON, once the password is proved."""
    form = PasskeyForm(request.POST, request=request)
    if not form.is_valid():
        faults = [fault for words in form.errors.values() for fault in words]
        return JsonResponse({"fault": " ".join(map(str, faults))}, status=form.status)
    options, state = passkeys.ask_to_add(actor=person, site=site_of(request))
    keep_asked(request, f"add-{person.pk}", state)
    return JsonResponse(options)


@own_page(*PAGE)
def key(request: HttpRequest, person: User, passkey: str) -> HttpResponse:
    """One passkey: another name, or away with it."""
    found = get_object_or_404(Passkey, user=person, pk=int(passkey[:18]) if passkey.isdecimal() else 0)
    form = PasskeyName(request.POST or None, initial={"name": found.name})
    if request.method == "POST" and "remove" in request.POST:
        passkeys.remove(key=found)
        messages.success(request, _("The passkey is removed. It signs in no more."))
        return redirect("you-passkeys")
    if request.method == "POST" and form.is_valid():
        passkeys.rename(key=found, name=form.cleaned_data["name"])
        messages.success(request, _("Saved."))
        return redirect("you-passkeys")
    return shown(request, "you_passkey", form, passkey=found)
