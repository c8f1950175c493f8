"""The errors that a user can meet, each one clear sentence.

Every error descends from `GridtoolsError`, so that one place can turn it into an exit status,
and from the builtin that fits, so that library users can catch what they expect.
"""

_LONGEST = 40


def quote(value: object) -> str:
    """Value in quotes for a message, cut to 40 characters: what is wrong may be a whole file.

    Examples
    --------
    >>> quote("1-999"), len(quote("9" * 1000))
    ("'1-999'", 42)
    """
    text = value if isinstance(value, str) else repr(value)
    short = text if len(text) <= _LONGEST else f"{text[: _LONGEST - 1]}…"
    return repr(short) if isinstance(value, str) else short


class GridtoolsError(Exception):
    """Root of all errors raised on purpose by gridtools; its text is meant for the user."""


class InputError(GridtoolsError, ValueError):
    """An input cannot be used: the message names the file, layer and row, and what to do."""


class FileError(GridtoolsError, OSError):
    """A file cannot be read or written."""


class MissingError(GridtoolsError, LookupError):
    """The job lacks something that a command needs, such as lanes or a sweep width."""


class RefusedError(GridtoolsError, RuntimeError):
    """The job is in a state in which the command would do harm."""


class JobBusyError(GridtoolsError, TimeoutError):
    """Another program is writing to the job, or changed it meanwhile: try again."""
