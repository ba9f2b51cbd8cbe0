"""An open port is not allowed by the baseline.

Fails when
    A tested TCP port is open and is not in the baseline's list for this kind of device.
Passes when
    Only listed ports are open.
Unknown when
    A random high port is open as well, or no port answered.
Reach
    look: one connection a port; the result names the ports tested.
Why it matters
    An unneeded service enlarges the attack surface, and is not monitored.
Sources
    NIST SP 800-53 Rev. 5, CM-7 and CM-7(1)
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Annotated

from annotated_types import Ge, Le

from hardenprobe import Check, DeviceView, Outcome, Reach, fail, off_tcp
from hardenprobe.facts import TcpPort
from hardenprobe.remediation.general import CLOSE_PORT


@dataclass(frozen=True, kw_only=True)
class Settings:
    """TCP ports that may accept."""

    allowed_tcp: tuple[Annotated[int, Ge(1), Le(65535)], ...]


def judge(seen: DeviceView, expect: Settings) -> Iterable[Outcome]:
    """Decide port by port."""
    allowed = ", ".join(map(str, expect.allowed_tcp)) or "none"
    expected = f"only these TCP ports are open: {allowed}"
    found = False
    for port in seen.accepting:
        if port.endpoint is None or port.endpoint.port in expect.allowed_tcp or seen.ambiguous:
            continue
        found = True
        speaks = f"and speaks {port.facts.speaks}" if port.facts.speaks else "and does not speak first"
        yield fail(port, f"open {speaks}", expected, wanted=list(expect.allowed_tcp))
    if not found:
        looked = {o.endpoint.port for o in seen.tcp_ports if o.endpoint}
        others = looked - set(expect.allowed_tcp)
        yield off_tcp(seen, expected, ports=others or looked, accept_only=True)


CHECK = Check(
    id="unexpected-service",
    document=__doc__,
    reads=(TcpPort,),
    judge=judge,
    settings=Settings,
    vectors={"": "AV:N/AC:M/Au:N/C:N/I:P/A:N/PL:A/EM:A"},
    remedy=CLOSE_PORT,
    controls=("CM-7", "CM-7(1)"),
    reach=Reach.LOOK,
    version="2",
)
