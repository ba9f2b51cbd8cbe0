"""Two devices state the same serial number.

Fails when
    Another device of this review states the same serial number. Addresses that are known to be one device, by the inventory
    or since their SNMP engines were started together, are one device.
Passes when
    No other device of this review does.
Unknown when
    Nothing that could state a serial number answers.
Reach
    ask: what is requested by SNMP and IPP anyway; nothing more is sent for the comparison.
Why it matters
    A copied identity hides a device: findings, risk acceptances and the retirement of one would be attributed to the other.
Sources
    NIST SP 800-53 Rev. 5, CM-8 and IA-3; RFC 3805, prtGeneralSerialNumber
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from hardenprobe import Check, DeviceView, NoSettings, Outcome, Reason, State, Word, fail, passed
from hardenprobe.checking.check import SharedValue
from hardenprobe.devices.self_description import serial_of
from hardenprobe.facts import SnmpAnswer
from hardenprobe.facts.snmp import PRT_SERIAL
from hardenprobe.facts.web import IppPrinter
from hardenprobe.model import Said
from hardenprobe.remediation.fleet import IDENTITY_OWN

EXPECTED = "no other device states this serial number"
SHOWN = 4  # devices that a sentence names


def _serials(facts: Any) -> list[str]:
    values = getattr(facts, "values", None)
    if values:
        told = values if isinstance(values, Mapping) else vars(values)
        text = told.get(PRT_SERIAL)
    else:
        text = getattr(facts, "serial", None)
    serial = serial_of(text or "")
    return [serial] if serial else []


SERIAL = SharedValue(facts=(SnmpAnswer, IppPrinter), values=_serials)


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """Look every serial number up among the other devices; one result for each number."""
    heard = [*seen.of(SnmpAnswer), *seen.of(IppPrinter)]
    stated = {serial: one for one in reversed(heard) for serial in _serials(one.facts)}
    for serial, one in sorted(stated.items()):
        others = sorted(seen.fleet.labels[d] for d in seen.fleet.others(SERIAL, serial, seen.device.id))
        more = f" and {len(others) - SHOWN} more" if len(others) > SHOWN else ""
        if others:
            text = f"serial number {serial} is stated by {', '.join(others[:SHOWN])}{more} as well"
            yield fail(one, text, EXPECTED, value=others, subject=serial)
        else:
            yield passed(
                one, f"serial number {serial} is this device's alone", EXPECTED, value=serial, subject=serial
            )
    if not stated:
        silent = not heard or all(getattr(one.facts, "state", None) is State.SILENT for one in heard)
        yield Outcome(
            word=Word.UNKNOWN if silent else Word.NOTAPPLICABLE,
            observed=Said(text="no answer" if silent else "the device states no serial number"),
            expected=Said(text=EXPECTED),
            reason=Reason.SILENT if silent else None,
            proof=tuple(one.id for one in heard),
        )


CHECK = Check(
    id="identity-shared",
    document=__doc__,
    reads=(SnmpAnswer, IppPrinter),
    judge=judge,
    compares=(SERIAL,),
    vectors={"": "AV:L/AC:L/Au:N/C:N/I:P/A:N/PL:ND/EM:P"},
    remedy=IDENTITY_OWN,
    controls=("CM-8", "IA-3"),
)
