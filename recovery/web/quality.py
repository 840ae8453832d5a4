"""Quality checks that were wrong, taken back; and what the containers of a lot are fit for."""

from __future__ import annotations

from django.http import HttpResponse
from django.urls import reverse
from django.utils.translation import gettext as _

from inventory.models import Container, Lot
from inventory.web.desk import Desk, desk_page
from recovery.models import QualityCheck
from recovery.services.quality import check_withdraw
from recovery.services.quality_fit import FitFor, fitness_of
from recovery.templatetags.drawn import property_words
from recovery.web.asking import Words, ask, posted
from recovery.web.run_forms import ReasonForm

CONTAINERS_SHOWN = 20


def fits_of_lot(desk: Desk, lot: Lot) -> list[FitFor]:
    """For what each container that holds a lot is fit, in the order of their codes."""
    if not desk.caller.may("safety.read"):
        return []
    held = Container.objects.filter(lot=lot, volume_ul__gt=0, discarded_at=None).order_by("code")
    pks = list(held.values_list("pk", flat=True)[:CONTAINERS_SHOWN])
    found = fitness_of(lab=desk.lab, container_ids=pks, today=desk.today)
    return [found[pk] for pk in pks if pk in found]


@desk_page("safety.withdraw", "POST")
def check_back(desk: Desk, check: str) -> HttpResponse:
    """A check that was wrong is taken back by a newer row."""
    found: QualityCheck = desk.caller.by_id(QualityCheck.objects.select_related("container"), check)
    form = ReasonForm(posted(desk))

    def work() -> str:
        check_withdraw(**desk.by, check=found, reason=form.cleaned_data["reason"])
        return _("Taken back. Both stay on the record.")

    said = {"what": property_words(found.what), "code": found.container.code}
    words = Words(
        _("Take a check back"), _("Take it back"), found.container.code, _("The %(what)s of %(code)s") % said
    )
    home = reverse("container", args=[desk.lab.slug, found.container.code])
    return ask(desk, form, work, words, home, here="shelf")
