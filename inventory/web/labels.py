"""Labels to print: which containers, which size, how many places of the sheet are gone already."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any
from urllib.parse import urlsplit

from django import forms
from django.conf import settings
from django.db.models import Q
from django.db.models.functions import Lower
from django.http import HttpResponse
from django.urls import reverse
from django.utils.translation import get_language, gettext_lazy
from django.utils.translation import gettext as _

from inventory.models import Container
from inventory.rules.label_sheet import SIZES, NoRoom, labels_pdf
from inventory.services.labels import LABELS_MAX, label_texts
from inventory.web.desk import Desk, desk_page, status_of

CODES_TOLD = 5
LANGUAGE_HELP = gettext_lazy("Of hazard statements, signal word and the lines to write on: that of the lab.")


class LabelForm(forms.Form):
    """It only reads: the answer has an address of its own."""

    codes = forms.CharField(
        label=gettext_lazy("Codes"),
        max_length=8000,
        widget=forms.Textarea(attrs={"rows": 2, "autocapitalize": "characters", "class": "code"}),
        help_text=gettext_lazy("With spaces or commas between them."),
    )
    size = forms.ChoiceField(
        label=gettext_lazy("For bottles of"),
        choices=[],
        help_text=gettext_lazy(
            "On a sheet stand 18 of the smallest, 8 of the middle size, or 6 of the largest."
        ),
    )
    single = forms.ChoiceField(
        label=gettext_lazy("Paper"),
        required=False,
        choices=[("", gettext_lazy("A4 sheets")), ("yes", gettext_lazy("one label a page"))],
    )
    skip = forms.IntegerField(
        label=gettext_lazy("Places of the sheet used already"),
        required=False,
        min_value=0,
        widget=forms.NumberInput(attrs={"inputmode": "numeric"}),
    )

    language = forms.ChoiceField(
        label=gettext_lazy("Language on the label"), required=False, choices=[], help_text=LANGUAGE_HELP
    )

    def __init__(self, data: Any, *, desk: Desk, **kwargs: Any) -> None:
        super().__init__(data, label_suffix="", **kwargs)
        spoken_here = self.fields["language"]
        assert isinstance(spoken_here, forms.ChoiceField)
        spoken_here.choices = settings.LANGUAGES
        self.desk = desk
        field = self.fields["size"]
        assert isinstance(field, forms.ChoiceField)
        field.choices = [(size.key, size.words) for size in SIZES.values()]
        self.found: list[Container] = []

    def clean(self) -> dict[str, Any]:
        told = super().clean() or {}
        size = SIZES.get(told.get("size", ""))
        if size and (told.get("skip") or 0) >= size.on_a_sheet:
            self.add_error("skip", _("A sheet has %(places)s places.") % {"places": size.on_a_sheet})
        return told

    def clean_codes(self) -> str:
        text = str(self.cleaned_data["codes"])
        codes = list(dict.fromkeys(text.replace(",", " ").split()))
        if len(codes) > LABELS_MAX:
            raise forms.ValidationError(_("At most %(most)s labels at once.") % {"most": LABELS_MAX})
        # In any capitals, as everywhere a code is typed.
        named = Q(code__in=codes) | Q(lower__in=[code.lower() for code in codes])
        own = Container.objects.select_related("lot__solvent").filter(lab=self.desk.lab)
        own = own.annotate(lower=Lower("code")).filter(named)
        by_code = {key: container for container in own for key in (container.code.lower(), container.code)}
        by_code |= {code: by_code[code.lower()] for code in codes if code.lower() in by_code}
        missing = [code for code in codes if code not in by_code]
        if missing:
            raise forms.ValidationError(
                _("No container has the code %(codes)s. Compare it with the shelf.")
                % {"codes": ", ".join(missing[:5])}
            )
        self.found = list(dict.fromkeys(by_code[code] for code in codes))
        return text


@desk_page("stock.read")
def labels(desk: Desk) -> HttpResponse:
    """Ask what to print; the button leads to the PDF."""
    given = desk.request.GET
    codes = " ".join(given.getlist("codes"))
    start = {
        "codes": codes,
        "size": given.get("size") or "medium",
        "single": given.get("single", ""),
        "language": given.get("language") or get_language(),
    }
    form = LabelForm(None, desk=desk, initial=start)
    site = urlsplit(settings.STILLKEEP_SITE_URL)
    context = {"form": form, "site": settings.STILLKEEP_SITE_URL, "is_https": site.scheme == "https"}
    return desk.render("inventory/labels.html", context, here="shelf")


@desk_page("stock.read")
def labels_file(desk: Desk) -> HttpResponse:
    """The labels as PDF, or the form again with what is to be mended."""
    form = LabelForm(desk.request.GET, desk=desk)
    if not form.is_valid():
        return desk.render("inventory/labels.html", {"form": form}, here="shelf", status=status_of(form))
    told = form.cleaned_data

    def address_of(container: Container) -> str:
        page = reverse("container", args=[desk.lab.slug, container.code])
        return f"{settings.STILLKEEP_SITE_URL}{page}"

    language = told["language"] or get_language() or settings.LANGUAGE_CODE
    texts = label_texts(
        lab=desk.lab, containers=form.found, address_of=address_of, today=desk.today, language=language
    )
    size = SIZES[told["size"]]
    try:
        body = labels_pdf(texts, size, single=bool(told["single"]), skip=told["skip"] or 0)
    except NoRoom as error:
        form.add_error("size", _no_room(error.codes))
        return desk.render("inventory/labels.html", {"form": form}, here="shelf", status=status_of(form))
    response = HttpResponse(body, content_type="application/pdf")
    response["Content-Disposition"] = f'inline; filename="{desk.lab.slug}-labels.pdf"'
    return response


def _no_room(codes: Sequence[str]) -> str:
    """Half a number to ring, or half a warning, is worse than no label."""
    return _(
        "Not all that must stand on it has room on a label of that size: %(codes)s. Choose a larger one, or "
        "shorten who looks after the lab in the settings of the lab."
    ) % {"codes": ", ".join(codes[:CODES_TOLD]) + (" …" if len(codes) > CODES_TOLD else "")}
