"""What a step's record says of its current: a value with its uncertainty, or only a bound."""

from benchlog.model.step import StepRecord


def only_bound(record: StepRecord) -> bool:
    """Whether a step's current is known only not to exceed something: it is smaller than its uncertainty."""
    return record.idle_a is not None and record.idle_u_a is not None and record.idle_a < record.idle_u_a


def upper_a(record: StepRecord) -> float:
    """The most that the current of a step may be, in A."""
    return (record.idle_a or 0.0) + (record.idle_u_a or 0.0)
