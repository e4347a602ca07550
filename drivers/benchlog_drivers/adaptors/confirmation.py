"""Whether a change of unit or range is believed."""

from benchlog.model.quantity import Quantity
from benchlog_drivers.codecs.decoded import Decoded


class Confirmation:
    """Without a checksum, a change of unit or range counts only when the next frame says the same."""

    def __init__(self, checked: bool) -> None:
        """``checked``: frames carry a checksum, so that each is believed."""
        self._checked = checked
        self._confirmed: tuple[Quantity, float | None] | None = None
        self._proposed: tuple[Quantity, float | None] | None = None

    def restart(self) -> None:
        """The next frame is believed."""
        self._confirmed = self._proposed = None

    def accepts(self, frame: Decoded) -> bool:
        """Whether to take a frame; a range change is a gap, not a step."""
        told = (frame.quantity, frame.range)
        if self._checked or self._confirmed in (None, told) or self._proposed == told:
            self._confirmed, self._proposed = told, None
            return True
        if frame.range is None:  # overloaded or blank: the range does not show
            return self._confirmed is not None and frame.quantity is self._confirmed[0]
        self._proposed = told
        return False
