"""All tables of the inventory; import models from here."""

from inventory.models.labs import ApiToken, EntryLink, Lab, Membership, User
from inventory.models.outbox import Delivery, Feed, MailChoice, Webhook
from inventory.models.places import (
    BOUNDARIES,
    HOLDING,
    LOSSES,
    LOST_TO,
    Location,
    LocationPath,
    Place,
    PlaceKind,
    StorageLimit,
    WasteContainer,
)
from inventory.models.records import Alert, Answer, Event, ImportedRow, Job
from inventory.models.safety import Observation, PeroxideTest, Reagent, Treatment
from inventory.models.sheets import ImportSheet
from inventory.models.sign_in import Passkey, RecoveryCode, SecondFactor, SignedIn
from inventory.models.solvents import Policy, Solvent, SolventName, StockLevel
from inventory.models.stock import Container, Flow, Lot, LotParent, Movement

__all__ = [
    "BOUNDARIES",
    "HOLDING",
    "LOSSES",
    "LOST_TO",
    "Alert",
    "Answer",
    "ApiToken",
    "Container",
    "Delivery",
    "EntryLink",
    "Event",
    "Feed",
    "Flow",
    "ImportSheet",
    "ImportedRow",
    "Job",
    "Lab",
    "Location",
    "LocationPath",
    "Lot",
    "LotParent",
    "MailChoice",
    "Membership",
    "Movement",
    "Observation",
    "Passkey",
    "PeroxideTest",
    "Place",
    "PlaceKind",
    "Policy",
    "Reagent",
    "RecoveryCode",
    "SecondFactor",
    "SignedIn",
    "Solvent",
    "SolventName",
    "StockLevel",
    "StorageLimit",
    "Treatment",
    "User",
    "WasteContainer",
    "Webhook",
]
