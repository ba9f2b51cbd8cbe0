"""Published service records carry a user name or password.

Fails when
    A TXT record that the device publishes over DNS-SD has a value under a key for a user name (u, user, username) or a
    password (p, pass, passwd, password, pwd). Each record is a subject of its own. Values are never kept.
Passes when
    Records came, and none has such a value.
Unknown when
    Multicast DNS is silent, or it answers and no record came. It is not applicable where its port is unreachable.
Reach
    ask: at most thirteen datagrams to 5353/udp, half a second each; the six service types that disclose most.
Why it matters
    Anyone on the same network can read how to sign in.
Sources
    IANA Service Name and Transport Protocol Port Number Registry, notes on ftp, http, ssh and telnet (u and p); the
    other keys: common practice (no published requirement); RFC 6763, sections 6 and 9; NIST SP 800-53 Rev. 5, IA-5
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe import Check, DeviceView, NoSettings, Outcome, Reason, State, Word, fail, passed, unknown
from hardenprobe.checking.views.discovery import group_asked
from hardenprobe.facts import PASSWORD_KEYS, USER_KEYS, DnsSdText, MdnsAnswer
from hardenprobe.model import Said
from hardenprobe.remediation.discovery import DISCOVERY_CREDENTIALS

EXPECTED = "no published record holds a user name or password"


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """Decide record by record."""
    texts = seen.of(DnsSdText)
    told = set()
    clean = True
    for text in texts:
        password = sorted(PASSWORD_KEYS & set(text.facts.filled))
        user = sorted(USER_KEYS & set(text.facts.filled))
        where = (text.endpoint, text.facts.instance)
        if not (password or user) or where in told:
            continue
        clean = False
        told.add(where)
        what = "a password" if password else "a user name"
        keys = ", ".join(repr(key) for key in (*user, *password))
        yield fail(
            text,
            f"{text.facts.instance!r} publishes {what} under {keys} (not kept)",
            EXPECTED,
            value=[*user, *password],
            subject=text.facts.instance,
            vector="password" if password else "user",
        )
    if texts and clean:
        yield passed(texts[0], f"records read: {len(texts)}, none with such a value", EXPECTED)
    if not texts:
        yield _without_records(seen)


def _without_records(seen: DeviceView) -> Outcome:
    asked = seen.of(MdnsAnswer)
    for question in asked:
        if question.facts.answered:
            return unknown(question, "multicast DNS answers, and no TXT record came", EXPECTED)
    proof = tuple(o.id for o in asked)
    unicast = [o for o in asked if not o.facts.group]
    unreachable = bool(unicast) and all(o.facts.state is State.REFUSING for o in unicast)
    refused = unreachable and group_asked(asked)
    silent = any(o.facts.state is State.SILENT for o in unicast)
    return Outcome(
        word=Word.NOTAPPLICABLE if refused else Word.UNKNOWN,
        observed=Said(
            text="multicast DNS is off"
            if refused
            else "the port of multicast DNS is unreachable, and its group was not asked"
            if unreachable
            else "multicast DNS gave no response"
        ),
        expected=Said(text=EXPECTED),
        reason=None
        if refused
        else Reason.OFF_LINK
        if unreachable
        else Reason.SILENT
        if silent
        else Reason.INCONCLUSIVE,
        proof=proof,
    )


CHECK = Check(
    id="discovery-credentials",
    document=__doc__,
    reads=(MdnsAnswer, DnsSdText),
    judge=judge,
    vectors={
        "password": "AV:N/AC:L/Au:N/C:P/I:P/A:P/PL:U/EM:A",
        "user": "AV:N/AC:L/Au:N/C:P/I:N/A:N/PL:U/EM:A",
    },
    remedy=DISCOVERY_CREDENTIALS,
    controls=("IA-5(7)", "SC-8"),
    version="2",
)
