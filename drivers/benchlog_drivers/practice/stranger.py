"""The stranger: a practice meter whose dialect no shipped profile knows, to write a profile for."""

from benchlog.bench.profile import Family, Link, Measure, Profile, TextPattern
from benchlog.model.quantity import Quantity

NAME = "stranger"

STRANGER = Profile(
    name=NAME,
    family=Family.SERIAL_TEXT,
    origin="invented for practice",
    description="a meter that nobody has a profile for",
    link=Link(terminator="\r\n"),
    measure=Measure(period_s=0.1, aperture_s=0.1),
    text=TextPattern(pattern="(?P<value>.*)", quantities={"V": Quantity.DC_VOLTAGE}),
)
"""Only its pace and its line's end are used; what it says is in `benchlog_drivers.practice.encode`."""
