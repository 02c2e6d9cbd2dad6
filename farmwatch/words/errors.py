"""The error tree: whose fault it is, and what to do about it.

::

    FarmwatchError
    ├── ConfigError        the owner's configuration; `check` lists all of them; exit code 2
    ├── BadPayload         a device sent something that its mapping cannot read; dropped and counted
    ├── BadRecording       a line of a recording that cannot be read; says which
    ├── ProtocolError      a peer broke its protocol; the link is closed and opened again
    ├── PeerUnavailable    a peer cannot be reached; retried
    ├── StoreError         a database cannot be read or written; watching goes on without it
    └── Refused            a person's command that cannot be carried out; says why
"""


class FarmwatchError(Exception):
    """Base of all errors of ours; `hint` says what to do next."""

    def __init__(self, message: str, *, hint: str = "") -> None:
        super().__init__(message)
        self.hint = hint

    def __str__(self) -> str:
        message = super().__str__()
        return f"{message} ({self.hint})" if self.hint else message


class ConfigError(FarmwatchError):
    """The configuration cannot be used."""


class BadPayload(FarmwatchError):
    """A payload that its mapping cannot read."""


class BadRecording(FarmwatchError):
    """A line of a recording that cannot be read."""


class ProtocolError(FarmwatchError):
    """A peer broke its protocol."""


class PeerUnavailable(FarmwatchError):
    """A peer cannot be reached, or does not do what it is asked.

    `after_s` is how long it wants to be left alone, where it says so; `maybe` that it may have done it all the same.
    """

    def __init__(self, message: str, *, hint: str = "", after_s: float | None = None, maybe: bool = False) -> None:
        super().__init__(message, hint=hint)
        self.after_s = after_s
        self.maybe = maybe


class StoreError(FarmwatchError):
    """A database cannot be read or written."""


class Refused(FarmwatchError):
    """A person's command that cannot be carried out."""
