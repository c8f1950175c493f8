"""The errors that a user can meet, each one clear sentence.

Every error descends from `GridtoolsError`, so that one place can turn it into an exit status,
and from the builtin that fits, so that library users can catch what they expect.
"""


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
