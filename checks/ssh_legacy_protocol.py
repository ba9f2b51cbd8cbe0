"""An SSH server accepts protocol 1.

Fails when
    The identification string offers protocol 1.x; 1.99, which means both 1.x and 2.0, is included.
Passes when
    It offers protocol 2.0 only. What the software version or comments say does not matter.
Unknown when
    It names a version that is neither, or another on another connection, or a port on which SSH is expected is open and sends nothing.
Reach
    look: the greeting is read, nothing is sent.
Why it matters
    The CRC integrity check of protocol 1 can be forged, so that a session can be read and changed on the way.
Sources
    RFC 4253 sections 4.2 and 5.1; RFC 4251 section 9.3; NIST SP 800-53 Rev. 5, MA-4(6)
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from typing import Any

from hardenprobe import (
    Check,
    DeviceView,
    NoSettings,
    Observation,
    Outcome,
    Reach,
    fail,
    no_service,
    passed,
    unknown,
)
from hardenprobe.checking.views.ssh import unheard
from hardenprobe.facts import HttpAnswer, SshIdentification, SshOffer, TcpPort, TlsPort
from hardenprobe.remediation.ssh import SSH_OFF

EXPECTED = "SSH protocol 2.0 only"


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """Decide from the protocol version alone."""
    greetings = seen.of(SshIdentification)
    changed = _changed(seen)
    for greeting in greetings:
        version = greeting.facts.protocol
        if version.startswith("1."):
            both = ", which means 1.x and 2.0" if version == "1.99" else ""
            yield fail(greeting, f"offers SSH {version}{both}", EXPECTED, value=version, wanted="2.0")
        elif _place(greeting) in changed:
            yield unknown(greeting, "identifies itself differently on another connection", EXPECTED)
        elif version == "2.0":
            yield passed(greeting, "offers SSH 2.0 only", EXPECTED, value=version)
        else:
            yield unknown(greeting, f"offers SSH {version}, which no standard defines", EXPECTED)
    mute = unheard(seen, greetings, EXPECTED)
    yield from mute
    if not greetings and not mute:
        yield no_service(seen, EXPECTED, "SSH")


def _changed(seen: DeviceView) -> set[tuple[str, int]]:
    """Ports that identified themselves otherwise, or not at all, on another connection."""
    heard = Counter(_place(o) for o in seen.of(SshIdentification))
    others = {_place(o) for o in seen.of(SshOffer) if not o.facts.speaks}
    return others | {place for place, times in heard.items() if times > 1}


def _place(one: Observation[Any]) -> tuple[str, int]:
    return (one.endpoint.address, one.endpoint.port) if one.endpoint else ("", 0)


CHECK = Check(
    id="ssh-legacy-protocol",
    document=__doc__,
    # The last two tell what else a port speaks.
    reads=(TcpPort, SshIdentification, HttpAnswer, TlsPort),
    identifies=(HttpAnswer, TlsPort),
    judge=judge,
    # On the path: a session of protocol 1 can be read and changed.
    vectors={"": "AV:N/AC:M/Au:N/C:P/I:P/A:N/PL:U/EM:A"},
    remedy=SSH_OFF,
    controls=("MA-4(6)", "SC-8(1)", "CM-7"),
    reach=Reach.LOOK,
    version="2",
)
