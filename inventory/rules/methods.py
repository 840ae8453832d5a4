"""How peroxides are tested for: ranges, steps, and what each method does not see, a source beside each.

No method sees every peroxide, so the limits are told with every answer to a test. No source that was seen
says how long a reading stays good: the policy's interval counts, and before distilling its age of test.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from decimal import Decimal
from types import MappingProxyType

from inventory.rules.errors import InputError
from inventory.rules.phrases import Phrase

NOT_STATED = "not-stated"
PEROXIDE_NUMBER = "peroxide-number"
TITRATION = "iodometric-titration"
KG_M3_PER_KG_L = 1000
# mg H2O2 for each mg of active oxygen: M(H2O2) / M(O) = 34.01468 / 15.999.
H2O2_PER_ACTIVE_OXYGEN = Decimal("2.126")


@dataclass(frozen=True)
class Limit:
    """One thing that a method cannot do or needs, in words for people. source: who says so."""

    words: str
    source: str


@dataclass(frozen=True)
class Method:
    """How a test is read, in mg/L as H2O2.

    first_step_mg_per_l: least amount the method shows; a negative result means only "below this".
        None: unknown, so a negative result says nothing.
    top_mg_per_l: end of the scale; from there on only "at least this much" is known. None: no end.
    colours: what a named colour means at least. limits: what it misses or needs.
    reagent: what its strips or solutions are called, "" where it needs none that is recorded.
    valid: how long a reading stays good, where a source says so.
    first_step_mg_per_kg, top_mg_per_kg: for results in mg/kg of active oxygen, which become mg/L through the
        density (`at_density`); of such a method the figures in mg/L are None until then.
    mg_per_l_per_unit: mg/L as H2O2 for one unit of a result as written. None: not known without a density.
    """

    key: str
    name: str
    source: str
    first_step_mg_per_l: Decimal | None = None
    top_mg_per_l: Decimal | None = None
    steps_mg_per_l: tuple[Decimal, ...] = ()
    colours: Mapping[str, Decimal] = field(default_factory=lambda: MappingProxyType({}))
    limits: tuple[Limit, ...] = ()
    reagent: str = ""
    valid: str = "No source seen says how long a reading stays good: the policy's interval counts."
    unit: str = "mg/L"
    first_step_mg_per_kg: Decimal | None = None
    top_mg_per_kg: Decimal | None = None
    mg_per_l_per_unit: Decimal | None = Decimal(1)

    @property
    def limit_words(self) -> tuple[str, ...]:
        """What every answer to a test by this method carries."""
        return tuple(limit.words for limit in self.limits)

    def at_density(self, density_20c_kg_m3: Decimal | None) -> Method:
        """The same method with its figures in mg/L for a liquid of that density in kg/m3 at 20 °C."""
        if self.mg_per_l_per_unit is not None or density_20c_kg_m3 is None:
            return self
        factor = H2O2_PER_ACTIVE_OXYGEN * density_20c_kg_m3 / KG_M3_PER_KG_L
        first, top = self.first_step_mg_per_kg, self.top_mg_per_kg
        return replace(
            self,
            mg_per_l_per_unit=factor,
            first_step_mg_per_l=None if first is None else first * factor,
            top_mg_per_l=None if top is None else top * factor,
        )


_RIT = "RIT test-strip procedure"
_AARHUS = "Aarhus iNANO guidance"
_IOWA = "Iowa State EHS, pec/9"
_METROHM = "Metrohm AN H-132"
_D3703 = "ASTM D3703, section 9"

_POLYMERIC = Limit("Misses polymeric peroxides: a good reading does not speak for a solid or a film.", _RIT)
_STRIP_LIMITS = (
    _POLYMERIC,
    Limit("Sees hydroperoxides and most others, dialkyl and cyclic peroxides only in part.", _IOWA),
    Limit("Reads between pH 2 and pH 12.", _RIT),
    Limit("Strips are kept below 30 °C.", _RIT),
    Limit("Hard to use on a solvent that does not evaporate from the strip.", _IOWA),
)
_DIALKYL = Limit("Does not see dialkyl peroxides.", _AARHUS)
_IODIDE_POLYMERIC = Limit(
    "Polymeric peroxides may be missed: taken over from strips, as no source seen says that they are found.",
    "our choice, not published",
)


def _strip(key: str, name: str, source: str, *steps: str, limits: tuple[Limit, ...]) -> Method:
    marks = tuple(Decimal(step) for step in steps)
    return Method(key, name, source, marks[1], marks[-1], marks, limits=limits, reagent=Phrase("strip lot"))


_IODIDE_COLOURS = {"faint": "100", "yellow": "100", "strong": "1000", "brown": "1000"}
COLOUR_WORDS = frozenset(_IODIDE_COLOURS)

_ALL = (
    _strip(
        "strip-25",
        Phrase("test strip to 25 mg/L"),
        "range: RIT test-strip procedure; steps from memory",
        *("0", "0.5", "2", "5", "10", "25"),
        limits=(
            *_STRIP_LIMITS,
            Limit("Above 5 mg/L the sample is diluted and read again for a better figure.", _RIT),
        ),
    ),
    _strip(
        "strip-100",
        Phrase("test strip to 100 mg/L"),
        "range: Aarhus iNANO guidance; steps from memory",
        *("0", "1", "3", "10", "30", "100"),
        limits=_STRIP_LIMITS,
    ),
    Method(
        "iodide-visual",
        Phrase("acidified iodide, colour by eye"),
        "yellow then brown: Aarhus iNANO; faint at 0.01 %, strong at 0.1 %: from memory",
        first_step_mg_per_l=Decimal(100),
        colours=MappingProxyType({word: Decimal(least) for word, least in _IODIDE_COLOURS.items()}),
        limits=(
            _DIALKYL,
            _IODIDE_POLYMERIC,
            Limit(
                "No colour proves only less than 100 mg/L: too coarse for a level of 25 mg/L.", "from memory"
            ),
            Limit("Old iodide solution is yellow by itself: use it fresh.", "common practice, no source"),
        ),
        reagent=Phrase("iodide solution"),
    ),
    Method(
        TITRATION,
        Phrase("iodometric titration"),
        # c = V * c(thio) * 17.007 * 1000 / V(sample): a 0.05 mL drop of 0.1 N on 10 mL is 8.5 mg/L.
        "17.007 g per equivalent: Metrohm AN H-132; least amount: one drop, from memory, rounded up",
        first_step_mg_per_l=Decimal(10),
        limits=(
            _DIALKYL,
            _IODIDE_POLYMERIC,
            Limit("Slow without molybdate: wait, or the end point comes too early and reads low.", _METROHM),
            Limit("Needs a blank.", _METROHM),
        ),
        reagent=Phrase("thiosulfate solution"),
    ),
    Method(
        PEROXIDE_NUMBER,
        Phrase("peroxide number"),
        "mg/kg of active oxygen: ASTM D3703; scope to 50 mg/kg: from memory; least amount: one 0.05 mL drop "
        "of 0.005 N on 4 g; mg/L as H2O2 by 2.126 and the density at 20 °C",
        limits=(
            _DIALKYL,
            _IODIDE_POLYMERIC,
            Limit("The number is mg/kg of active oxygen, not H2O2: a bare figure is read so.", _D3703),
            Limit("Needs a blank.", _D3703),
        ),
        reagent=Phrase("thiosulfate solution"),
        unit="mg/kg",
        first_step_mg_per_kg=Decimal("0.5"),
        top_mg_per_kg=Decimal(50),
        mg_per_l_per_unit=None,
    ),
    Method(
        NOT_STATED,
        Phrase("method not stated"),
        "nothing is known of its range",
        limits=(
            Limit(
                "Nothing is known of what it sees: a negative result proves nothing.",
                "our choice, not published",
            ),
        ),
    ),
)
METHODS: Mapping[str, Method] = MappingProxyType({method.key: method for method in _ALL})


def method_named(key: str, *, field: str) -> Method:
    """The method with this key, or InputError that lists the keys."""
    if key not in METHODS:
        raise InputError(
            field,
            "method-unknown",
            Phrase('"{key}" is not a test method.', key=key),
            Phrase("Use one of: {known}.", known=", ".join(METHODS)),
        )
    return METHODS[key]
