"""What the server is told once, before it starts: where to listen, where to keep, how much to bear.

Must not know what any of it is used for.
"""

import ipaddress
import re
import socket
from collections.abc import Mapping
from dataclasses import dataclass, field
from importlib import metadata
from pathlib import Path
from urllib.parse import urlsplit

import platformdirs

from caller.errors import Refused

__all__ = ["DEFAULT_PORT", "Limits", "Settings", "read_settings", "version"]

DEFAULT_PORT = 8421

_HERE = Path(__file__).resolve().parent


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """How much the server bears from outside. Wide for people, narrow for floods.

    Attributes:
        frame_bytes: the longest frame a page may send.
        frames_per_s: how many frames a socket may send in the long run; a page asks the clock five times a second.
        frames_burst: how many at once.
        hello_s: how long a socket may stay silent before it says who it is.
        send_s: how long one frame may take to leave for a listener before the listener is dropped.
        waiting: how many answers may wait for a listener before it is dropped.
        listeners: sockets a race may have.
        devices: sockets a seat may have.
        inbox: facts that may wait to be taken, a race.
        upload_bytes: the largest course file.
        body_bytes: the largest other body.
        body_s: how long a body may take to arrive.
        reading_s: how long a course file may take to be read.
        planning_s: how long a plan may take.
        plans_waiting: questions that may wait for the worker.
        joins_per_min: attempts to join or to use a ticket, for one address.
        races_per_min: new races, for one address.
        hears_per_min: words tried with a voice, for one address.
        loaded_races: races held in memory; the ones nobody listens to are let go first.
    """

    frame_bytes: int = 64 * 1024
    frames_per_s: float = 40
    frames_burst: float = 120
    hello_s: float = 5
    send_s: float = 10
    waiting: int = 64
    listeners: int = 60
    devices: int = 12
    inbox: int = 256
    upload_bytes: int = 16 * 1024 * 1024
    body_bytes: int = 256 * 1024
    body_s: float = 30
    reading_s: float = 20
    planning_s: float = 60
    plans_waiting: int = 16
    joins_per_min: float = 30
    races_per_min: float = 30
    hears_per_min: float = 120
    loaded_races: int = 500


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """Everything the server is told.

    Attributes:
        host: the address to listen on; 127.0.0.1 is this machine alone, 0.0.0.0 the whole network.
        port: 0 lets the system choose; __main__ puts the chosen one here.
        data_dir: the one directory that is written to.
        public_url: how phones reach this server, without a slash at its end; None works it out from host and port.
        web_dir: pages, parts and styles.
        scenario_dir: the rehearsals that come along.
        limits: how much to bear.
        host_names: names, beside addresses and ``localhost``, under which pages may be asked for.
        voice: False leaves the voice out.
    """

    host: str = "127.0.0.1"
    port: int = DEFAULT_PORT
    data_dir: Path
    public_url: str | None = None
    web_dir: Path
    scenario_dir: Path
    limits: Limits = field(default_factory=Limits)
    host_names: tuple[str, ...] = ()
    voice: bool = True

    def url(self) -> str:
        """How phones reach this server: what was set, else an address of this machine."""
        if self.public_url is not None:
            return self.public_url
        host = self.host
        if host in ("0.0.0.0", "::"):
            host = _lan_address() or "127.0.0.1"
        if ":" in host:
            host = f"[{host}]"
        return f"http://{host}:{self.port}"


def read_settings(
    environ: Mapping[str, str],
    *,
    host: str | None = None,
    port: int | None = None,
    data_dir: Path | None = None,
    public_url: str | None = None,
) -> Settings:
    """Settings from the command line, else from the environment, else as they come.

    Args:
        environ: SWINGOFF_HOST, SWINGOFF_PORT, SWINGOFF_DATA, SWINGOFF_PUBLIC_URL, SWINGOFF_VOICE are looked at.
        host: from the command line; None if it said nothing. The same for the others.
    Raises: Refused: a setting that cannot be used, in a sentence.
    """
    host = host or environ.get("SWINGOFF_HOST") or "127.0.0.1"
    if port is None:
        port = _port(environ.get("SWINGOFF_PORT") or str(DEFAULT_PORT))
    where = data_dir or Path(environ.get("SWINGOFF_DATA") or platformdirs.user_data_path("swingoff", appauthor=False))
    url = public_url or environ.get("SWINGOFF_PUBLIC_URL") or None
    names = [socket.gethostname().lower()]
    if url is not None:
        url = _checked_url(url)
        names.append((urlsplit(url).hostname or "").lower())
    names += [f"{name}.local" for name in names[:1] if "." not in name]
    if not _is_address(host):
        names.append(host.lower())
    return Settings(
        host=host,
        port=port,
        data_dir=where.expanduser().absolute(),
        public_url=url,
        web_dir=_beside("web"),
        scenario_dir=_beside("scenarios"),
        host_names=tuple(name for name in names if name),
        voice=environ.get("SWINGOFF_VOICE", "on").lower() not in ("off", "0", "no"),
    )


def version() -> str:
    """Which swingoff this is."""
    try:
        return metadata.version("swingoff")
    except metadata.PackageNotFoundError:
        return "uninstalled"


def _beside(name: str) -> Path:
    """A folder that comes along: inside the package when installed from a wheel, beside it in a checkout."""
    packed = _HERE / "_assets" / name
    return packed if packed.is_dir() else _HERE.parent / name


def _port(text: str) -> int:
    try:
        port = int(text)
    except ValueError:
        port = -1
    if not 0 <= port <= 65535:
        raise Refused("setting", "SWINGOFF_PORT", repr(text), "expected a number from 0 to 65535")
    return port


def _checked_url(url: str) -> str:
    try:
        parts = urlsplit(url)
        fits = (
            parts.scheme in ("http", "https") and bool(parts.hostname) and parts.port != 0
        )  # raises if it is no number
    except ValueError:
        fits = False
    if not fits or re.search(r"[\s?#@]", url) or not url.isprintable():
        raise Refused("setting", "public URL", repr(url), "expected one like https://race.example.org")
    return url.rstrip("/")


def _is_address(host: str) -> bool:
    try:
        ipaddress.ip_address(host)
    except ValueError:
        return False
    return True


def _lan_address() -> str | None:
    """This machine's address on its network; None without one. Nothing is sent: a datagram socket is only aimed."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as aimed:
        try:
            aimed.connect(("192.0.2.1", 9))  # a documentation address (RFC 5737): routed like any other, never reached
        except OSError:
            return None
        return str(aimed.getsockname()[0])
