"""Remedies for SNMP beyond versions and defaults. General words: every device calls its settings something else.

The impact of a change is common practice (no published requirement), and depends on the model.
"""

from __future__ import annotations

from hardenprobe.model import Remedy
from hardenprobe.remediation.general import LISTED_OUT, LOCK_OUT, WHOLE_DEVICE

_ASK = "The print server's administrator, the monitoring team, the supplies contract."
_NO_LOCK = "None: SNMP is not how the settings are reached."

SNMP_WRITE_OFF = Remedy(
    id="snmp-write-off",
    title="Take write access away from SNMP communities",
    steps=(
        "In the SNMP settings, delete every community with write access, or set it to read only.",
        "Where a tool must write, give it an SNMPv3 user with authentication and privacy.",
        "Look through the settings for changes: addresses, forwarding of jobs, passwords.",
    ),
    confirm="Scan again with --reach alter: the write-back is refused with authorizationError.",
    needs_first="A list of the tools that set values by SNMP: driver set-up, fleet tools, job accounting.",
    stops_working="Fleet tools and drivers that set values by SNMP.",
    ask=_ASK,
    undo="Give the community write access again in the same place.",
    lock_out=_NO_LOCK,
)

SNMP_V3_LEVEL = Remedy(
    id="snmp-v3-authpriv-only",
    title="Serve SNMPv3 users at authentication with privacy only",
    steps=(
        "In the SNMPv3 settings, set the security level of each user or group to authentication and privacy.",
        "Set each collector to the same level, and see that readings arrive.",
    ),
    confirm="Scan again with the same secrets: snmp-v3-below-authpriv shows pass.",
    needs_first="Every collector asks with authentication and privacy.",
    stops_working="Collectors that ask without privacy.",
    ask="The monitoring team, and the readers of meters and supplies.",
    undo="Set the level back in the same place.",
    lock_out=_NO_LOCK,
)

SNMP_V3_ALGORITHMS = Remedy(
    id="snmp-v3-strong-algorithms",
    title="Give SNMPv3 users SHA-2 and AES",
    steps=(
        "Create a second SNMPv3 user with SHA-256 or better for authentication and AES for privacy.",
        "Move every collector to it, then delete the old user.",
        "Where the device has neither, look for firmware that brings them, or keep SNMP in the management network.",
    ),
    confirm="Scan again with the new user in the secrets file: snmp-v3-weak-algorithms shows pass.",
    needs_first="Collectors that speak the stronger pair.",
    stops_working="Collectors that know only the old pair.",
    ask="The monitoring team.",
    undo="Create the old user again.",
    lock_out=_NO_LOCK,
)

SNMP_LIMIT_SOURCES = Remedy(
    id="snmp-limit-sources",
    title="Let only the collectors reach SNMP",
    steps=(
        WHOLE_DEVICE,
        "In the access control settings, admit only the collectors' and print servers' addresses to SNMP.",
        "Where the device has no such list, filter 161/udp in the network.",
        "Switch versions 1 and 2c off where every collector speaks version 3.",
    ),
    confirm="Scan again from a client's network with --reach strain: SNMP is silent there.",
    needs_first="The addresses of all collectors and print servers are known.",
    stops_working=f"Queues show offline and readings stop for collectors that were forgotten. {LISTED_OUT}",
    ask=_ASK,
    undo="Clear the list in the same place, or at the panel.",
    lock_out=LOCK_OUT,
)

SNMP_PERSONAL = Remedy(
    id="snmp-personal-data-out",
    title="Remove personal data from SNMP objects",
    steps=(
        "Enter a function and a mailbox of a team as contact and operator, not a person.",
        "Restrict the community's view to what collectors need, without the job tables, where the device can.",
        "Remove the default community.",
    ),
    confirm="Scan again: snmp-personal-data shows pass.",
    needs_first="A mailbox of a team that is read.",
    stops_working="Accounting that reads job owners by SNMP, if the view is restricted.",
    ask="The data protection officer, and the accounting team.",
    undo="Enter the old text again.",
    lock_out=_NO_LOCK,
)

SNMP_ENGINE_ID = Remedy(
    id="snmp-engine-id-own",
    title="Give each device an SNMP engine id of its own",
    steps=(
        "In the SNMPv3 settings, set the engine id back to the one made from the hardware address, or set an own one.",
        "Enter the SNMPv3 users again: their keys depend on the engine id.",
        "Take engine id, keys and certificates out of the image or export that devices are set up from.",
    ),
    confirm="Scan again: snmp-shared-engine-id shows pass for every device of the set.",
    needs_first="The SNMPv3 passwords, since users must be entered again.",
    stops_working="SNMPv3 readings of the device until its users are entered again; receivers of its SNMPv3 notifications, whose keys belong to the old id (RFC 3414).",
    ask="The monitoring team, and the team that clones settings.",
    undo="None needed: collectors discover the new id; enter it at receivers of notifications.",
    lock_out=_NO_LOCK,
)

SNMP_VIEW = Remedy(
    id="snmp-view-narrow",
    title="Exclude the access and user tables from SNMP views",
    steps=(
        "Restrict the view of every community to what collectors read, without the branch snmpModules, where the device can.",
        "Take the write view away from every group of version 1 and 2c; where a tool must write, give it an SNMPv3 user.",
        "Remove the default communities.",
    ),
    confirm="Scan again: snmp-access-table-readable shows pass.",
    needs_first="A list of the objects that collectors and print servers read, and of the tools that set values by SNMP.",
    stops_working="Tools that set values by SNMP, and collectors that read what the view no longer holds.",
    ask=_ASK,
    undo="Give the old view back in the same place.",
    lock_out=_NO_LOCK,
)

SNMP_NOTIFICATIONS = Remedy(
    id="snmp-notifications-v3",
    title="Send SNMP notifications by version 3, to approved receivers only",
    steps=(
        (
            "On the receiver, create an SNMPv3 user for notifications, with authentication and privacy, under the device's engine id: "
            "the sender of a trap is authoritative (RFC 3414)."
        ),
        "In the device's notification or trap settings, enter that user, and see that a test notification arrives.",
        "Delete every receiver of version 1 or 2c, and every receiver that is not approved.",
    ),
    confirm="Scan again: snmp-notifications-in-clear shows pass.",
    needs_first="A receiver that takes SNMPv3, and its address on the list of approved receivers.",
    stops_working="Alerts to receivers that take version 1 or 2c alone: supplies, faults, service calls.",
    ask="The monitoring team, the supplies contract, the service technician.",
    undo="Enter the old receiver again in the same place.",
    lock_out=_NO_LOCK,
)
