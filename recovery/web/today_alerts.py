"""The alerts of the front page: beside a container that is listed anyway, the rest in a list of their own."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Mapping
from dataclasses import dataclass

from django.db.models import Q

from inventory.models import Alert
from inventory.rules.advice import Told
from inventory.services.answering import by_severity
from inventory.services.delivery.content import containers_of
from inventory.web.alert_lines import AlertLine, lines_of, to_do
from inventory.web.desk import Desk

SHOWN = 10


@dataclass(frozen=True)
class Standing:
    """beside: by the id of the container. more: those that are in the list of all alerts only."""

    beside: dict[int, list[AlertLine]]
    others: list[AlertLine]
    more: int
    waiting: int


@dataclass(frozen=True)
class Found:
    """Alerts to be done, the worst first. here: of listed containers; others: the first of the rest."""

    here: list[Alert]
    others: list[Alert]
    count: int
    open_count: int

    @property
    def containers(self) -> set[int]:
        """The containers that are not listed."""
        return set(containers_of(self.others).values())


def found(desk: Desk, *, listed: Collection[int], open_count: int) -> Found:
    """What stands open and is not put off. listed: ids of the containers on the due list.

    open_count: how many are open in all; those that are not to be done are put off.
    """
    if not open_count:
        return Found([], [], 0, 0)
    rows = to_do(Alert.objects.filter(lab=desk.lab), desk)
    wanted = by_severity(rows).order_by("severity", "-pk").select_related("acknowledged_by")
    beside_them = Q(subject_kind="container", subject_id__in=listed)
    others = wanted.exclude(beside_them)[:SHOWN]
    return Found(list(wanted.filter(beside_them)), list(others), rows.count(), open_count)


def standing(desk: Desk, alerts: Found, said: Mapping[int, Told]) -> Standing:
    """The same as lines. said: of containers by id; what has people do stands beside those listed anyway."""
    beside: defaultdict[int, list[AlertLine]] = defaultdict(list)
    for line in lines_of(desk, alerts.here, advise=False):
        beside[line.alert.subject_id].append(line)
    more = alerts.count - len(alerts.here) - len(alerts.others)
    others = lines_of(desk, alerts.others, said=said)
    return Standing(dict(beside), others, more, alerts.open_count - alerts.count)
