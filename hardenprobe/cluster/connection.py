"""How the parties of a cluster reach each other: TLS between all of them, by certificates of one private authority.

`distributed` is imported here and late; it is the extra `fleet`, and takes a second to import.
"""

from __future__ import annotations

import logging
import re
import ssl
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any

from hardenprobe import __version__
from hardenprobe.cluster.certificates import AUTHORITY, CERTIFICATE, KEY
from hardenprobe.errors import FileInvalid, UsageError, clip

if TYPE_CHECKING:
    from distributed import Security

PORT = 8786
"""Where a scheduler listens unless another port is given."""

PARTY = "hardenprobe"
"""Under this key a worker and a scheduler tell what they are."""

PATIENCE = 10.0  # seconds for a party to answer
_ADDRESS = re.compile(r"tls://(\[[0-9A-Fa-f:.]+\]|[0-9A-Za-z.-]+):([0-9]{1,5})")


def distributed() -> Any:
    """The package `distributed`.

    Raises:
        UsageError: It is not installed.
    """
    try:
        import distributed as found
    except ImportError as exc:
        raise UsageError(
            "vantage points need the extra 'fleet', which is not installed; run `pip install 'hardenprobe[fleet]'`"
        ) from exc
    # It speaks of its own inner life on standard error; what a person must know is said by us.
    for name in ("distributed", "tornado", "asyncio"):
        logging.getLogger(name).setLevel(logging.CRITICAL)
    return found


def our_version() -> str:
    """What must be the same in all parties of a cluster."""
    distributed()
    return f"{__version__} (distributed {version('distributed')})"


def check_address(address: str) -> str:
    """The address of a scheduler, as it was given; the usual port where it names none.

    Raises:
        UsageError: It is none.
    """
    found = _ADDRESS.fullmatch(address) or _ADDRESS.fullmatch(f"{address}:{PORT}")
    if found is None or not 0 < int(found[2]) < 65536:
        raise UsageError(
            f"{clip(address)} is no address of a scheduler; write tls://HOST:PORT, such as tls://192.0.2.10:{PORT}"
        )
    return found[0]


def security(folder: Path) -> Security:
    """TLS by the certificate in a party's folder.

    Raises:
        UsageError: `distributed` is not installed.
        FileInvalid: A file is missing, cannot be read, or is none of ours.
    """
    distributed()
    from distributed import Security

    authority, certificate, key = (folder / name for name in (AUTHORITY, CERTIFICATE, KEY))
    for file in (authority, certificate, key):
        try:
            file.read_bytes()
        except OSError as exc:
            raise FileInvalid(
                str(file),
                None,
                f"cannot be read: {exc.strerror}; `hardenprobe vantage certificates` makes it, "
                "and --certificates names its folder",
            ) from exc
    if key.stat().st_mode & 0o077:
        raise FileInvalid(str(key), None, "others may read it; run chmod 600 on it")
    try:  # a fault here would come as a timeout later
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        context.load_verify_locations(authority)
        context.load_cert_chain(certificate, key)
    except ssl.SSLError as exc:
        raise FileInvalid(str(folder), None, f"holds no certificate with its key: {exc.reason}") from exc
    parties = {
        f"tls_{party}_{what}": str(file)
        for party in ("client", "scheduler", "worker")
        for what, file in (("cert", certificate), ("key", key))
    }
    return Security(
        require_encryption=True,
        tls_ca_file=str(authority),
        tls_min_version=ssl.TLSVersion.TLSv1_3,
        **parties,
    )


def peer_name(comm: Any) -> str | None:
    """The name in the certificate of whoever is at the other end; None where there is none."""
    certificate = comm.extra_info.get("peercert") or {}
    names = [value for part in certificate.get("subject", ()) for key, value in part if key == "commonName"]
    return str(names[0]) if len(names) == 1 else None


async def connect(address: str, folder: Path) -> Any:
    """A client of the scheduler, to be closed by the caller.

    Raises:
        UsageError: It cannot be reached, or is of another version.
    """
    found = distributed()
    keys = security(folder)
    try:
        client = await found.Client(
            address, security=keys, asynchronous=True, timeout=PATIENCE, set_as_default=False
        )
    except (OSError, TimeoutError, ValueError) as exc:
        raise UsageError(
            f"the scheduler at {address} cannot be reached: {clip(str(exc), 160)}; "
            "see that `hardenprobe vantage scheduler` runs there, and that both certificates are of one authority"
        ) from exc
    try:
        told = (await client.scheduler.identity()).get(PARTY) or {}
        check_version(f"the scheduler at {address}", str(told.get("version", "unknown")))
    except BaseException:
        await client.close()
        raise
    return client


def check_version(who: str, theirs: str) -> None:
    """Refuse a party of another version.

    Raises:
        UsageError: It is.
    """
    if theirs != our_version():
        raise UsageError(
            f"{who} runs hardenprobe {clip(theirs)}, and this is {our_version()}; install the same version on both"
        )
