"""An allow-list is too permissive: it admits more than the approved networks.

Fails when
    A declared list admits at least one address outside the approved networks; the result names one, the smallest CIDR
    cover of all of them (its first 1,000 blocks where a mask with gaps makes more), and their number.
Passes when
    Everything that the list admits is approved.
Unknown when
    The inventory names no approved networks, or the list is empty: most devices then admit everyone.
Reach
    none: the list is read from the inventory, nothing is sent to the device.
Why it matters
    A list that admits whole buildings gives no protection: anyone inside reaches the settings.
Sources
    RFC 4632, section 3; NIST SP 800-53 Rev. 5, AC-4 and SC-7(5)
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from hardenprobe import Check, DeviceView, NoSettings, Outcome, Word, fail, passed, unknown
from hardenprobe.addresses.sets import AddressSet
from hardenprobe.facts import DeclaredAllowList
from hardenprobe.model import Said
from hardenprobe.remediation.general import ALLOW_LIST_NARROW

SHOWN = 4  # blocks that a sentence names
KEPT = 1000  # blocks that the value keeps; masks with gaps can make any number of them


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """Decide list by list: what it admits, less what is approved."""
    lists = seen.of(DeclaredAllowList)
    if not lists:
        nothing = Said(text="no list is declared for this device")
        yield Outcome(
            word=Word.NOTAPPLICABLE,
            observed=nothing,
            expected=Said(text="lists admit approved networks only"),
        )
    for one in lists:
        subject = f"list {one.facts.position}"
        approved = AddressSet.of(one.facts.approved)
        expected = f"{subject} admits only {approved.said(KEPT) or 'approved networks'}"
        if not approved:
            yield unknown(one, "the inventory names no approved networks", expected, subject=subject)
            continue
        if not one.facts.entries:
            text = "the list is empty, and an empty list admits everyone on most devices"
            yield unknown(one, text, expected, subject=subject)
            continue
        excess = AddressSet.of(one.facts.entries) - approved
        if not excess:
            yield passed(one, "admits approved networks only", expected, subject=subject)
            continue
        text = f"admits {excess.count:,} addresses outside the approved networks, such as {excess.first()}: {excess.said(SHOWN)}"
        value: dict[str, Any] = {
            "example": excess.first(),
            "cover": list(excess.cover(KEPT)),
            "count": excess.count,
            "entries": list(one.facts.entries),
        }
        if excess.block_count > KEPT:
            value["blocks"] = excess.block_count
        yield fail(one, text, expected, value=value, wanted=list(approved.cover(KEPT)), subject=subject)


CHECK = Check(
    id="allow-list-too-wide",
    document=__doc__,
    reads=(DeclaredAllowList,),
    judge=judge,
    vectors={"": "AV:N/AC:M/Au:N/C:P/I:P/A:N/PL:A/EM:A"},
    remedy=ALLOW_LIST_NARROW,
    controls=("AC-4", "SC-7(5)"),
    worse={"count": "larger", "entries": "wider"},
    reach=None,
    version="2",
)
