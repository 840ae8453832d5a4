"""One process of a crew: reads an order from each line of its input and answers on its output."""

from __future__ import annotations

import json
import sys
import time
import traceback
from collections import Counter
from collections.abc import Callable
from typing import Any
from uuid import UUID

import django

django.setup()

from django.core.management import call_command  # noqa: E402
from django.db import transaction  # noqa: E402

from inventory.models import Container, Lab, Membership, Movement, Policy, User  # noqa: E402
from inventory.rules.errors import Conflict, InputError  # noqa: E402
from inventory.services import containers, labs, once, reversal, safety, volumes  # noqa: E402
from inventory.services.audit import audit  # noqa: E402
from inventory.services.containers import ContainerFacts, LotFacts  # noqa: E402
from inventory.services.importing import lock_lab  # noqa: E402
from inventory.services.lab_editing import lab_edit  # noqa: E402
from recovery.models import Run, RunSum  # noqa: E402
from recovery.services import runs  # noqa: E402
from recovery.services.sums import parts_by_solvent  # noqa: E402
from tests import factories as make  # noqa: E402

DRAW_UL = 1000


def migrate() -> None:
    call_command("migrate", verbosity=0)


def prepare(name: str) -> str:
    """Make a lab; returns its short name."""
    return make.club(name).lab.slug


def bottle(lab: str, amount: str, key: str = "tetrahydrofuran", **facts: Any) -> int:
    return make.stocked(_club(lab), key, amount, **facts).pk


def _club(slug: str) -> make.Club:
    lab = Lab.objects.select_related("policy").get(slug=slug)
    people = {m.role: m.user for m in Membership.objects.select_related("user").filter(lab=lab)}
    return make.Club(lab, people)


def _at(slug: str) -> dict[str, Any]:
    club = _club(slug)
    return {"lab": club.lab, "actor": club.steward, "now": make.NOW}


def volume(pk: int) -> int:
    return Container.objects.values_list("volume_ul", flat=True).get(pk=pk)


def facts(pk: int) -> list[Any]:
    held = Container.objects.get(pk=pk)
    return [held.opened, str(held.opened_on), str(held.next_test_due)]


def movements(pk: int, kind: str) -> int:
    return Movement.objects.filter(kind=kind, source__container=pk).count()


def draw_unguarded(pk: int, tries: int) -> int:
    """Read, check, write, as one would without thinking; returns how many draws were granted."""
    granted = 0
    for _ in range(tries):
        held_ul = volume(pk)
        if held_ul >= DRAW_UL:
            time.sleep(0.0005)  # what a real request does between reading and writing
            Container.objects.filter(pk=pk).update(volume_ul=held_ul - DRAW_UL)
            granted += 1
    return granted


def set_back(pk: int, volume_ul: int) -> None:
    """Mend what the unguarded draws have left."""
    Container.objects.filter(pk=pk).update(volume_ul=volume_ul)


def draw(lab: str, pk: int, tries: int, kind: str = "reaction") -> dict[str, int]:
    """Draws of 1 mL through the service; returns how each ended."""
    at, ends = _at(lab), Counter[str]()
    to = volumes.bench_end(at["lab"], kind, field="to")
    for _ in range(tries):
        try:
            container = make.fresh(Container.objects.get(pk=pk))
            volumes.draw(**at, container=container, amount="1 mL", destination=to)
            ends["granted"] += 1
        except Conflict as refusal:
            ends[refusal.code] += 1
    return ends


def discard(lab: str, pks: list[int]) -> int:
    """Hand bottles over, one after the other."""
    for pk in pks:
        volumes.discard(**_at(lab), container=make.fresh(Container.objects.get(pk=pk)))
    return len(pks)


def run(lab: str) -> int:
    """A run that does not distil: the ledger is at stake here, not the gate before the still."""
    return runs.run_start(**_at(lab), purpose="fat in biscuits", distils=False).pk


def charge_and_take_back(lab: str, pk: int, run: int, times: int) -> int:
    """Charges of 1 mL, each of which is reversed again but the last."""
    at = _at(lab)
    for number in range(times):
        container = make.fresh(Container.objects.get(pk=pk))
        posted = runs.charge(**at, run=Run.objects.get(pk=run), container=container, amount="1 mL")
        if number < times - 1:
            reversal.reverse(**at, entry=posted.entry, reason="wrong run")
    return times


def give_back(lab: str, pk: int, run: int, times: int) -> int:
    """Returns of 1 mL from a run."""
    for _ in range(times):
        into = make.fresh(Container.objects.get(pk=pk))
        runs.give_back(**_at(lab), run=Run.objects.get(pk=run), container=into, amount="1 mL")
    return times


def run_sums(run: int) -> list[list[int]]:
    """What is stored of a run, and what its movements say."""
    kept = list(RunSum.objects.filter(run=run).values_list("charged_ul", "held_ul"))
    parts = parts_by_solvent(Run.objects.get(pk=run).place_id).values()
    return [list(kept[0]), *([part["charged_ul"], part["held_ul"]] for part in parts)]


def change_policy(lab: str, keys: list[str]) -> int:
    """One policy after another, as the lab's page does it."""
    at = _at(lab)
    for key in keys:
        with transaction.atomic():
            held = lock_lab(at["lab"])
            policy = Policy.objects.get(lab=None, key=key)
            lab_edit(**{**at, "lab": held}, changes={}, policy=policy, reason="another table")
    return len(keys)


def receive_many(lab: str, times: int) -> list[int]:
    return [bottle(lab, "250 mL", inhibited=True) for _ in range(times)]


def pour(lab: str, source: int, into: int, times: int) -> dict[str, int]:
    """Pours of 1 mL; returns how each ended."""
    at, ends = _at(lab), Counter[str]()
    for _ in range(times):
        giver, taker = (make.fresh(Container.objects.get(pk=pk)) for pk in (source, into))
        try:
            volumes.pour(**at, source=giver, into=taker, amount="1 mL")
            ends["poured"] += 1
        except Conflict as refusal:
            ends[refusal.code] += 1
    return ends


def test(lab: str, pk: int, times: int) -> dict[str, int]:
    """Peroxide tests, which touch every container that holds a blend of the lot."""
    at, ends = _at(lab), Counter[str]()
    for _ in range(times):
        container = make.fresh(Container.objects.get(pk=pk))
        try:
            safety.test_record(
                **at, container=container, reading="5", method="strip-25", tested_on=make.TODAY
            )
            ends["tested"] += 1
        except Conflict as refusal:
            ends[refusal.code] += 1
    return ends


def draw_once(lab: str, pk: int, key: str) -> list[Any]:
    """A draw under a client-made key; returns whether it was a repeat, and the answer's body."""
    at = _at(lab)

    def work() -> once.Reply:
        to = volumes.bench_end(at["lab"], "reaction", field="to")
        container = make.fresh(Container.objects.get(pk=pk))
        posted = volumes.draw(**at, container=container, amount="10 mL", destination=to)
        return once.Reply(201, {"entry": str(posted.entry)})

    reply = once.once(user=at["actor"], key=key, body_sha256="b" * 64, now=make.NOW, work=work)
    return [reply.repeated, reply.status, reply.body]


def entry_of(pk: int) -> str:
    """The entry that filled a container."""
    return str(Movement.objects.filter(destination__container=pk).latest("pk").entry)


def reverse(lab: str, entry: str) -> str:
    try:
        reversal.reverse(**_at(lab), entry=UUID(entry), reason="wrong bottle")
    except InputError as refusal:
        return refusal.code
    return "reversed"


def receive(lab: str, code: str) -> str:
    try:
        containers.receive(
            **_at(lab), solvent=make.solvent("acetone"), amount="250 mL",
            facts=ContainerFacts(code=code, capacity_ul=500_000), lot=LotFacts(),
        )  # fmt: skip
    except Conflict as refusal:
        return refusal.code
    return "received"


def step_down(lab: str, username: str) -> str:
    place, user = Lab.objects.get(slug=lab), User.objects.get(username=username)
    try:
        labs.member_add(lab=place, actor=user, now=make.NOW, user=user, role="member")
    except Conflict as refusal:
        return refusal.code
    return "member"


def come_and_go(lab: str, username: str, times: int) -> int:
    """Let somebody step down and up again; returns how often the lab would have had no supervisor left."""
    place, user, kept = Lab.objects.get(slug=lab), User.objects.get(username=username), 0
    for number in range(times):
        try:
            labs.member_add(
                lab=place, actor=user, now=make.NOW, user=user, role="supervisor" if number % 2 else "member"
            )
        except Conflict:
            kept += 1
    return kept


def supervisors(lab: str) -> list[str]:
    held = Membership.objects.filter(lab__slug=lab, role="supervisor")
    return list(held.values_list("user__username", flat=True))


def second_supervisor(lab: str) -> list[str]:
    club = _club(lab)
    labs.member_add(lab=club.lab, actor=club.supervisor, now=make.NOW, user=club.steward, role="supervisor")
    return supervisors(lab)


def setup_link() -> str | None:
    return labs.setup_link_create(now=make.NOW)


def set_up(secret: str, username: str) -> str:
    try:
        labs.entry_link_use(
            secret=secret, now=make.NOW, username=username, password=make.PASSWORD, name="First Lab"
        )
    except InputError as refusal:
        return refusal.code
    return "made"


def people() -> list[int]:
    return [User.objects.count(), Lab.objects.count()]


def audited() -> list[str]:
    return [str(finding) for finding in audit(full=True).findings]


TASKS: dict[str, Callable[..., Any]] = {
    task.__name__: task
    for task in (
        migrate, prepare, bottle, volume, facts, movements, draw_unguarded, set_back, draw, pour, test,
        draw_once,
        entry_of, reverse, receive, step_down, come_and_go, supervisors, second_supervisor, setup_link,
        set_up, people,
        audited, discard, run, charge_and_take_back, give_back, run_sums, change_policy, receive_many,
    )
}  # fmt: skip


def main() -> None:
    for line in sys.stdin:
        name, arguments = json.loads(line)
        try:
            answer: dict[str, Any] = {"answer": TASKS[name](**arguments)}
        except Exception:
            answer = {"fault": traceback.format_exc()}
        sys.stdout.write(json.dumps(answer) + "\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
