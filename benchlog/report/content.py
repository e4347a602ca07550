"""What the document says, as data for its template."""

from enum import StrEnum

import msgspec

from benchlog.report.charts import Panel, draw


class Layout(StrEnum):
    """For whom the pages are laid out; the data are the same."""

    FILE = "file"
    """All tables; one page where everything fits."""
    CUSTOMER = "customer"
    """Two pages, in plain words; more only where what may not be left out fills them."""
    COMPARISON = "comparison"
    """Sessions beside each other."""


class Paper(StrEnum):
    """Sizes of paper, as ISO 216 and ANSI name them."""

    A4 = "a4"
    LETTER = "letter"


class Chart(msgspec.Struct, frozen=True):
    """A chart with the text that stands for it where it can't be seen."""

    file: str
    panel: Panel | None
    """None where only the words are passed on."""
    text: str
    half: bool = False
    """Stands beside another half-width chart."""

    def svg(self, share: float = 1.0) -> str:
        """The drawing, at that share of its height; letters stay as large as they are."""
        if self.panel is None:
            return ""
        return draw(msgspec.structs.replace(self.panel, height=self.panel.height * share))


CHART_SHARES = (1.0, 0.85, 0.75, 0.64)
"""Height of the charts by the size of the type."""


class Table(msgspec.Struct, frozen=True):
    """A table: column heads, rows of text, which columns are numbers, and relative widths (0: as needed)."""

    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numeric: tuple[int, ...] = ()
    widths: tuple[int, ...] = ()
    note: str = ""
    from_end: bool = False
    """Where there is no room for all rows the last ones stay, not the first."""
    keep: bool = False
    """Never shortened."""
    what: str = "rows"
    """What its rows are, where it is told how many were left out."""


class Workshop(msgspec.Struct, frozen=True):
    """Who made the document."""

    name: str = ""
    address: str = ""
    technician: str = ""
    """Who worked, and what they are trained and permitted for."""


class Picture(msgspec.Struct, frozen=True):
    """A photograph with its caption; no file where it can't be shown."""

    file: str
    caption: str
    data: bytes = b""
    upright: bool = False
    """Higher than it is wide."""


class Keep(StrEnum):
    """What may be done to lines of text where there is no room for all."""

    NOTES = "notes"
    """They go first."""
    SOME = "some"
    """Some may go, and long ones may be cut."""
    WHOLE = "whole"
    """Never left out."""


class Section(msgspec.Struct, frozen=True):
    """A heading with lines below it."""

    title: str
    lines: tuple[str, ...]
    keep: Keep = Keep.SOME
    what: str = "lines"
    """What its lines are, where it is told how many were left out."""
    bare: tuple[str, ...] = ()
    """The same lines without the notes in them; empty where they have none."""


class Content(msgspec.Struct, frozen=True):
    """All of the document."""

    title: str
    number: str
    workshop: Workshop
    simulated: bool
    alarm: bool
    header: tuple[tuple[str, str], ...]
    outcome: str
    """One or two sentences: how the job ended, and what was seen."""
    claims: tuple[str, ...]
    not_tested: tuple[str, ...]
    sections: tuple[Section, ...]
    charts: tuple[Chart, ...]
    charts_title: str
    tables: tuple[Table, ...]
    decision_rule: str
    remarks: tuple[str, ...]
    cautions: tuple[str, ...]
    head: str
    head_short: str
    attachment: str
    """Name of the session inside; empty where none is."""
    pictures: tuple[Picture, ...] = ()
    size: int = 0
    """Of type and charts: 0 as usual, up to 3 for small, where that saves a page or leaving something out."""
    recording: tuple[str, ...] = ()
    """Trouble of the computer and its programs during the work."""
    decision_title: str = "Uncertainty and decision rule"
    left_out: tuple[str, ...] = ()
    """What there was no room for, and is in the file copy."""
    layout: Layout = Layout.FILE
    paper: Paper = Paper.A4
    stamp: tuple[str, ...] = ()
    """What the document's metadata say of how it was laid out, so that it can be laid out again."""
    when: tuple[int, int, int, int, int, int] = (2000, 1, 1, 0, 0, 0)
    """Year to second of the last entry: the date of the document's metadata, so that the same session
    always gives the same document."""
