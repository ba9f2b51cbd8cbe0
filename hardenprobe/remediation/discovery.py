"""Remedies for discovery and for small old services. General words: every device calls its settings something else.

The impact of a change is common practice (no published requirement), and depends on the model.
"""

from __future__ import annotations

from hardenprobe.model import Remedy
from hardenprobe.remediation.general import LISTED_OUT, LOCK_OUT, WHOLE_DEVICE

DISCOVERY_OFF = Remedy(
    id="discovery-off",
    title="Disable discovery protocols where they are not needed",
    steps=(
        (
            "Move scan to folder destinations, and whatever else the device reaches by a short name, to full DNS names: with "
            "NetBIOS and LLMNR off, a short name no longer leads anywhere."
        ),
        "Give print servers and workstations queues with a fixed DNS name.",
        "In the network settings, switch off the discovery protocols that the findings name.",
        "Where phones must find the device, keep the one protocol that they use, on the link of the phones alone.",
    ),
    confirm="Scan again: the discovery checks show pass, their ports unreachable; a test scan still arrives in its folder.",
    needs_first="Queues that name the device instead of searching for it.",
    stops_working="Phone and driverless printing, web-service and name-based queues, set-up tools that search, scan to folder by short name.",
    ask="The users who print from phones, the team that sets up workstations, and the owners of the folders that are scanned to.",
    undo="Switch the protocol on again in the same place.",
    lock_out="Low: where the settings are opened by a name that is only discovered (.local), note the DNS name or the address first.",
)

DISCOVERY_CREDENTIALS = Remedy(
    id="discovery-credentials-remove",
    title="Remove credentials from published service records",
    steps=(
        "In the settings of the service that the record belongs to, delete the published user name and password.",
        "Change that password wherever it is used: everybody on the network could read it.",
        "Where the record cannot be changed, switch multicast DNS off.",
    ),
    confirm="Scan again: discovery-credentials shows pass.",
    needs_first="The new password is in the vault, and the users of the service have it.",
    stops_working="Clients that signed in with what they read from the record.",
    ask="The users of the service that the record names.",
    undo="There is no way back: the old password is public.",
    lock_out="If the published password was the administrator's, set the new one before the record goes.",
)

NTP_CONTROL_OFF = Remedy(
    id="ntp-control-off",
    title="Disable responses to NTP control queries",
    steps=(
        "If the device only needs the time itself, switch its time server off and keep the client.",
        "Where it must serve time, restrict control and private queries to the device itself.",
        (
            "Where there is no such setting, look for a firmware release, or filter 123/udp towards the device, and let the replies "
            "of its own time servers through, which come from 123/udp too."
        ),
    ),
    confirm="Scan again: ntp-control-reply shows pass.",
    needs_first="The device still reaches its own time source.",
    stops_working="Monitoring that reads a time server's variables; devices that take their time from this one.",
    ask="The team that runs the time service and its monitoring.",
    undo="Take the restriction away in the same place.",
    lock_out="None at once; a filter that stops the device's own time makes certificates and sign-in by directory fail later.",
)

TFTP_OFF = Remedy(
    id="tftp-off",
    title="Switch the TFTP server off",
    steps=(
        "In the network settings, switch the TFTP server off.",
        "If firmware or settings arrive that way, move them to HTTPS first.",
    ),
    confirm="Scan again: cleartext-tftp shows pass.",
    needs_first="Another way for firmware and settings.",
    stops_working="Firmware and settings by TFTP, and tools that fetch from the device.",
    ask="The team that updates the fleet, and the service technician.",
    undo="Switch the TFTP server on again in the same place.",
    lock_out="None: TFTP is not how the settings are reached.",
)

SMALL_SERVICES_OFF = Remedy(
    id="small-services-off",
    title="Disable obsolete small services and remote shells",
    steps=(
        "In the network or protocol settings, switch off the services that the findings name.",
        "Where they have no switch, let only the administrators' network reach those ports, or look for firmware.",
    ),
    confirm="Scan again: cleartext-small-services, udp-small-services and cleartext-remote-shell show pass.",
    needs_first="Nothing, unless a script uses a remote shell: then another way for it.",
    stops_working="Scripts that print or copy by remote shell; hardly anything uses the others.",
    ask="The authors of scripts for the device.",
    undo="Switch the service on again in the same place.",
    lock_out="None while HTTPS administration or the panel works.",
)

LPD_OFF = Remedy(
    id="lpd-off",
    title="Disable LPD, or restrict it to print servers",
    steps=(
        "Read the queue ports on the print servers and hosts, to learn who prints by LPD.",
        "Move those queues to IPP over TLS, one pilot first.",
        "Then switch LPD off; where a host cannot move, admit only its address to 515/tcp.",
        WHOLE_DEVICE,
    ),
    confirm="Scan again: cleartext-print-lpd shows pass from where users sit; a test page still prints.",
    needs_first="Every queue that prints by LPD is known.",
    stops_working=f"Host, warehouse and old script queues. {LISTED_OUT}",
    ask="The teams that run the print servers, the hosts and the warehouse.",
    undo="Switch LPD on again in the same place; clear the list at the panel where it shuts you out.",
    lock_out=LOCK_OUT,
)

SMB1_OFF = Remedy(
    id="smb1-off",
    title="Disable SMB version 1",
    steps=(
        "See that every file server that the device scans to speaks SMB 2 or later.",
        "In the network or SMB settings, switch version 1 off, for server and client where they are apart.",
    ),
    confirm="Scan again: smb1-dialect shows pass; a test scan still arrives.",
    needs_first="The file servers speak SMB 2 or later.",
    stops_working="Scanning to old file servers; often one switch for both directions.",
    ask="The team that runs the file servers.",
    undo="Switch version 1 on again in the same place.",
    lock_out="None: SMB is not how the settings are reached.",
)

SMB_SIGNING = Remedy(
    id="smb-signing-require",
    title="Require SMB signing, or disable the SMB server",
    steps=(
        "If folders on the device are not used, switch its SMB server off; scanning to a folder does not need it.",
        "Otherwise require signing in the SMB settings.",
    ),
    confirm="Scan again: smb-signing-not-required shows pass or not applicable; a test scan still arrives in its folder.",
    needs_first="Clients that open folders on the device can sign.",
    stops_working="Clients too old to sign; printing through the device's own SMB queue where the server goes off.",
    ask="The users of folders on the device.",
    undo="Take the requirement away in the same place.",
    lock_out="None: SMB is not how the settings are reached.",
)

REMOTE_SCREEN_CLOSE = Remedy(
    id="remote-screen-close",
    title="Close the remote screen, or protect it",
    steps=(
        "In the settings for remote operation, switch the remote panel off if it is not needed.",
        (
            "Otherwise set a password for it, choose a security type with TLS, and switch the others off; admit only the help desk. Where "
            "that list is one for the whole device, enter your own address first."
        ),
        "Where it has no encryption, reach it through an encrypted tunnel from the administrators' network, or leave it off.",
    ),
    confirm="Scan again: remote-screen-open and remote-screen-in-clear show pass.",
    needs_first="The help desk has another way, or the new password.",
    stops_working="Help desk sessions that connect without a password, or with a viewer that does not know TLS.",
    ask="The help desk and the service technician.",
    undo="Switch remote operation on again in the same place.",
    lock_out="Low while HTTPS administration or the panel works; a list for the whole device can shut you out of the first.",
)
