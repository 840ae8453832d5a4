"""Spreadsheets come in: a dry run tells every row's outcome, a second call enters the good rows."""

from __future__ import annotations

import json
from abc import abstractmethod
from hashlib import sha256
from typing import Any, cast

from django.http import HttpResponse, QueryDict
from django.utils.functional import cached_property
from rest_framework import serializers

from inventory.api.base import Contract, LabView
from inventory.api.fields import Body, DayField, FlagField, NoteField, TextField
from inventory.api.idempotency import Done
from inventory.api.parsing import FILE_BODY_BYTES, FormParser, StrictJSONParser, loads, refuse_unkeepable
from inventory.api.quantities import volume_out
from inventory.api.replies import dumps, reply
from inventory.api.shapes import Free, Shape, text
from inventory.rules.peroxide import METHODS
from inventory.rules.sheets.dates import DateOrder
from inventory.rules.sheets.reading import BYTES_MAX
from inventory.services.import_report import ImportReport
from inventory.services.importing import import_stock

FLAGS = {"true": True, "false": False}
FLAG_NAMES = {"dry_run", "all_or_none"}


class Import(Body):
    """A sheet. `dry_run` (true unless said otherwise) only tells what would be done.

    As multipart/form-data, `content` is the file itself and `mapping` is JSON text.
    """

    content = TextField(max_length=BYTES_MAX, trim_whitespace=False)
    filename = NoteField(max_length=200)
    mapping = serializers.JSONField(required=False, allow_null=True)
    dry_run = FlagField(required=False)
    all_or_none = FlagField(required=False)
    date_order = serializers.ChoiceField([str(order) for order in DateOrder], required=False)


class StockImport(Import):
    counted_on = DayField(required=False, help_text="Day at whose start the amounts were true.")
    test_method = serializers.ChoiceField(list(METHODS), required=False)


class NoteShape(Shape):
    column = text()
    level = serializers.ChoiceField(["error", "warning", "info"])
    code = text()
    reason = text()
    remedy = text()


class ImportedRowShape(Shape):
    line = serializers.IntegerField()
    status = serializers.ChoiceField(["new", "known", "bad", "unread"])
    title = text()
    notes = NoteShape(many=True)


class ImportShape(Shape):
    target = serializers.ChoiceField(["stock", "runs"])
    filename = text()
    file_sha256 = text()
    encoding = text()
    delimiter = text()
    mapping = Free(help_text="How the columns were read; edit it and send it back.")
    unmapped = serializers.ListField(child=serializers.CharField(allow_blank=True))
    questions = serializers.ListField(child=Free())
    blocked = serializers.BooleanField()
    all_or_none = serializers.BooleanField()
    written = serializers.BooleanField()
    counts = Free()
    notes = NoteShape(many=True)
    rows = ImportedRowShape(many=True)
    totals = serializers.ListField(child=Free())


def report_out(report: ImportReport) -> dict[str, Any]:
    """The report with its volumes as quantities."""
    found = report.as_dict()
    found["totals"] = [
        {name.removesuffix("_ul"): _total(name, value) for name, value in total.items()}
        for total in found["totals"]
    ]
    return found


def _total(name: str, value: Any) -> Any:
    return volume_out(value) if name.endswith("_ul") else value


class ImportView(LabView):
    """What both kinds of sheet share."""

    parser_classes = [StrictJSONParser, FormParser]
    body_limit_bytes = FILE_BODY_BYTES
    _file: bytes | None = None

    @cached_property
    def received(self) -> Any:
        if not self.request.content_type.startswith("multipart/"):
            return self.request.data
        return self._form(cast(QueryDict, self.request.data))

    def _form(self, form: QueryDict) -> dict[str, Any]:
        """What the JSON body would have been, of a form with a file."""
        texts = {name: str(form[name]) for name in form if name not in self.request.FILES}
        refuse_unkeepable(texts)
        found: dict[str, Any] = texts | {name: FLAGS.get(texts[name]) for name in FLAG_NAMES & set(texts)}
        upload = self.request.FILES.get("content")
        if upload is not None:
            self._file = upload.read()
            found["content"] = sha256(self._file).hexdigest()
            found.setdefault("filename", (upload.name or "")[:200])
        if isinstance(found.get("mapping"), str):
            found["mapping"] = loads(found["mapping"].encode())
        return found

    def raw(self) -> bytes:
        return super().raw() or json.dumps(self.received, sort_keys=True, default=str).encode()

    def post(self, request: Any, lab: str) -> HttpResponse:
        data = self.sent()
        dry = data.pop("dry_run", True)
        content = data.pop("content")
        options = {**data, "data": content.encode() if self._file is None else self._file}
        if dry:
            return reply(dumps(report_out(self.read(write=False, **options))))
        return self.once(lambda: Done(report_out(self.read(write=True, **options))))

    @abstractmethod
    def read(self, **options: Any) -> ImportReport:
        """Hand the sheet to the service of its kind."""


def import_contract(summary: str, body: type[Body]) -> Contract:
    words = "201 when the good rows are in; 200 after a dry run. The same rows again change nothing."
    return Contract("import.write", ImportShape, summary, body=body, status=201, also=200, words=words)


class StockImports(ImportView):
    """A stock list."""

    contracts = {"POST": import_contract("Import a stock list", StockImport)}

    def read(self, **options: Any) -> ImportReport:
        return import_stock(**self.by, **options)
