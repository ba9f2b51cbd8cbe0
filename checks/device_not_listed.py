"""A device is not in the inventory.

Fails when
    A device was reached whose serial number and address match no entry of the inventory; or another device answers at a
    listed address.
Passes when
    It is in the inventory.
Unknown when
    Never: without an inventory the question does not apply.
Reach
    none: inventory and scan are compared, nothing is sent.
Why it matters
    A device that is not in the inventory is not maintained.
Sources
    NIST SP 800-53 Rev. 5, CM-8 and CM-8(3)
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe import Check, DeviceView, NoSettings, Outcome, Word, fail, passed
from hardenprobe.facts import DeclaredDevice, NotListed
from hardenprobe.model import Said
from hardenprobe.remediation.fleet import INVENTORY_MATCH

EXPECTED = "every device that answers is listed"


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """Say whether the device that answered is in the inventory."""
    strangers = seen.of(NotListed)
    for one in strangers:
        where = ", ".join(one.facts.addresses)
        sits = f", where {one.facts.address_of} is listed" if one.facts.address_of else ""
        yield fail(one, f"answers at {where}{sits}, and is not in the inventory", EXPECTED, value=where)
    listed = seen.of(DeclaredDevice)
    if not strangers and listed:
        yield passed(
            listed[0], f"listed as {listed[0].facts.asset_tag or 'a device without a tag'}", EXPECTED
        )
    elif not strangers:
        text = Said(text="no inventory was given")
        yield Outcome(word=Word.NOTAPPLICABLE, observed=text, expected=Said(text=EXPECTED))


CHECK = Check(
    id="device-not-listed",
    document=__doc__,
    reads=(NotListed, DeclaredDevice),
    judge=judge,
    vectors={"": "AV:A/AC:L/Au:N/C:P/I:P/A:N/PL:ND/EM:P"},
    remedy=INVENTORY_MATCH,
    controls=("CM-8", "CM-8(3)"),
    reach=None,
)
