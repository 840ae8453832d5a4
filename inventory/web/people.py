"""Who is in the lab: roles, invitations that are out, and letting somebody leave."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpResponse, StreamingHttpResponse
from django.shortcuts import redirect
from django.utils.translation import gettext as _

from inventory.models import EntryLink, Membership
from inventory.selectors.people import invitations_standing, people_of
from inventory.services import labs
from inventory.web.csv_out import csv_file
from inventory.web.desk import Desk, desk_page, done, status_of
from inventory.web.forms import role_name, role_words
from inventory.web.role_forms import RoleForm
from inventory.web.rows import RowForm, act, asked

CSV_COLUMNS = ("username", "name", "role", "initials", "joined_at", "api_tokens", "feeds", "mail")


@desk_page("people.read", "POST")
def people(desk: Desk) -> HttpResponse:
    """Everybody in the lab and every link that is out. Only a supervisor ends a link."""
    fault: RowForm | None = None
    if desk.request.method == "POST":
        desk.require("people.edit")
        answer = act(desk, {"end-link": _end_link}, "people")
        if not isinstance(answer, RowForm):
            return answer
        fault = answer
    context = {
        "people": people_of(lab=desk.lab),
        "invitations": invitations_standing(lab=desk.lab, now=desk.now),
        "words": role_words(),
        "form": fault,
    }
    return desk.render("inventory/people.html", context, here="more", status=400 if fault else 200)


def _end_link(desk: Desk, row: str) -> str:
    labs.invitation_revoke(**desk.by, link=desk.caller.by_id(EntryLink.objects.all(), row))
    return _("The link has ended. Nobody can join with it any more.")


@desk_page("people.read")
def people_csv(desk: Desk) -> StreamingHttpResponse:
    rows = (
        (
            each.member.user.username, each.member.user.display_name, each.member.role, each.member.initials,
            each.member.joined_at.isoformat(), each.tokens, each.feeds, each.mail,
        )
        for each in people_of(lab=desk.lab)
    )  # fmt: skip
    return csv_file(f"{desk.lab.slug}-people", CSV_COLUMNS, rows)


@desk_page("people.edit", "POST")
def person(desk: Desk, person: str) -> HttpResponse:
    """One person: another role, or out of the lab."""
    member = desk.caller.by_id(Membership.objects.select_related("user"), person)
    form = RoleForm(initial={"role": member.role, "initials": member.initials})
    fault: RowForm | None = None
    if asked(desk):
        answer = act(desk, {"remove": _remove}, "people")
        if not isinstance(answer, RowForm):
            return answer
        fault = answer
    elif desk.request.method == "POST":
        form = RoleForm(desk.request.POST)
        words = done(desk, form, lambda: _set_role(desk, member, form)) if form.is_valid() else None
        if words is not None:
            messages.success(desk.request, words)
            return redirect("people", desk.lab.slug)
    context = {
        "member": member,
        "role_form": form,
        "form": fault or form,
        "is_self": member.user == desk.caller.user,
    }
    return desk.render(
        "inventory/person.html", context, here="more", status=400 if fault else status_of(form)
    )


def _set_role(desk: Desk, member: Membership, form: RoleForm) -> str:
    told = form.cleaned_data
    labs.member_add(**desk.by, user=member.user, role=told["role"], initials=told["initials"])
    parts = {"name": member.user.display_name, "role": role_name(told["role"])}
    return _("%(name)s is %(role)s now.") % parts


def _remove(desk: Desk, row: str) -> str:
    member = desk.caller.by_id(Membership.objects.select_related("user"), row)
    labs.member_remove(**desk.by, member=member)
    return _("%(name)s is no longer in the lab. What they did stays on record.") % {
        "name": member.user.display_name
    }
