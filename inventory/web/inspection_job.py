"""The job that makes an inspection report: the same facts and paper as at once, as its reader reads."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.utils import timezone, translation

from inventory.models import Lab, User
from inventory.rules.paper import paper_pdf
from inventory.services import jobs
from inventory.services.inspection import inspection
from inventory.services.inspection_reports import REPORT, report_keep, wanted_of
from inventory.templatetags.amounts import volumes_in
from inventory.web.inspection_paper import inspection_paper


@jobs.task(REPORT, lease=timedelta(minutes=30))
def make(payload: Mapping[str, Any], now: datetime) -> None:
    """The lab as it stands when the job is done, stamped with that time."""
    lab = Lab.objects.filter(pk=payload["lab"]).first()
    actor = User.objects.filter(pk=payload["actor"]).first()
    if lab is None or actor is None:
        raise jobs.NoUse("The lab, or who asked, is not there any more.")
    wanted = wanted_of(payload)
    in_zone = timezone.override(ZoneInfo(lab.time_zone))
    with translation.override(wanted.language), in_zone, volumes_in(wanted.unit):
        found = inspection(lab=lab, now=now, since=wanted.since, until=wanted.until)
        pdf = paper_pdf(inspection_paper(found, asked_by=actor.display_name), wanted.paper)
    report_keep(payload=payload, now=now, pdf=pdf)
