"""What the document says, as data for its template."""

import msgspec


class Chart(msgspec.Struct, frozen=True):
    """A chart with the text that stands for it where it can't be seen."""

    file: str
    svg: str
    text: str
    half: bool = False
    """Stands beside another half-width chart."""


class Table(msgspec.Struct, frozen=True):
    """A table: column heads, rows of text, which columns are numbers, and relative widths (0: as needed)."""

    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numeric: tuple[int, ...] = ()
    widths: tuple[int, ...] = ()
    note: str = ""


class Workshop(msgspec.Struct, frozen=True):
    """Who made the document."""

    name: str = ""


class Content(msgspec.Struct, frozen=True):
    """All of the document."""

    title: str
    number: str
    workshop: Workshop
    paper: str
    simulated: bool
    alarm: bool
    header: tuple[tuple[str, str], ...]
    outcome: str
    claims: tuple[str, ...]
    not_tested: tuple[str, ...]
    findings: tuple[str, ...]
    remarks: tuple[str, ...]
    charts: tuple[Chart, ...]
    tables: tuple[Table, ...]
    decision_rule: str
    cautions: tuple[str, ...]
    head: str
    head_short: str
    attachment: str
