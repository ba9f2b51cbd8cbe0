"""A service that turns us away over IPv4 serves us over IPv6.

Fails when
    At an IPv4 address a port closes at once, says 403, refuses or is silent, and the same port of the same device serves
    over IPv6.
Passes when
    Both families are treated alike.
Unknown when
    IPv6 gave no telling answer, or a random high port accepts as well.
Reach
    ask: what the other checks ask anyway, at every address of the device.
Why it matters
    Lists are kept for IPv4 and forgotten for IPv6, which is on by default and reaches the same service.
Sources
    RFC 9099; NIST SP 800-119; NIST SP 800-53 Rev. 5, AC-3 and SC-7
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from hardenprobe.checking.check import Check, NoSettings, Outcome, Seen, fail, inapplicable, passed, untold
from hardenprobe.checking.views.access import says_no, serves, service_at, shut
from hardenprobe.facts import HttpAnswer, TcpPort
from hardenprobe.model import Observation, Reason, Said, Word
from hardenprobe.remediation.fleet import ALLOW_LIST_IPV6

EXPECTED = "what is refused over IPv4 is refused over IPv6"


def judge(seen: Seen, expect: NoSettings) -> Iterable[Outcome]:
    """Decide port by port, where both families were looked at."""
    if len({address.family for address in seen.device.addresses}) < 2:
        yield inapplicable("the device has addresses of one family alone", EXPECTED)
        return
    told = False
    for port, by_family in sorted(_ports(seen).items()):
        if set(by_family) != {4, 6}:
            continue
        service = service_at("tcp", port)
        if _serves(service, by_family[4]) is not None:
            continue
        serving = _serves(service, by_family[6])
        told = True
        if serving is not None and seen.ambiguous:
            text = "a random high port accepts as well, so accepting proves nothing"
            yield untold(serving, text, EXPECTED, reason=Reason.AMBIGUOUS)
        elif serving is not None:
            how = "closes on us or says 403" if says_no(service, by_family[4]) else "refuses or is silent"
            yield fail(serving, f"{port}/tcp {how} over IPv4 and serves over IPv6", EXPECTED, value=port)
        elif shut(service, by_family[6]):
            yield passed(by_family[6][-1], f"{port}/tcp serves us over neither family", EXPECTED, value=port)
        else:
            yield untold(by_family[6][-1], f"{port}/tcp is not telling over IPv6", EXPECTED)
    if not told:
        nothing = Said(text="no port that is refused over IPv4 was looked at over IPv6")
        yield Outcome(word=Word.NOTAPPLICABLE, observed=nothing, expected=Said(text=EXPECTED))


def _ports(seen: Seen) -> dict[int, dict[int, list[Observation[Any]]]]:
    found: dict[int, dict[int, list[Observation[Any]]]] = {}
    for one in seen.observations:
        where = one.endpoint
        if where is None or where.transport != "tcp" or not isinstance(one.facts, TcpPort | HttpAnswer):
            continue
        if not (isinstance(one.facts, TcpPort) and one.facts.control):
            family = 6 if ":" in where.address else 4
            found.setdefault(where.port, {}).setdefault(family, []).append(one)
    return found


def _serves(service: str, heard: list[Observation[Any]]) -> Observation[Any] | None:
    return next((one for one in heard if serves(service, one.facts)), None)


CHECK = Check(
    id="allow-list-ipv6-bypass",
    document=__doc__,
    reads=(TcpPort, HttpAnswer),
    judge=judge,
    vectors={"": "AV:N/AC:L/Au:N/C:P/I:P/A:N/PL:A/EM:A"},
    remedy=ALLOW_LIST_IPV6,
    controls=("AC-3", "SC-7"),
    version="2",
)
