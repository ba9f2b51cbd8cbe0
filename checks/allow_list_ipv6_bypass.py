"""A service that is refused over IPv4 is served over IPv6.

Fails when
    At an IPv4 address a port closes at once, answers 403, is closed or is silent, and the same port of the same device
    serves over IPv6 a source address of the scan that no declared list of the service admits.
Passes when
    Both families are treated alike; one result for all ports.
Unknown when
    IPv6 gave no conclusive response or was not tested, or a random high port is open as well; or only other vantage points
    tested IPv4, some are served there and others not, and no list is declared.
Reach
    ask: what the other checks request anyway, at every address of the device.
Why it matters
    Lists are kept for IPv4 and forgotten for IPv6, which is on by default and reaches the same service.
Sources
    RFC 9099; NIST SP 800-119; NIST SP 800-53 Rev. 5, AC-3 and SC-7
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from hardenprobe import (
    Check,
    DeviceView,
    NoSettings,
    Observation,
    Outcome,
    Reason,
    Word,
    fail,
    inapplicable,
    unknown,
)
from hardenprobe.checking.views.access import (
    admitted,
    by_port_and_family,
    says_no,
    serves,
    service_at,
    shut,
    silent,
)
from hardenprobe.facts import AddressAsked, DeclaredAllowList, HttpAnswer, TcpPort
from hardenprobe.model import Said
from hardenprobe.remediation.fleet import ALLOW_LIST_IPV6

EXPECTED = "what is refused over IPv4 is refused over IPv6"


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """Decide port by port, where IPv4 refuses; what IPv4 does to another source counts where no own source asked."""
    known = [*seen.asked, *(address.address for address in seen.device.addresses)]
    if len({":" in address for address in known}) < 2:
        yield inapplicable("the device has addresses of one family alone", EXPECTED)
        return
    alike: list[Observation[Any]] = []
    quiet: list[Observation[Any]] = []
    told = 0
    lists = [one.facts for one in seen.of(DeclaredAllowList)]
    there = by_port_and_family(seen.elsewhere)
    for port, by_family in sorted(by_port_and_family(seen.observations).items()):
        service = service_at("tcp", port)
        fours = by_family.get(4) or there.get(port, {}).get(4, {})
        turned = [heard for heard in fours.values() if _serves(service, heard) is None]
        for (address, _), heard in by_family.get(6, {}).items():
            if not turned or (4 in by_family and len(turned) < len(fours)):
                continue
            serving = _serves(service, heard)
            ours = admitted(lists, service, seen.source_at(address))
            told += 1
            if serving is None and (shut(service, heard) or (silent(heard) and seen.answers)):
                alike.append(heard[-1])
            elif serving is None:
                quiet.append(heard[-1])
            elif seen.ambiguous:
                text = "a random high port is open as well, so an open port proves nothing"
                yield unknown(serving, text, EXPECTED, reason=Reason.AMBIGUOUS)
            elif ours:
                alike.append(serving)  # the list of a service may well admit our IPv6 address
            elif len(turned) < len(fours) and ours is None:
                text = f"{port}/tcp is served over IPv6, and over IPv4 to some vantage points and not others"
                yield unknown(serving, text, EXPECTED)
            else:
                how = "closes or answers 403" if says_no(service, turned[0]) else "is closed or silent"
                yield fail(serving, f"{port}/tcp {how} over IPv4 and serves over IPv6", EXPECTED, value=port)
    if quiet:
        text = f"{_named(quiet)} inconclusive over IPv6"
        yield _whole(Word.UNKNOWN, text, quiet, Reason.INCONCLUSIVE)
    elif alike and len(alike) == told:
        reason = Reason.DROPPED if silent(alike) else None
        yield _whole(Word.PASS, f"{_named(alike)} treated alike over both families", alike, reason)
    elif not told and any(":" in address for address in seen.unasked):
        yield _whole(Word.UNKNOWN, "IPv6 was not asked from here", (), Reason.INCONCLUSIVE)
    elif not told:
        text = "no port that is refused over IPv4 was looked at over IPv6"
        yield _whole(Word.NOTAPPLICABLE, text, ())


def _whole(word: Word, text: str, heard: Sequence[Observation[Any]], reason: Reason | None = None) -> Outcome:
    proof = tuple(one.id for one in heard)
    return Outcome(
        word=word, observed=Said(text=text), expected=Said(text=EXPECTED), reason=reason, proof=proof
    )


def _named(heard: Iterable[Observation[Any]]) -> str:
    ports = sorted({one.endpoint.port for one in heard if one.endpoint})
    return f"{ports[0]}/tcp is" if len(ports) == 1 else f"{len(ports)} TCP ports are"


def _serves(service: str, heard: list[Observation[Any]]) -> Observation[Any] | None:
    return next((one for one in heard if serves(service, one.facts)), None)


CHECK = Check(
    id="allow-list-ipv6-bypass",
    document=__doc__,
    reads=(TcpPort, HttpAnswer, DeclaredAllowList, AddressAsked),
    judge=judge,
    vectors={"": "AV:N/AC:L/Au:N/C:P/I:P/A:N/PL:A/EM:A"},
    remedy=ALLOW_LIST_IPV6,
    controls=("AC-3", "SC-7"),
    version="2",
)
