"""Whole files, read and written at once; each failure one sentence with the file's name."""

from collections.abc import Mapping
from pathlib import Path

from gridtools.errors import FileError, RefusedError

#: A day of fixes at 10 Hz takes 0.1 GB as GPX: more is no log.
LARGEST_GB = 1.0


def read_file(path: str | Path) -> bytes:
    """Bytes of a file.

    Raises
    ------
    FileError
        If it is missing, cannot be read or is larger than 1 GB.
    """
    try:
        if Path(path).stat().st_size > LARGEST_GB * 1e9:
            raise FileError(f"{path} is larger than {LARGEST_GB:g} GB: give it in parts")
        return Path(path).read_bytes()
    except FileError:
        raise
    except OSError as error:
        raise FileError(f"{path} cannot be read: {error.strerror}") from error


def write_files(folder: str | Path, contents: Mapping[str, bytes]) -> list[str]:
    """Write files, by name, into a folder that is made where it is missing.

    Returns
    -------
    list of str
        Paths of the files written.

    Raises
    ------
    FileError
        If the folder cannot be made or a file not be written.
    """
    place = Path(folder)
    try:
        place.mkdir(parents=True, exist_ok=True)
        for name, data in contents.items():
            (place / name).write_bytes(data)
    except OSError as error:
        raise FileError(f"{error.filename or place} cannot be written: {error.strerror}") from error
    return [str(place / name) for name in contents]


def make_folder(path: str | Path) -> Path:
    """Folder that is new, or there and empty.

    Raises
    ------
    RefusedError
        If there is something in it.
    FileError
        If it cannot be made.
    """
    place = Path(path)
    try:
        place.mkdir(parents=True, exist_ok=True)
        if any(place.iterdir()):
            raise RefusedError(f"{path} is not empty: name a new folder")
    except OSError as error:
        raise FileError(f"{path} cannot be made: {error.strerror}") from error
    return place
