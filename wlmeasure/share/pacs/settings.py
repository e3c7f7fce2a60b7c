"""Which image archive is asked and how, from a settings file; secrets come from the environment or the keyring alone.

::

    default = "practice"

    [servers.practice]
    url = "https://archive.example/dicom-web"
    user = "anna"
    ca_bundle = "practice-ca.pem"        # beside this file; else the authorities that the program brings along
    client_certificate = "anna.pem"      # with client_key, where the archive asks for one
    qido = "qido"                        # likewise wado and stow: parts of the path, where the archive has them apart
    connect_s = 10                       # silence_s, longest_s, retries, largest_mb likewise
"""

from __future__ import annotations

import ipaddress
import os
import re
import tomllib
from math import isfinite
from pathlib import Path
from typing import Any
from urllib.parse import SplitResult, urlsplit

from attrs import field, fields, frozen

from wlmeasure.errors import PacsError
from wlmeasure.image.file_content import first_bytes
from wlmeasure.image.radiograph import printable

__all__ = ["PASSWORD", "TOKEN", "VARIABLE", "Secret", "Server", "secret_of", "server_of", "settings_path"]

VARIABLE = "WLMEASURE_PACS"
PASSWORD = "WLMEASURE_PACS_PASSWORD"
TOKEN = "WLMEASURE_PACS_TOKEN"
LARGEST_SETTINGS = 2**20  # bytes (our parameter)
_SECRET = re.compile(r"pass(word|wd|phrase)?$|token|secret|bearer|api_?key", re.IGNORECASE)
_PREFIX = re.compile(r"[\w.~-]+(/[\w.~-]+)*", re.ASCII)
_HOST = re.compile(r"[A-Za-z0-9]([A-Za-z0-9.-]*[A-Za-z0-9])?")


@frozen
class Server:
    """One image archive.

    Attributes
    ----------
    url
        Of the DICOMweb service; ``https``, or ``http`` on this machine, or elsewhere where `insecure` says so knowingly.
    qido, wado, stow
        Parts of the path below `url`, where search, retrieval and storage have their own.
    user
        For a password; without one a token may be used, or nothing.
    token_in_keyring
        Whether the token lies in the keyring; nothing is looked for there otherwise.
    ca_bundle, client_certificate, client_key
        Files (PEM). The archive's certificate is always verified; a certificate of the practice's own making is made known
        by `ca_bundle`.
    connect_s, silence_s, longest_s
        Longest time to connect, without a byte, and for one exchange in all (our parameters).
    retries
        How often what may be tried again is tried again (our parameter).
    largest_mb
        Largest answer that is read (our parameter: a periapical film has 1 to 30 MB).
    """

    url: str
    name: str = ""
    qido: str | None = None
    wado: str | None = None
    stow: str | None = None
    user: str | None = None
    ca_bundle: Path | None = None
    client_certificate: Path | None = None
    client_key: Path | None = None
    token_in_keyring: bool = False
    insecure: bool = False
    connect_s: float = field(default=10.0)
    silence_s: float = field(default=30.0)
    longest_s: float = field(default=300.0)
    retries: int = field(default=3)
    largest_mb: float = field(default=256.0)

    @property
    def host(self) -> str:
        """Name or address of the machine, with its port; what messages say."""
        return urlsplit(self.url).netloc

    @property
    def warning(self) -> str | None:
        """What every use must say, or None."""
        if not self.insecure:
            return None
        return f"{self.host} is asked without encryption: pictures, names and passwords can be read on the way"

    @property
    def keyring_service(self) -> str:
        """The name that the secret has in the keyring; its user is `user`, or ``token``."""
        return f"wlmeasure {self.url}"


@frozen
class Secret:
    """A user with a password, or a bearer token; never shown."""

    user: str | None = None
    password: str | None = field(default=None, repr=False)
    token: str | None = field(default=None, repr=False)


def settings_path() -> Path:
    """The settings file: the one of the environment, else ``pacs.toml`` in the user's own configuration folder."""
    named = os.environ.get(VARIABLE)
    if named and "://" not in named:
        return Path(named)
    from platformdirs import user_config_path

    return user_config_path("wlmeasure", appauthor=False) / "pacs.toml"


def server_of(named: str | None = None) -> Server:
    """The archive of that name in the settings file, or at that URL; without a name the default one.

    Raises
    ------
    PacsError
        No such archive, or settings that break a rule; says which.
    """
    if named is None and "://" in os.environ.get(VARIABLE, ""):
        return _server({"url": os.environ[VARIABLE]}, VARIABLE, "", Path())
    if named is not None and "://" in named:
        return _server({"url": named}, "--server", "", Path())
    path = settings_path()
    found = _read(path)
    servers = found.get("servers", {})
    if not isinstance(servers, dict) or not all(isinstance(entry, dict) for entry in servers.values()):
        raise PacsError(f"{path}: servers must be tables such as [servers.practice]")
    if unknown := sorted(set(found) - {"default", "servers"}):
        _refuse_secrets(path, unknown)
        raise PacsError(f"{path}: {printable(unknown[0], 40)} must be default or [servers.NAME]")
    wanted = named if named is not None else found.get("default")
    if wanted is None and len(servers) == 1:
        wanted = next(iter(servers))
    if not isinstance(wanted, str | None):
        raise PacsError(f"{path}: default must be a name: {printable(wanted, 40)}")
    if wanted is None:
        raise PacsError(f"--server must name one of {_names(servers)}, or default must stand in {path}")
    if wanted not in servers:
        raise PacsError(f"--server must be one of {_names(servers)} in {path}: {printable(wanted, 40)!r}")
    return _server(servers[wanted], f"{path}: servers.{printable(wanted, 40)}", str(wanted), path.parent)


def _names(servers: dict[str, Any]) -> str:
    return ", ".join(printable(name, 40) for name in servers) or "the servers"


def _read(path: Path) -> dict[str, Any]:
    try:
        raw = first_bytes(path, LARGEST_SETTINGS + 1)
    except OSError as error:
        raise PacsError(
            f"image archive must be named first: {path} ({error.strerror}); write a table [servers.practice] with its url "
            f"there, or give --server URL or {VARIABLE}"
        ) from None
    if len(raw) > LARGEST_SETTINGS:
        raise PacsError(f"{path} must be a settings file of at most 1 MB")
    try:
        return tomllib.loads(raw.decode("utf-8"))
    except (ValueError, RecursionError) as error:
        raise PacsError(f"{path} must be TOML: {printable(error)}") from None


def _refuse_secrets(where: object, names: list[str]) -> None:
    for name in names:
        if _SECRET.search(name):
            raise PacsError(
                f"{where}: {printable(name, 40)} must not stand in a file: put it into {PASSWORD}, {TOKEN} or the keyring"
            )


def _server(members: dict[str, Any], where: str, name: str, folder: Path) -> Server:
    known = [attribute.name for attribute in fields(Server) if attribute.name != "name"]
    if unknown := sorted(set(members) - set(known)):
        _refuse_secrets(where, unknown)
        raise PacsError(f"{where}: {printable(unknown[0], 40)} must be one of {', '.join(known)}")
    values: dict[str, Any] = dict(members)
    for key, value in members.items():
        kind: type | tuple[type, ...] = str
        if key in ("insecure", "token_in_keyring"):
            kind = bool
        elif key in ("connect_s", "silence_s", "longest_s", "retries", "largest_mb"):
            kind = (int, float)
        if not isinstance(value, kind) or (kind is not bool and isinstance(value, bool)):
            words = {str: "text", bool: "true or false"}.get(kind, "a number") if isinstance(kind, type) else "a number"
            raise PacsError(f"{where}: {key} must be {words}: {printable(value, 40)}")
    for key, least, most in (
        *(("connect_s", 0.01, 3600.0), ("silence_s", 0.01, 3600.0), ("longest_s", 0.01, 86400.0)),
        *(("retries", 0, 20), ("largest_mb", 0.001, 4096.0)),
    ):
        if key in values and not (isfinite(values[key]) and least <= values[key] <= most):
            raise PacsError(f"{where}: {key} must be {least:g} to {most:g}: {values[key]}")
    if values.get("retries", 0) != int(values.get("retries", 0)):
        raise PacsError(f"{where}: retries must be a whole number: {values['retries']}")
    url = _checked_url(str(values.get("url", "")), where, insecure=values.get("insecure", False))
    for key in ("qido", "wado", "stow"):
        if key in values and not _PREFIX.fullmatch(values[key].strip("/")):
            raise PacsError(f"{where}: {key} must be a part of a path such as qido-rs: {printable(values[key], 40)!r}")
        if key in values:
            values[key] = values[key].strip("/")
    for key in ("ca_bundle", "client_certificate", "client_key"):
        if key in values:
            values[key] = folder / Path(values[key]).expanduser()
            if not values[key].is_file():
                raise PacsError(f"{where}: {key} must be a file: {printable(values[key], 200)}")
    if "client_key" in values and "client_certificate" not in values:
        raise PacsError(f"{where}: client_key must come with client_certificate")
    return Server(**{**values, "url": url, "name": name})


def _checked_url(url: str, where: str, *, insecure: bool) -> str:
    """The URL without a slash at its end.

    What is wrong with it is told without the URL itself, which may hold a password.
    """
    try:
        parts = urlsplit(url)
        port = parts.port
    except ValueError:
        raise PacsError(f"{where}: url must be https://HOST[:PORT][/PATH]") from None
    if parts.username is not None or parts.password is not None or "@" in parts.netloc:
        raise PacsError(
            f"{where}: url must hold no user and no password: enter user in the settings file, the password in {PASSWORD} or "
            "the keyring"
        )
    if parts.query or parts.fragment or not _plain(parts) or port == 0:
        raise PacsError(f"{where}: url must be https://HOST[:PORT][/PATH] with a name or an IPv4 address")
    if parts.scheme == "http" and not insecure and not _is_loopback(parts.hostname or ""):
        raise PacsError(
            f"{where}: url must be https: {parts.netloc}; pictures and names would go unencrypted. On a line that is secured "
            "otherwise, insecure = true in the settings file allows it"
        )
    if parts.scheme == "https" and insecure:
        raise PacsError(
            f"{where}: insecure must not stand with https: certificates are always verified; name yours as ca_bundle"
        )
    return url.rstrip("/")


def _plain(parts: SplitResult) -> bool:
    path = parts.path.strip("/")
    return (
        parts.scheme in ("http", "https")
        and _HOST.fullmatch(parts.hostname or "") is not None
        and (not path or _PREFIX.fullmatch(path) is not None)
    )


def _is_loopback(host: str) -> bool:
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def secret_of(server: Server) -> Secret:
    """The secret of an archive: a token or the user's password from the environment, else from the keyring.

    Raises
    ------
    PacsError
        A user without a password, or a secret that no header can hold.
    """
    token, password = os.environ.get(TOKEN), os.environ.get(PASSWORD)
    if token:
        return Secret(token=_checked_token(token, TOKEN))
    if server.user is None:
        if password:
            raise PacsError(f"user must be named in the settings file with {PASSWORD}: the archive asks for both")
        return _keyring_token(server) if server.token_in_keyring else Secret()
    if not password:
        password = _from_keyring(server, server.user)
    if not password:
        raise PacsError(
            f"password of {printable(server.user, 40)} must be in {PASSWORD} or in the keyring: "
            f'keyring set "{server.keyring_service}" {printable(server.user, 40)}'
        )
    return Secret(user=server.user, password=password)


def _checked_token(token: str, where: str) -> str:
    if not (token.isascii() and token.isprintable() and " " not in token):
        raise PacsError(f"{where} must be printable ASCII without spaces")
    return token


def _keyring_token(server: Server) -> Secret:
    token = _from_keyring(server, "token")
    if not token:
        raise PacsError(f'token must be in {TOKEN} or in the keyring: keyring set "{server.keyring_service}" token')
    return Secret(token=_checked_token(token, "token of the keyring"))


def _from_keyring(server: Server, user: str) -> str | None:
    import keyring
    from keyring.errors import KeyringError

    try:
        return keyring.get_password(server.keyring_service, user)
    except (KeyringError, RuntimeError):  # none on this machine, or locked: the caller says what to do
        return None
