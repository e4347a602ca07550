"""The error tree; the type tells what kind of fault it is and how a command ends.

    BenchlogError
    ├── EnvironmentFault            exit 1   something outside the program: shown to the user
    │   ├── InstrumentFault                  an instrument or its link
    │   │   ├── InstrumentTimeout            no answer in time
    │   │   ├── LinkLost                     the port or the connection is gone
    │   │   ├── ProtocolFault                an answer that can't be what was asked for
    │   │   ├── WrongInstrument              another instrument answers than before
    │   │   └── PortRefused                  busy, no permission, no such port
    │   ├── SessionFault                     a session file that can't be opened, read or written
    │   │   ├── SessionDamaged               not a session, truncated, or its chain broken
    │   │   └── SessionHeld                  another program is writing it
    │   └── DisplayFault                     the window can't be shown here
    ├── UsageError                  exit 2   a word, file or option that can't be meant
    ├── PlanRefused                 exit 5   the plan or the bench would harm
    └── VerificationFailed          exit 6   the data do not match their chain

Anything else that reaches the top is a bug: exit 70 with a crash log.
Each message says what happened, where, and what to do next.
"""

from enum import IntEnum


class Exit(IntEnum):
    """Exit codes of every command."""

    DONE = 0
    ENVIRONMENT = 1
    USAGE = 2
    CUT_OFF = 3
    UNDECIDED = 4
    REFUSED = 5
    VERIFICATION = 6
    BUG = 70


class BenchlogError(Exception):
    """A fault that is known and is told to the user in one sentence."""

    exit_code = Exit.ENVIRONMENT


class EnvironmentFault(BenchlogError):
    """Something outside the program: a port gone, a disk full."""


class InstrumentFault(EnvironmentFault):
    """An instrument or its link."""


class InstrumentTimeout(InstrumentFault):
    """No answer within the time computed for it."""


class LinkLost(InstrumentFault):
    """The port or the connection is gone."""


class ProtocolFault(InstrumentFault):
    """An answer that can't be what was asked for."""


class WrongInstrument(InstrumentFault):
    """Another instrument answers than the one that was there."""


class PortRefused(InstrumentFault):
    """The port is busy, missing, or not permitted."""


class SessionFault(EnvironmentFault):
    """A session file that can't be opened, read or written."""


class SessionDamaged(SessionFault):
    """Not a session file, truncated, or changed after it was written."""


class SessionHeld(SessionFault):
    """Another program is writing the session."""


class DisplayFault(EnvironmentFault):
    """The window can't be shown on this machine."""


class UsageError(BenchlogError):
    """A word, file or option that can't be meant."""

    exit_code = Exit.USAGE


class PlanRefused(BenchlogError):
    """The plan or the bench would harm; nothing was switched on."""

    exit_code = Exit.REFUSED


class VerificationFailed(BenchlogError):
    """The data do not match their chain."""

    exit_code = Exit.VERIFICATION
