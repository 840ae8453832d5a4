"""The alerts of the front page: beside a container that is listed anyway, the rest in a list of their own."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass

from inventory.models import Alert
from inventory.services.answering import by_severity
from inventory.web.alert_lines import AlertLine, lines_of, to_do
from inventory.web.desk import Desk

SHOWN = 20
READ_MAX = 500


@dataclass(frozen=True)
class Standing:
    """beside: by the id of the container. more: those that are in the list of all alerts only."""

    beside: dict[int, list[AlertLine]]
    others: list[AlertLine]
    more: int
    waiting: int


def standing(desk: Desk, *, listed: Collection[int], open_count: int) -> Standing:
    """What stands open and is not put off, the worst first.

    listed: ids of the containers on the due list, with the verdict beside them. open_count: how many alerts
    are open in all; those that are not read here are put off.
    """
    rows = Alert.objects.filter(lab=desk.lab).select_related("acknowledged_by")
    wanted = by_severity(to_do(rows, desk)).order_by("severity", "-pk")
    found: list[Alert] = list(wanted[:READ_MAX]) if open_count else []
    here = [a for a in found if a.subject_kind == "container" and a.subject_id in listed]
    known = {alert.pk for alert in here}
    rest = [alert for alert in found if alert.pk not in known]
    beside: defaultdict[int, list[AlertLine]] = defaultdict(list)
    for line in lines_of(desk, here, advise=False):
        beside[line.alert.subject_id].append(line)
    all_read = len(found) < READ_MAX
    return Standing(
        dict(beside),
        lines_of(desk, rest[:SHOWN]),
        len(rest[SHOWN:]),
        max(0, open_count - len(found)) if all_read else 0,
    )
