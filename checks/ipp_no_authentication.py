"""Anyone may print: the print service asks for no authentication.

Fails when
    The attributes pair an address of the device, by position, with none or requesting-user-name, or another keyword that
    the baseline does not accept as authentication.
Passes when
    Every address of its own is paired with authentication. Addresses of other hosts are not judged.
Unknown when
    The attributes cannot be paired by position, or no IPP answer on its port.
Reach
    ask: the attributes that are requested anyway.
Why it matters
    It is not known who printed, and anyone who reaches the port can use up paper and spool; requesting-user-name is only a claim.
Sources
    RFC 8011, section 5.4.2; NIST SP 800-53 Rev. 5, AC-14 and IA-2
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from hardenprobe import Check, DeviceView, Outcome, fail, passed, unknown
from hardenprobe.checking.views.ipp import own_uris, serving
from hardenprobe.facts import DeclaredDevice, HttpAnswer, IppPrinter, TcpPort, TlsPort
from hardenprobe.remediation.web import IPP_AUTHENTICATION


@dataclass(frozen=True, kw_only=True)
class Settings:
    """What is no authentication.

    Attributes:
        not_enough: Words of uri-authentication-supported, those that the IANA registry of IPP knows.
    """

    not_enough: tuple[
        Literal[
            "none", "requesting-user-name", "basic", "digest", "certificate", "negotiate", "oauth",
            "certificate+basic", "certificate+digest", "certificate+oauth",
        ], ...
    ]  # fmt: skip


EXPECTED = "every address of the print service asks for authentication"


def judge(seen: DeviceView, expect: Settings) -> Iterable[Outcome]:
    """One result for each address of the device's own."""
    found, missing = serving(seen, EXPECTED)
    yield from missing
    for answer in found:
        own = own_uris(seen, answer)
        for key, one in own.items():
            word = one.authentication
            if word in expect.not_enough:
                yield fail(answer, f"{key} asks for {word}", EXPECTED, value=word, subject=key)
            else:
                yield passed(answer, f"{key} asks for {word}", EXPECTED, value=word, subject=key)
        if not own:
            why = answer.facts.unpaired or "the service lists no address of the device"
            yield unknown(answer, why, EXPECTED)


CHECK = Check(
    id="ipp-no-authentication",
    document=__doc__,
    reads=(TcpPort, HttpAnswer, TlsPort, IppPrinter, DeclaredDevice),
    judge=judge,
    settings=Settings,
    # The same as over the raw port and LPD: printing for anyone, and what a job may change besides.
    vectors={"": "AV:N/AC:M/Au:N/C:P/I:P/A:P/PL:U/EM:A"},
    remedy=IPP_AUTHENTICATION,
    controls=("AC-14", "IA-2", "AU-10"),
    version="2",
    worse=("none", "requesting-user-name", "basic", "digest"),
)
