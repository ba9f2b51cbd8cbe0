"""An allow-list has malformed, redundant or missing entries.

Fails when
    An entry is malformed (bits set right of the prefix, a mask with gaps), repeats another, or is redundant (contained in
    another entry, or in several together); or the list has IPv4 entries only and the device answers over IPv6. Each is a
    subject of its own.
Passes when
    Every entry is well-formed and occurs once.
Unknown when
    Never: a list that is not declared is not applicable.
Reach
    none: the list is read from the inventory, nothing is sent to the device. Copy the list verbatim from the device's
    settings under `copied`; without that the declared entries are examined.
Why it matters
    Devices interpret a malformed entry differently: as no address, as one, or as all.
Sources
    RFC 4632, section 3.1; RFC 4291, section 2.3; NIST SP 800-53 Rev. 5, AC-4 and CM-6
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe import Check, DeviceView, NoSettings, Outcome, Word, fail, passed
from hardenprobe.addresses.lint import families, flaws
from hardenprobe.facts import DeclaredAllowList
from hardenprobe.model import Said
from hardenprobe.remediation.fleet import ALLOW_LIST_TIDY

EXPECTED = "each entry is an address or a block, is unambiguous, and not repeated"


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """Decide list by list, entry by entry."""
    written = [(one, one.facts.copied or one.facts.entries) for one in seen.of(DeclaredAllowList)]
    if not any(entries for _, entries in written):
        nothing = Said(text="no list with an entry is declared for this device")
        yield Outcome(word=Word.NOTAPPLICABLE, observed=nothing, expected=Said(text=EXPECTED))
    sixes = [a.address for a in seen.device.addresses if a.family == "ipv6"]
    for one, entries in written:
        subject = f"list {one.facts.position}"
        found = list(flaws(entries))
        for flaw in found:
            where = f"{subject}, entry {flaw.position}"
            yield fail(one, flaw.text, EXPECTED, value=flaw.kind, subject=where, vector=flaw.kind)
        only_four = bool(sixes) and families(entries) == {4}
        if only_four:
            text = f"only IPv4 entries, and the device has {sixes[0]}"
            yield fail(one, text, EXPECTED, value=sixes, subject=f"{subject}, IPv6", vector="ipv6")
        if entries and not found and not only_four:
            yield passed(
                one, f"{len(entries)} entries, well-formed, none redundant", EXPECTED, subject=subject
            )


CHECK = Check(
    id="allow-list-malformed",
    document=__doc__,
    reads=(DeclaredAllowList,),
    judge=judge,
    # Unreadable, a mask with gaps and IPv4 alone may let others in; a repeated entry only misleads the person who removes one of the two.
    vectors={
        "unreadable": "AV:N/AC:M/Au:N/C:P/I:P/A:N/PL:ND/EM:P",
        "form": "AV:N/AC:M/Au:N/C:P/I:P/A:N/PL:ND/EM:P",
        "ipv6": "AV:N/AC:M/Au:N/C:P/I:P/A:N/PL:ND/EM:P",
        "repeated": "AV:N/AC:H/Au:S/C:N/I:P/A:N/PL:ND/EM:P",
        "swallowed": "AV:N/AC:H/Au:S/C:N/I:P/A:N/PL:ND/EM:P",
    },
    remedy=ALLOW_LIST_TIDY,
    controls=("AC-4", "CM-6"),
    reach=None,
    version="3",
)
