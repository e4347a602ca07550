"""Reasons that a technician gives for going on, and the least that they have to say."""

from benchlog.model.errors import UsageError

_LETTERS, _DIFFERENT = 5, 4
"""Fewest letters or digits of a reason, and how many of them have to differ; ours."""


def reason_of(text: str, what: str = "The reason") -> str:
    """The reason without blanks round it; empty where none was given. `UsageError` where it says nothing.

    ``what`` names it in the message, e.g. ``--checked``.
    """
    reason = text.strip()
    said = [c for c in reason.casefold() if c.isalnum()]
    if reason and (len(said) < _LETTERS or len(set(said)) < _DIFFERENT):
        raise UsageError(
            f"{what} '{reason}' says nothing that can be read later. Say in a few words what was seen or "
            "measured, e.g. 'bleeder read 0.02 V across C5'."
        )
    return reason
