"""One class per kind of failure. Each message says what is wrong with which file, and what to do.

`CallError` ends a command with exit status 2 (the call was wrong), `CompareError` with 3 (the pictures can't be compared).
"""


class FeaturediffError(Exception):
    """Base of all failures that are told to the artist without a traceback."""

    exit_status = 3

    def __init__(self, what: str, remedy: str = ""):
        super().__init__(f"{what} {remedy}".strip())
        self.what = what
        self.remedy = remedy


class CallError(FeaturediffError):
    """The command or function was called wrongly: unknown subject, bad sheet size, bad option."""

    exit_status = 2


class ConfigError(CallError):
    """A setting is unknown or out of range; the message holds file, line and column."""


class MarksError(ConfigError):
    """A marks file is wrong; the message holds file, line and column."""


class DetectorError(CallError):
    """A detector could not be found, loaded or trusted; the message names it."""


class CompareError(FeaturediffError):
    """The pictures can't be compared."""


class PictureError(CompareError):
    """A picture file can't be read or is unusable."""


class SheetError(CompareError):
    """The sheet was not found in the photograph, or not well enough."""


class PieceError(CompareError):
    """The folder of a piece can't be read or written, or is none."""


class SubjectError(CompareError):
    """The detector does not find its subject on the reference."""


class RegistrationError(CompareError):
    """The drawing does not look like the reference, or cannot be found on the sheet."""
