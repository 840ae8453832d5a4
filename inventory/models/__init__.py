"""All tables of the inventory; import models from here."""

from inventory.models.labs import ApiToken, EntryLink, Lab, Membership, User
from inventory.models.places import BOUNDARIES, HOLDING, LOSSES, Location, Place, PlaceKind
from inventory.models.records import Alert, Answer, Event, ImportedRow, Job
from inventory.models.safety import Observation, PeroxideTest
from inventory.models.solvents import Policy, Solvent, SolventName
from inventory.models.stock import Container, Flow, Lot, LotParent, Movement

__all__ = [
    "BOUNDARIES",
    "HOLDING",
    "LOSSES",
    "Alert",
    "Answer",
    "ApiToken",
    "Container",
    "EntryLink",
    "Event",
    "Flow",
    "ImportedRow",
    "Job",
    "Lab",
    "Location",
    "Lot",
    "LotParent",
    "Membership",
    "Movement",
    "Observation",
    "PeroxideTest",
    "Place",
    "PlaceKind",
    "Policy",
    "Solvent",
    "SolventName",
    "User",
]
