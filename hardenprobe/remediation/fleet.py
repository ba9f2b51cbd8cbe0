"""Remedies for time, firmware, inventory, segments and lists. General words: every device calls its settings something else.

The impact of a change is common practice (no published requirement), and depends on the model.
"""

from __future__ import annotations

from hardenprobe.model import Remedy

SEPARATE_NETWORKS = Remedy(
    id="one-network-only",
    title="Leave the device in one network only",
    steps=(
        "Switch off the interfaces that are not needed: wireless, direct wireless, the second wired port.",
        "Switch forwarding between interfaces off.",
        "Where two networks must print, let a print server stand between them.",
    ),
    confirm="Scan again: device-bridges-networks and wireless-beside-wire show pass.",
    needs_first="It is known who prints over which interface.",
    stops_working="Walk-up printing from phones, and users of the other interface.",
    ask="The network team and the users of the device.",
    undo="Switch the interface on again.",
    lock_out="Do not switch off the interface that you are connected over.",
)

CHANNELS_MATCH = Remedy(
    id="print-channels-match",
    title="Align the print channels with the open ports",
    steps=(
        "Compare the print channels that the device names with the services in its settings.",
        "Switch off what is open and not needed; find out what filters a port that should be open.",
    ),
    confirm="Scan again: channel-contradiction shows pass.",
    needs_first="A list of the queues that print to the device.",
    stops_working="Queues on the channel that is switched off.",
    ask="The print server's administrator.",
    undo="Switch the channel on again.",
    lock_out="None: channels are for printing.",
)

IDENTITY_OWN = Remedy(
    id="identity-own",
    title="Find and correct duplicate serial numbers",
    steps=(
        "Go to the devices, and compare the serial numbers on their labels with what they state.",
        "Where it is one device with several addresses, list the addresses under one entry of the inventory.",
        "Where settings were copied from one device to another, restore the identity of the copy from its documentation.",
    ),
    confirm="Scan again: identity-shared shows pass for every device of the set.",
    needs_first="Somebody on site who can read the labels.",
    stops_working="Nothing; what identifies the device by the old number must learn the new one.",
    ask="The owner of the inventory, and the team that sets devices up from copies.",
    undo="None needed.",
    lock_out="None: no access changes.",
)

CLOCK_SET = Remedy(
    id="clock-set",
    title="Synchronise the clock with the site's time service",
    steps=(
        "In the date and time settings, enter the site's time servers and the time zone.",
        "Where the address comes by DHCP, see which time server that names: DHCP option 42 can overwrite what was entered.",
        "See that 123/udp from the device to them is open.",
    ),
    confirm="Scan again: clock-skew shows pass.",
    needs_first="A time service that the device may reach.",
    stops_working="Nothing; scheduled jobs move to the right hour.",
    ask="The team that runs the time service.",
    undo="Remove the time servers.",
    lock_out="Certificates and sign-in by directory depend on time: a wrong setting can refuse both.",
)

FIRMWARE_UPDATE = Remedy(
    id="firmware-update",
    title="Update the firmware to the minimum required version",
    steps=(
        "Read the release notes for staged hops and for settings that an update resets.",
        "Export the settings, update one device, and let people print and scan for some days.",
        "Update the others out of hours, and scan them again: settings may be back at their defaults.",
    ),
    confirm="Scan again: firmware-below-floor shows pass, and nothing that was closed is open again.",
    needs_first="A backup of the settings, and the device's service contract.",
    stops_working="Settings that are reset, supplies or panel apps that new firmware refuses.",
    ask="The service technician and the owner of the panel apps.",
    undo="Often impossible: many devices refuse older firmware.",
    lock_out="A reset can bring back a default password or switch off HTTPS: have access to the panel.",
)

INVENTORY_MATCH = Remedy(
    id="inventory-match",
    title="Reconcile the inventory with the network",
    steps=(
        "Find the device, or find out who removed, moved or switched it off.",
        "Correct its entry: address, serial, place; or take it out of the inventory, and its data off the device.",
        "Enter a device that is not in the inventory, with an owner; or unplug it.",
    ),
    confirm="Scan again with the corrected inventory.",
    needs_first="Somebody who answers for the inventory.",
    stops_working="Printing to a device that is not in the inventory, if it is unplugged.",
    ask="The owner of the place, and the manager of leases.",
    undo="Restore the entry.",
    lock_out="None.",
)

SEGMENT_FILTER = Remedy(
    id="segment-filter",
    title="Filter between the segments as the policy says",
    steps=(
        "Compare the policy of the segments with the filter rules between them.",
        "Close what is forbidden, open what is needed, at the filter or in the device's list of admitted sources; there, your own address first.",
    ),
    confirm="Scan again from the same segment: segment-reach shows pass.",
    needs_first="It is known who uses the service from that segment.",
    stops_working="Users who reached the device from other segments.",
    ask="The network team and the print server's administrator.",
    undo="Restore the rule.",
    lock_out="Keep your own address and the administrators' segment open to the settings; otherwise only the panel is left.",
)

ALLOW_LIST_ADMIT = Remedy(
    id="allow-list-admit",
    title="Make the device's allow-list admit the declared sources",
    steps=(
        "From a source that is admitted, or at the panel, compare the list in the device with the inventory.",
        "Correct whichever is wrong; look at filters in the network too.",
    ),
    confirm="Ask again from the approved source: allow-list-locks-out shows pass.",
    needs_first="Access from some admitted source, or to the panel.",
    stops_working="Nothing that worked before.",
    ask="The network team and the device's administrators.",
    undo="Restore the old list.",
    lock_out="Your access may be blocked already: know how to clear the list at the panel.",
)

ALLOW_LIST_TIDY = Remedy(
    id="allow-list-tidy",
    title="Correct the malformed entries of the allow-list",
    steps=(
        "Enter your own address first, and keep a second session open.",
        "Write each entry as an address or a block whose bits right of the prefix are zero; drop doubles.",
        "Where IPv6 is on, add the IPv6 sources, or switch IPv6 off if it is not used.",
    ),
    confirm="Copy the new list into the inventory and judge again: allow-list-malformed shows pass.",
    needs_first="It is known which sources each entry was meant to admit.",
    stops_working="Sources that were admitted only through the faulty entry; link-local driverless printing, if IPv6 goes off.",
    ask="The network team.",
    undo="Enter the old list again.",
    lock_out="Your own address missing from the list: know how to clear it at the panel before you begin.",
)

ALLOW_LIST_IPV6 = Remedy(
    id="allow-list-ipv6",
    title="Guard IPv6 as IPv4 is guarded",
    steps=(
        "In the access control settings, fill the list for IPv6 with the same sources.",
        "Where the device has no list for IPv6, filter it in the network, or switch IPv6 off if it is not used.",
    ),
    confirm="Ask again over both families: allow-list-ipv6-bypass shows pass.",
    needs_first="The IPv6 addresses of administrators, print servers and collectors are known.",
    stops_working="Link-local driverless printing, if IPv6 goes off.",
    ask="The network team.",
    undo="Clear the IPv6 list, or switch IPv6 on again.",
    lock_out="An IPv6 list without your own address: keep a session over IPv4 open.",
)

STATEMENT_RENEWED = Remedy(
    id="statement-renewed",
    title="Find out who is right, and state anew what is so",
    steps=(
        "Show the observation to the author of the attestation.",
        "Apply the remediation of the contradicting check, or withdraw the attestation with `hardenprobe statement end`.",
        "Once it is fixed, attest it again, by test where that is possible, with a file that shows it.",
    ),
    confirm="Scan again: statement-contradicted shows pass, and so does the exposure's own check.",
    needs_first="The author of the attestation, or the successor, can be reached.",
    stops_working="Nothing by itself; see the remedy of the exposure.",
    ask="The author of the attestation.",
    undo="Statements are never erased; make another one.",
    lock_out="None.",
)

NETWORK_PORT_AUTHENTICATION = Remedy(
    id="network-port-authenticate",
    title="Let the device authenticate itself to the network",
    steps=(
        "Issue the device a certificate for IEEE 802.1X (clientAuth), and give it the authority of the authentication server.",
        "In the network settings, switch IEEE 802.1X on with EAP-TLS, on one pilot device and one pilot port.",
        "On the switch, require authentication on the port, and see that the device comes back after a restart.",
    ),
    confirm="Scan again: network-port-not-authenticated shows pass; the switch shows the port as authorized.",
    needs_first="An authentication server, an authority for device certificates, and switches that do IEEE 802.1X.",
    stops_working="The device is off the network while certificate, clock or server do not fit; so is what hangs behind its port.",
    ask="The network team.",
    undo="Take the requirement off the switch port, then off the device, at the panel.",
    lock_out="A wrong clock, or a certificate that is wrong or has ended, takes the device off the network: note the day, and have the switch port and the panel at hand.",
)

IPV6_PRIVACY = Remedy(
    id="ipv6-stable-opaque",
    title="Give the device IPv6 addresses that tell nothing, and switch forwarding off",
    steps=(
        "In the IPv6 settings, choose stable opaque addresses (RFC 7217), DHCPv6 or a manual address, where the device can.",
        "Switch IPv6 forwarding off; where the device cannot, filter at the switch.",
        "Enter the new address in names, queues and allow-lists, then remove the old one.",
    ),
    confirm="Scan again: ipv6-exposure shows pass.",
    needs_first="It is known who reaches the device over IPv6, and by which name.",
    stops_working="Queues, monitoring and allow-lists that hold the old address.",
    ask="The network team and the print server's administrator.",
    undo="Choose the old kind of address again.",
    lock_out="Low: the IPv4 address stays; without one, have the panel at hand.",
)
