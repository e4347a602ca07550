"""One job: a unit on the bench, whose it is, and what is complained of."""

from datetime import datetime
from enum import StrEnum

import msgspec

from benchlog.model.unit import Unit


class Ending(StrEnum):
    """How a job ends; each gives a document."""

    REPAIRED = "repaired"
    NO_FAULT_FOUND = "no-fault-found"
    DECLINED = "declined"
    BEYOND_REPAIR = "beyond-repair"
    RETURNED = "returned"


class Customer(msgspec.Struct, frozen=True):
    """Who brought the unit. May be withheld from a copy for strangers."""

    name: str = ""
    contact: str = ""


class Workshop(msgspec.Struct, frozen=True):
    """Whose work it is: the workshop's settings as they were at intake, for the document."""

    name: str = ""
    address: str = ""
    currency: str = ""
    technician: str = ""
    competence: str = ""


class Job(msgspec.Struct, frozen=True):
    """What is known when work begins; all of it may be filled in later."""

    number: str = ""
    customer: Customer = Customer()
    complaint: str = ""
    accessories: str = ""
    terms: str = ""
    spending_cap: str = ""
    consent_to_open: bool | None = None
    unit: Unit | None = None
    received: datetime | None = None
    simulated: bool = False
    invented: bool = False
    """True for demonstration data of an invented scenario."""
    workshop: Workshop = Workshop()
