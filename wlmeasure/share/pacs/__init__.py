"""The practice's image archive over DICOMweb. Its libraries are an extra, imported only after :func:`check_installed`."""

from wlmeasure.errors import PacsError

__all__ = ["LIBRARIES", "check_installed"]

LIBRARIES = ("dicomweb_client", "keyring", "platformdirs", "requests")


def check_installed() -> None:
    """Raise :class:`~wlmeasure.errors.PacsError`, with what to do, where one of the libraries is missing."""
    from importlib.util import find_spec  # not on the path of a program that asks no archive

    if any(find_spec(name) is None for name in LIBRARIES):
        raise PacsError('image archive needs an extra that is not installed: run pip install "wlmeasure[pacs]"')
