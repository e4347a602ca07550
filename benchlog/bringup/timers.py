"""Named deadlines, so that silence is an event too."""


class Timers:
    """At most one deadline a name; all instants in microseconds of the session's axis."""

    def __init__(self) -> None:
        """Begin without deadlines."""
        self._at: dict[str, int] = {}

    def set(self, name: str, t_us: int, now_us: int) -> None:
        """Set or move a deadline; one that would lie in the past falls due now."""
        self._at[name] = t_us if t_us > now_us else now_us

    def drop(self, *names: str) -> None:
        """Forget deadlines, whether set or not."""
        for name in names:
            self._at.pop(name, None)

    def clear(self) -> None:
        """Forget all deadlines."""
        self._at.clear()

    def has(self, name: str) -> bool:
        """Whether a deadline of this name is set."""
        return name in self._at

    def next(self) -> int | None:
        """The earliest deadline; None where there is none."""
        return min(self._at.values(), default=None)

    def due(self, now_us: int) -> tuple[int, str] | None:
        """Take the earliest deadline that has come, equal ones by name; None where none has."""
        if not self._at or min(self._at.values()) > now_us:
            return None
        t_us, name = min((t, n) for n, t in self._at.items())
        del self._at[name]
        return t_us, name
