"""The fields a sheet can fill, and the words people head them with (English and German, folded)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Target = Literal["stock", "runs"]
Kind = Literal["text", "volume", "date", "reading"]


@dataclass(frozen=True, slots=True)
class Field:
    """One field. required: no row can be read without it. words: header phrases, folded, longest wins."""

    key: str
    kind: Kind
    required: bool
    words: tuple[str, ...]


def _field(key: str, kind: Kind, words: str, *, required: bool = False) -> Field:
    return Field(key, kind, required, tuple(w.strip() for w in words.split("|")))


_CODE = (
    "bottle no|bottle number|bottle nr|bottle id|bottle code|bottle|container|container no|container id"
    "|code|label no"
    "|label|no|nr|number|id|flasche|flaschennummer|flaschennr|flaschen nr|flasche nr|gebinde"
    "|gebindenr|gebinde nr"
    "|nummer|kennung"
)
_SOLVENT = (
    "what|solvent|solvent name|chemical|substance|name|content|contents|liquid|losungsmittel|losemittel"
    "|stoff|substanz"
    "|inhalt|chemikalie|bezeichnung"
)
_REMARKS = (
    "remarks|remark|notes|note|comment|comments|bemerkung|bemerkungen|notiz|notizen|anmerkung|anmerkungen"
)

STOCK_FIELDS: tuple[Field, ...] = (
    _field("code", "text", _CODE, required=True),
    _field("solvent", "text", _SOLVENT, required=True),
    _field(
        "origin", "text", "where from|origin|source|from|supply|bought or made|herkunft|woher|quelle|bezug"
    ),
    _field(
        "size",
        "volume",
        "size|bottle size|capacity|container size|pack size|nominal volume|grosse|flaschengrosse"
        "|gebindegrosse"
        "|fassungsvermogen|nennvolumen",
        required=True,
    ),
    _field(
        "left",
        "volume",
        "left|amount left|remaining|amount|quantity|level|contents left|volume|volume left|in it|stock"
        "|on hand|rest"
        "|menge|restmenge|bestand|fullstand|ubrig|noch drin|volumen",
        required=True,
    ),
    _field(
        "received_on",
        "date",
        "got it on|received|received on|date received|bought on|purchased on|purchase date|delivered"
        "|delivery date"
        "|arrived|got on|erhalten|erhalten am|eingang|eingangsdatum|gekauft am|geliefert am|lieferdatum"
        "|empfangen am",
    ),
    _field(
        "opened",
        "date",
        "opened|opened on|date opened|opening date|open since|first opened|geoffnet|geoffnet am|offen seit"
        "|angebrochen"
        "|angebrochen am|anbruch|anbruchdatum",
    ),
    _field(
        "inhibitor", "text", "inhibitor|inhibited|stabiliser|stabilizer|stabilised|stabilized|stabilisator"
    ),
    _field(
        "location",
        "text",
        "kept in|location|place|cabinet|cupboard|shelf|stored in|storage|where|room|ort|standort|lagerort"
        "|schrank|lager"
        "|aufbewahrung|platz|wo",
    ),
    _field(
        "peroxide",
        "reading",
        "peroxides|peroxide|peroxide test|peroxide level|peroxide result|peroxide value|test result"
        "|test value|peroxid"
        "|peroxidgehalt|peroxidtest|peroxidwert|testergebnis|messwert",
    ),
    _field(
        "tested_on",
        "date",
        "tested|tested on|date tested|test date|last test|last tested|peroxide test date|getestet"
        "|getestet am|testdatum"
        "|prufdatum|gepruft|gepruft am|letzter test",
    ),
    _field(
        "method",
        "text",
        "method|test method|strip|test strip|strip type|tested with|methode|testmethode|teststreifen",
    ),
    _field(
        "expires_on",
        "date",
        "expiry|expires|expiry date|expires on|use by|best before|ablaufdatum|haltbar bis|verfall",
    ),
    _field("remarks", "text", _REMARKS),
)

RUN_FIELDS: tuple[Field, ...] = (
    _field("on", "date", "date|day|when|run date|date of run|on|datum|tag|wann", required=True),
    _field(
        "operator",
        "text",
        "who|operator|person|name|student|member|user|by|done by|initials|wer|durchgefuhrt von|kurzel"
        "|benutzer|mitglied",
    ),
    _field(
        "purpose",
        "text",
        "what for|purpose|experiment|run|project|use|used for|task|wofur|zweck|versuch|projekt|verwendung"
        "|experiment name",
    ),
    _field(
        "solvent",
        "text",
        "solvent|solvent name|chemical|substance|liquid|what|losungsmittel|losemittel|stoff|substanz"
        "|chemikalie",
        required=True,
    ),
    _field(
        "code",
        "text",
        "from bottle|bottle|bottle no|bottle number|bottle id|bottle code|container|from container"
        "|taken from|code|source"
        "|aus flasche|flasche|flasche nr|flaschen nr|flaschennummer|gebinde",
        required=True,
    ),
    _field(
        "out",
        "volume",
        "out|taken|taken out|amount out|volume out|used|drawn|amount|volume|charged|entnommen|entnahme"
        "|raus|menge"
        "|verbraucht|volumen",
        required=True,
    ),
    _field(
        "back",
        "volume",
        "back|returned|recovered|amount back|volume back|got back|distilled back|zuruck|zuruckgewonnen"
        "|ruckgewonnen"
        "|ruckgabe|wiedergewonnen",
        required=True,
    ),
    _field(
        "back_into",
        "text",
        "back into|returned to|into|put back in|recovered into|back to|into bottle|zuruck in|in flasche"
        "|nach|ziel",
    ),
    _field("remarks", "text", _REMARKS),
)

FIELDS: dict[Target, tuple[Field, ...]] = {"stock": STOCK_FIELDS, "runs": RUN_FIELDS}
