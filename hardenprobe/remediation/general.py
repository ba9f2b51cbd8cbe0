"""Remediations that several checks share. General words: every device calls its settings something else.

The impact of a change is common practice (no published requirement), and depends on the model.
"""

from __future__ import annotations

from hardenprobe.model import Remedy

# Lists of admitted sources are often one for the whole device; common practice (no published requirement).
WHOLE_DEVICE = (
    "Find out whether the list of admitted sources holds for this service or for the whole device. For the whole device, enter "
    "your own address first, then those of administrators, print servers and collectors, and of the servers whose replies "
    "scan to folder, to mail and sign-in wait for."
)
LISTED_OUT = "Administrators, collectors and the replies that scan to folder waits for, where a list for the whole device forgets them."
LOCK_OUT = (
    "A list for the whole device shuts out everyone who is not on it: your own address first, a second session open, and know how to "
    "clear the list at the panel before you begin."
)

TELNET_OFF = Remedy(
    id="telnet-off",
    title="Disable Telnet",
    steps=(
        "Sign in to the device by another means: HTTPS if it has it, else SSH, else its control panel.",
        "In the network or protocol settings, disable the Telnet server.",
        "Where a tool still needs a command line, use SSH if the device has it.",
    ),
    confirm="Scan again: `hardenprobe scan` shows cleartext-telnet as pass, off on the scanned ports.",
    needs_first="Another means of administration works: HTTPS or SSH from the administrators' network, or the control panel.",
    stops_working="Scripts and service tools that sign in by Telnet.",
    ask="The authors of scripts for the device, and the service technician.",
    undo="Switch the telnet server on again in the same place.",
    lock_out="Low while another means of administration works; prove that first. Without one, only the control panel is left.",
)

FTP_OFF = Remedy(
    id="ftp-off",
    title="Disable the FTP server, or require TLS",
    steps=(
        "In the network or protocol settings, switch the FTP server off.",
        "If jobs or firmware arrive by FTP and cannot move, demand TLS in the FTP settings instead.",
    ),
    confirm="Scan again: cleartext-ftp shows pass.",
    needs_first="Another way to print and to update for those who use FTP.",
    stops_working="Printing and firmware updates by FTP. Scanning to an FTP server is the other direction and goes on.",
    ask="The users of the device, and the service technician.",
    undo="Switch the FTP server on again in the same place.",
    lock_out="None: FTP is not how the settings are reached.",
)

HTTP_TO_HTTPS = Remedy(
    id="http-to-https",
    title="Serve the settings pages over HTTPS only",
    steps=(
        "In the web server or security settings, switch HTTPS on and prove it from the administrators' network, with a browser of today.",
        "Then switch plain HTTP off, or set it to redirect to HTTPS on the device.",
    ),
    confirm="Scan again: cleartext-http-management shows pass; a browser asked for http:// ends on https://.",
    needs_first="HTTPS answers from the administrators' network with TLS 1.2 or later, which browsers demand, best with a certificate that they trust.",
    stops_working="Panel apps, some driverless printing and scanning, tools and old browsers that know plain HTTP alone.",
    ask="The device's administrators, and the owners of its panel apps.",
    undo="Switch plain HTTP on again over HTTPS or at the panel.",
    lock_out="If HTTPS does not work when HTTP goes off, only the panel is left: keep one session open and try HTTPS first.",
    after=("tls-current-version",),
)

RAW_PRINT_LIMIT = Remedy(
    id="raw-print-limit",
    title="Disable raw printing, or restrict it to print servers",
    steps=(
        (
            "Read on the print servers which queues use the raw port, and ask what else does: pull-print and accounting servers, "
            "output management, label software, tools that load firmware and fonts."
        ),
        "Move one pilot queue to IPP over TLS, then the others.",
        "In the device's port settings, switch raw printing off; where it must stay, admit only the addresses of those servers.",
        WHOLE_DEVICE,
        (
            "In an office without a print server: give the computers queues over IPP with TLS, and then switch raw printing off; "
            "there is no address to admit."
        ),
    ),
    confirm="Scan again from a client's network: cleartext-print-raw shows pass; print one page from each queue.",
    needs_first="Queues over IPP with TLS, tried on one pilot device.",
    stops_working=f"Most print-server queues, pull-print, label software, firmware and fonts that are loaded by the raw port. {LISTED_OUT}",
    ask="The print server's administrator, the owners of accounting, output management, label and line-of-business software.",
    undo="Switch raw printing on again in the same place; clear the list at the panel where it shuts you out.",
    lock_out=LOCK_OUT,
)

PRINT_PORTS_LIMIT = Remedy(
    id="print-ports-limit",
    title="Disable print ports without a queue, and restrict the others to print servers",
    steps=(
        (
            "The device has no TLS, so that no queue of it can be encrypted. Read on the print servers which queues use raw printing and "
            "LPD, and ask what else does: pull-print and accounting servers, output management, label software, host systems."
        ),
        "In the device's port settings, switch the print ports off that nothing uses.",
        "For the others, admit only the addresses of those servers, in the device or at the switch.",
        WHOLE_DEVICE,
        (
            "In an office without a print server: put the device into a network segment of its own, print through a computer that may "
            "reach it, and plan the replacement."
        ),
    ),
    confirm="Scan again from a client's network: cleartext-print-raw and cleartext-print-lpd show pass; print one page from each queue.",
    needs_first="Every queue that prints by raw printing or LPD is known.",
    stops_working=f"Printing from computers straight to the device, and from every server that was forgotten. {LISTED_OUT}",
    ask="The print server's administrator, the network team, the owners of label, host and line-of-business software.",
    undo="Switch the port on again in the same place; clear the list at the panel where it shuts you out.",
    lock_out=LOCK_OUT,
)

CLOSE_PORT = Remedy(
    id="unneeded-services-off",
    title="Disable services that are not needed",
    steps=(
        "For each port named, find out which service it is and who uses it.",
        "In the network or protocol settings, switch off what is not needed.",
        "Enter what must stay in the baseline, with its reason, so that it is not reported again.",
    ),
    confirm="Scan again: unexpected-service no longer names the port.",
    needs_first="A list of what the site needs from this kind of device.",
    stops_working="Clients of the service: without LPD, host, warehouse and old script queues.",
    ask="The print server's administrator and the owners of host systems.",
    undo="Switch the service on again in the same place.",
    lock_out="Keep HTTPS administration; switch services off one at a time.",
    general=True,
)

SNMP_V3 = Remedy(
    id="snmp-v3-on",
    title="Configure SNMPv3 with authentication and privacy",
    steps=(
        (
            "In the SNMP settings, create one SNMPv3 user for the monitoring, with authentication and privacy, and passphrases of 8 or "
            "more characters (RFC 3414 section 11.2), one for each purpose."
        ),
        "Choose AES for privacy and SHA-2 for authentication where the device has them.",
        "Delete the template users that came with the device or its image.",
        "Enter the same user in every collector and see that readings arrive.",
    ),
    confirm="Read sysName with the new user at the level authPriv; then scan again: snmp-v3-missing shows pass.",
    needs_first="Collectors that speak SNMPv3.",
    stops_working="Nothing by itself: versions 1 and 2c go on until they are switched off.",
    ask="The monitoring team, and the readers of meters and supplies.",
    undo="Delete the user.",
    lock_out="None: SNMP is not how the settings are reached.",
)

SNMP_COMMUNITY = Remedy(
    id="snmp-default-community-change",
    title="Remove the default SNMP communities",
    steps=(
        "On the print servers, move the print queue's status off SNMP, or to the SNMPv3 user or the new community.",
        "Then, in the SNMP settings, delete the default read and write communities.",
        (
            "Where versions 1 or 2c must stay for a time, set a community that is a secret, read-only, and admit only the collectors. "
            "Where that list holds for the whole device, enter your own address first."
        ),
    ),
    confirm="Scan again: snmp-default-community-read shows no answer to a default community.",
    needs_first="The new community, or the SNMPv3 user, is known to every collector and print server.",
    stops_working="Queues show offline, driver set-up, supplies and meter readings, accounting, monitoring.",
    ask="The print server's administrator, the monitoring team, the supplies contract.",
    undo="Enter the old community again, for as long as it takes to find who needed it.",
    lock_out="SNMP is not how the settings are reached; but a list of admitted sources that holds for the whole device is: know how to clear it at the panel.",
)

SNMP_V1_V2C_OFF = Remedy(
    id="snmp-v1-v2c-off",
    title="Disable SNMP versions 1 and 2c",
    steps=(
        "Switch queue status off SNMP on the print servers, or give it the SNMPv3 user.",
        "See that every collector reads by SNMPv3.",
        "In the SNMP settings, switch versions 1 and 2c off.",
    ),
    confirm="Scan again: snmp-cleartext-version shows no answer to version 1 or 2c.",
    needs_first="SNMPv3 with authentication and privacy on the device and on every collector; queue status off SNMP.",
    stops_working="Queues show offline, driver set-up, supplies and meter readings, accounting, monitoring.",
    ask="The print server's administrator, the monitoring team, the supplies contract.",
    undo="Switch version 2c on again in the same place.",
    lock_out="None: SNMP is not how the settings are reached.",
    after=("snmp-v3-on",),
)

ALLOW_LIST_ENFORCE = Remedy(
    id="allow-list-enforce",
    title="Make the device enforce its allow-list",
    steps=(
        "Enter your own address first, and keep a second session open.",
        "In the access control settings, enter the declared sources and switch the filter on for every listed service.",
        "Restart the service or the device where its documentation says that lists take effect only then.",
    ),
    confirm="Scan again from an address outside the list and from one inside: allow-list-not-enforced shows pass outside, and inside the pages open.",
    needs_first="The addresses of administrators, print servers, monitoring and accounting are known.",
    stops_working="Sources that were forgotten: print servers, monitoring, accounting, yourself.",
    ask="The print server's administrator, the monitoring team, the network team.",
    undo="Switch the filter off, at the panel if need be.",
    lock_out="Your own address missing from the list: know how to clear it at the panel before you begin.",
)

ALLOW_LIST_NARROW = Remedy(
    id="allow-list-narrow",
    title="Narrow the allow-list to the approved networks",
    steps=(
        "Enter your own address first, and keep a second session open.",
        "Replace the entries that admit more than the approved networks by the approved ones.",
    ),
    confirm="Enter the new list in the inventory and judge again: allow-list-too-wide shows pass.",
    needs_first="A list of approved networks with an owner.",
    stops_working=f"Clients outside the approved networks. {LISTED_OUT}",
    ask="The network team, and the owners of what is outside.",
    undo="Enter the old list again.",
    lock_out="Your own address missing from the list: know how to clear it at the panel before you begin.",
)

MAIL_DIRECTORY_TLS = Remedy(
    id="mail-directory-off",
    title="Switch mail and directory servers on the device off, or demand TLS before a sign-in",
    steps=(
        "Find out who uses the server: mail to print, internet fax, an address book that other devices read.",
        "Where nobody does, switch the mail (SMTP) or directory (LDAP) server off. The device's own outgoing mail goes on without.",
        "Where it must stay, demand TLS in its settings, so that AUTH or a bind with a password is refused before.",
        "Change the passwords that were sent in clear, on everything that signs in with them.",
    ),
    confirm="Scan again: mail-directory-login-in-clear shows pass.",
    needs_first="A certificate on the device that the clients of the server trust.",
    stops_working="Mail to print and internet fax from senders without TLS; address books that read by LDAP without TLS.",
    ask="The mail administrator, and the users of the address book.",
    undo="Switch the server on again in the same place.",
    lock_out="None: the settings are reached another way.",
)
