"""A device of the inventory was not reached.

Fails when
    The scan tested every address that the inventory names and got no response, every port was closed, or another device
    answered there.
Passes when
    The device was reached at one of its addresses or, by its serial number, at another.
Unknown when
    The scan was stopped before the device was finished.
Reach
    none: inventory and scan are compared, nothing is sent.
Why it matters
    A missing device may have left with its disk and stored addresses; one that does not answer is not maintained.
Sources
    NIST SP 800-53 Rev. 5, CM-8 and CM-8(3); NIST SP 800-88 Rev. 1, section 4
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe import Check, DeviceView, NoSettings, Outcome, Word, fail, passed, unknown
from hardenprobe.facts import DeclaredDevice, NotMet
from hardenprobe.model import Said
from hardenprobe.remediation.fleet import INVENTORY_MATCH

EXPECTED = "every device of the inventory that was searched for is reached"


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """Compare the scan with the inventory's entry."""
    missed = seen.of(NotMet)
    for one in missed:
        where = ", ".join(one.facts.addresses)
        if one.facts.why == "unfinished":
            yield unknown(one, f"the visit of {where} was not finished", EXPECTED)
        else:
            yield fail(one, f"not reached at {where}: {one.facts.why}", EXPECTED, value=one.facts.why)
    listed = seen.of(DeclaredDevice)
    if not missed and listed:
        yield passed(listed[0], "met", EXPECTED)
    elif not missed:
        text = Said(text="this device is not in the inventory")
        yield Outcome(word=Word.NOTAPPLICABLE, observed=text, expected=Said(text=EXPECTED))


CHECK = Check(
    id="device-not-seen",
    document=__doc__,
    reads=(NotMet, DeclaredDevice),
    judge=judge,
    vectors={"": "AV:L/AC:L/Au:N/C:P/I:N/A:N/PL:ND/EM:P"},
    remedy=INVENTORY_MATCH,
    controls=("CM-8", "CM-8(3)"),
    reach=None,
)
