"""The archive of length records. Its libraries are an extra: nothing here is imported before :func:`check_installed`."""

from wlmeasure.errors import ArchiveError

__all__ = ["LIBRARIES", "check_installed"]

LIBRARIES = ("alembic", "pg8000", "platformdirs", "sqlalchemy")


def check_installed() -> None:
    """Raise :class:`~wlmeasure.errors.ArchiveError`, with what to do, where one of the archive's libraries is missing."""
    from importlib.util import find_spec  # not on the path of a program that keeps no archive

    if any(find_spec(name) is None for name in LIBRARIES):
        raise ArchiveError('archive must be installed first: it is an extra; run pip install "wlmeasure[archive]"')
