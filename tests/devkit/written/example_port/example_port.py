"""A port is open that is not needed.

Fails when
    One of `ports` is open.
Passes when
    Each of them is closed.
Unknown when
    They are filtered and nothing else of the device answers, or a random high port is
    open as well.
Reach
    look: one connection a port, nothing is sent.
Why it matters
    Say in a sentence or two what somebody could do with it.
Sources
    NIST SP 800-53 Rev. 5, CM-7
"""

from collections.abc import Iterator
from dataclasses import dataclass

from hardenprobe import Check, DeviceView, Outcome, Reach, Remedy, fail, off_tcp
from hardenprobe.facts import TcpPort

EXPECTED = "none of these ports is open"


@dataclass(frozen=True, kw_only=True)
class Settings:
    """What a baseline may change: `expect: {example-port: {ports: [79]}}`.

    Attributes:
        ports: TCP ports that are not needed.
    """

    ports: tuple[int, ...] = (79,)


def judge(seen: DeviceView, expect: Settings) -> Iterator[Outcome]:
    """Strongest evidence first; what was not answered is judged by `off_tcp`."""
    found = False
    for one in () if seen.ambiguous else seen.accepting:
        if one.endpoint and one.endpoint.port in expect.ports:
            found = True
            yield fail(one, "open", EXPECTED)
    if not found:
        yield off_tcp(seen, EXPECTED, ports=expect.ports, accept_only=True)


REMEDY = Remedy(
    id="example-port-off",
    title="Switch the service off",
    steps=("In the network or protocol settings, switch the service off.",),
    confirm="Scan again: example-port shows pass.",
    needs_first="Nothing.",
    stops_working="Say what no longer works.",
    ask="Say who would notice.",
    undo="Switch the service on again in the same place.",
    lock_out="None: it is not how the settings are reached.",
)
CHECK = Check(
    id="example-port",
    document=__doc__,
    reads=(TcpPort,),
    judge=judge,
    settings=Settings,
    vectors={"": "AV:N/AC:L/Au:N/C:P/I:N/A:N/PL:ND/EM:P"},
    remedy=REMEDY,
    controls=("CM-7",),
    reach=Reach.LOOK,
)
