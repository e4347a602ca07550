"""The first look as a form: what is seen and smelt, fuse, selector; stored as one entry."""

from collections.abc import Callable

from PySide6.QtWidgets import QLabel, QVBoxLayout, QWidget

from benchlog.cold.look import judge_look
from benchlog.model.errors import UsageError
from benchlog.model.job import Job
from benchlog.model.step import PointVerdict
from benchlog.model.work import FirstLook
from benchlog_ui.look import Look
from benchlog_ui.panels.forms import Form, button, line, text_of
from benchlog_ui.panels.verdicts import POINT_VERDICT


class LookForm(QWidget):
    """Fields of a first look; Enter in any of them judges fuse and selector, the button stores it."""

    def __init__(self, look: Look, store: Callable[[FirstLook], None]) -> None:
        """``store`` is given the judged look."""
        super().__init__()
        self._store = store
        self.seen, self.smelt = line("dirt, liquid, burns, loose parts"), line("burnt resin, ozone …")
        self.cord, self.swelling = (
            line("cord, plug, strain relief"),
            line("positions of swollen or burnt parts"),
        )
        self.fitted = line("as read off it; 'bridged' where there is none")
        self.marked, self.selector = line("beside the holder"), line("V; empty where there is none")
        self.mains, self.earlier = line("V"), line("signs of earlier repairs")
        self.enter = button("Ctrl+Return  store the first look")
        self.said = QLabel()
        self.said.setWordWrap(True)
        self.form = Form(
            look,
            (
                (("seen", self.seen, 1), ("smelt", self.smelt, 1)),
                (("cord and plug", self.cord, 1), ("swollen, leaking, burnt", self.swelling, 1)),
                (("fuse fitted", self.fitted, 1), ("fuse marked", self.marked, 1)),
                (
                    ("voltage selector at", self.selector, 1), ("mains here", self.mains, 1),
                    ("earlier repairs", self.earlier, 2),
                ),
                (("", self.enter, 1),),
            ),
        )  # fmt: skip
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.addWidget(self.form)
        column.addWidget(self.said)
        column.addStretch(1)
        for field in (self.fitted, self.marked, self.selector, self.mains):
            field.editingFinished.connect(self.judge)
        self.enter.clicked.connect(self.store)
        self.restyle(look)

    def restyle(self, look: Look) -> None:
        """Take colours and sizes."""
        self.form.restyle(look)
        self.said.setFont(look.font(22, bold=True))

    def show_job(self, job: Job) -> None:
        """What the job says of fuse and mains."""
        unit = job.unit
        if unit is None:
            return
        if not self.marked.text() and unit.fuse is not None:
            self.marked.setText(unit.fuse.marking)
        if not self.mains.text():
            self.mains.setText(f"{unit.mains_v:g}")

    def judge(self) -> FirstLook | None:
        """What is said of fuse and selector; None where a field can't be meant."""
        try:
            look = judge_look(self._look())
        except (UsageError, ValueError) as error:
            self.said.setText(str(error))
            return None
        self.said.setText("\n".join(said_of(look)))
        return look

    def store(self) -> None:
        """Store it as it stands."""
        look = self.judge()
        if look is None:
            return
        if look == judge_look(FirstLook(fuse_marked=look.fuse_marked, mains_v=look.mains_v)):
            self.said.setText("Nothing is filled in yet.")
            return
        self._store(look)

    def _look(self) -> FirstLook:
        return FirstLook(
            seen=text_of(self.seen),
            smelt=text_of(self.smelt),
            cord=text_of(self.cord),
            fuse_fitted=text_of(self.fitted),
            fuse_marked=text_of(self.marked),
            selector_v=_volts(text_of(self.selector)),
            mains_v=_volts(text_of(self.mains)),
            swelling=text_of(self.swelling),
            earlier_repairs=text_of(self.earlier),
        )


def said_of(look: FirstLook) -> list[str]:
    """Verdicts on fuse and selector, in words."""
    lines = []
    for what, verdict, reason in (
        ("Fuse", look.fuse_verdict, look.fuse_reason),
        ("Voltage selector", look.selector_verdict, look.selector_reason),
    ):
        if verdict is not PointVerdict.NONE or reason:
            lines.append(f"{what}: {POINT_VERDICT[verdict][0]}" + (f": {reason}" if reason else ""))
    return lines


def _volts(text: str) -> float | None:
    if not text:
        return None
    try:
        return float(text.removesuffix("V").strip().replace(",", "."))
    except ValueError:
        raise ValueError(f"'{text}' is no voltage. Write it as 230.") from None
