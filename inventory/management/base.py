"""What the commands of both apps share."""

from __future__ import annotations

from argparse import ArgumentParser

from django.core.management.base import CommandError

from inventory.models import Lab, User


def add_lab(parser: ArgumentParser) -> None:
    parser.add_argument("--lab", help="short name of the lab; may be left out when there is only one")


def lab_named(slug: str | None) -> Lab:
    """The lab meant; without a name the only one there is. Raises CommandError (exit code 2)."""
    labs = Lab.objects.select_related("policy").order_by("slug")
    if slug is not None:
        found = labs.filter(slug=slug).first()
        if found is None:
            raise CommandError(f"There is no lab “{slug}”; {_known()}", returncode=2)
        return found
    only = list(labs[:2])
    if len(only) != 1:
        raise CommandError(f"Say which lab with --lab; {_known()}", returncode=2)
    return only[0]


def _known() -> str:
    slugs = list(Lab.objects.order_by("slug").values_list("slug", flat=True)[:20])
    return f"known: {', '.join(slugs)}." if slugs else "there is none yet: run manage.py up or demo first."


def person_named(lab: Lab, username: str | None) -> User:
    """The person who acts: named, or the lab's longest-serving supervisor. Raises CommandError."""
    members = lab.memberships.select_related("user").order_by("id")
    if username is not None:
        held = members.filter(user__username=username).first()
        if held is None:
            raise CommandError(f"“{username}” is not in this lab.", returncode=2)
        return held.user
    held = members.filter(role="supervisor").first()
    if held is None:
        raise CommandError("The lab has no supervisor to act for; name somebody with --as.", returncode=2)
    return held.user
