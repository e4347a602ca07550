"""Which bench is read: one of those used before, another file, or a simulated one."""

from pathlib import Path

from PySide6.QtWidgets import QComboBox, QFileDialog, QHBoxLayout, QMenu, QPushButton, QWidget

from benchlog_ui.board import Board
from benchlog_ui.look import Look
from benchlog_ui.requests import Requests

NONE = "no instruments"
OTHER = "another bench file…"
REHEARSALS: tuple[tuple[str, dict[str, str]], ...] = (
    ("a unit without a fault", {}),
    ("hand-set source, handheld meters", {"meters": "handheld", "source": "hand-set"}),
    ("a short across the rails", {"fault": "rail-short"}),
    ("one output device shorted", {"fault": "shorted-device"}),
    ("the bias runs away", {"fault": "bias-runaway"}),
    ("a rectifier diode shorted", {"fault": "shorted-rectifier"}),
    ("the mains fuse open", {"fault": "open-mains-fuse"}),
    ("as fast as real, with a digitiser", {"meters": "digitiser", "time_scale": "1"}),
)
"""What can be rehearsed: words of the menu, options of the simulated bench."""


class BenchChoice(QWidget):
    """A list of bench files and the menu of rehearsals."""

    def __init__(self, look: Look, requests: Requests) -> None:
        """Nothing to choose before the recorder said what there is."""
        super().__init__()
        self._requests = requests
        self._known: tuple[str, tuple[str, ...]] | None = None
        self.box = QComboBox()
        self.box.setAccessibleName("Bench file that is read")
        self.box.activated.connect(self._chosen)
        self.menu = QMenu(self)
        for words, options in REHEARSALS:
            self.menu.addAction(words).triggered.connect(lambda _=False, o=options: requests.rehearse(o))
        self.rehearse = QPushButton("rehearse on a simulated bench")
        self.rehearse.setMenu(self.menu)
        row = QHBoxLayout(self)
        row.setContentsMargins(0, 0, 0, 0)
        row.addWidget(self.box, 1)
        row.addWidget(self.rehearse)
        self.restyle(look)

    def restyle(self, look: Look) -> None:
        """Take colours and sizes."""
        for part in (self.box, self.rehearse, self.menu):
            part.setFont(look.font(20))
        for part in (self.box, self.rehearse):
            part.setMinimumHeight(look.px(42))

    def refresh(self, board: Board) -> None:
        """Show the bench in use and those there are."""
        hello = board.hello
        if hello is None or (hello.bench_path, hello.benches) == self._known:
            return
        self._known = hello.bench_path, hello.benches
        files = dict.fromkeys([*([hello.bench_path] if hello.bench_path else []), *hello.benches])
        self.box.clear()
        self.box.addItem(NONE, "")
        for path in files:
            self.box.addItem(f"{Path(path).stem}   {Path(path).parent}", path)
        self.box.addItem(OTHER, None)
        self.box.setCurrentIndex(max(self.box.findData(hello.bench_path), 0))
        for part in (self.box, self.rehearse):
            part.setEnabled(hello.takes_requests)

    def _chosen(self, index: int) -> None:
        path = self.box.itemData(index)
        if path is not None:
            self._requests.use_bench(str(path))
            return
        self._known = None
        dialog = file_dialog(self, "Bench file", "Bench files (*.toml);;All files (*)")
        dialog.fileSelected.connect(self._requests.use_bench)
        dialog.open()


def file_dialog(parent: QWidget, title: str, kinds: str) -> QFileDialog:
    """The program's own file dialog: the platform's would swallow the cut-off key. Not yet open."""
    dialog = QFileDialog(parent, title, "", kinds)
    dialog.setOption(QFileDialog.Option.DontUseNativeDialog)
    dialog.setFileMode(QFileDialog.FileMode.ExistingFile)
    return dialog
