"""Remedies for TLS. General words: every device calls its settings something else.

What a change breaks is common practice, no source, and depends on the model.
"""

from __future__ import annotations

from hardenprobe.model import Remedy

TLS_MODERN = Remedy(
    id="tls-current-version",
    title="Let the device speak TLS 1.2 or 1.3",
    steps=(
        "In the device's security settings, switch TLS 1.2 and, where it is offered, TLS 1.3 on.",
        "Where neither is offered, look for a firmware release that brings them.",
        "Where there is none, let only the administrators' network reach the device and plan its replacement.",
    ),
    confirm="Ask again: tls-current-version-missing shows pass.",
    needs_first="Nothing breaks by offering more; read the firmware's release notes if firmware is needed.",
    stops_working="Nothing, as long as older versions stay on.",
    ask="Whoever administers the device.",
    undo="Switch the version off again in the same place.",
    lock_out="None.",
)

TLS_OLD_OFF = Remedy(
    id="tls-old-versions-off",
    title="Switch SSL and TLS 1.0 and 1.1 off",
    steps=(
        "In the device's security settings, set the lowest TLS version to 1.2.",
        "Send one test scan to each mail, folder and directory server: the switch often holds for both directions.",
    ),
    confirm="Ask again: tls-deprecated-version shows pass; scans still arrive.",
    needs_first="TLS 1.2 is on, and each outbound destination has been tested with it.",
    stops_working="Old browsers and agents; scanning to mail, directory and folder servers that speak nothing newer.",
    ask="Whoever runs the mail, directory and file servers, and the users of old workstations.",
    undo="Set the lowest version back in the same place.",
    lock_out="A browser too old for TLS 1.2 no longer reaches the settings: keep one session open and try a current one.",
    after=("tls-current-version",),
)

TLS_SUITES = Remedy(
    id="tls-suites-limit",
    title="Leave only strong cipher suites on",
    steps=(
        (
            "In the device's security settings, choose the strongest set of ciphers that is offered, or deselect the suites "
            "that the finding names."
        ),
        "Where there is no such choice, look for it as a lowest encryption strength, or for a firmware release.",
        "Prefer suites with ECDHE and GCM; keep one that the print servers and agents share.",
    ),
    confirm="Ask again: tls-weak-cipher and tls-no-forward-secrecy show pass.",
    needs_first="The suites that print servers, agents and browsers use are known to be among those that stay.",
    stops_working="Pinned or old clients, IPPS queues of old systems; jobs in progress drop when the service restarts.",
    ask="Whoever runs the print servers and fleet agents.",
    undo="Choose the former set in the same place.",
    lock_out="A browser that shares no suite no longer reaches the settings: keep one session open and try a second.",
    after=("tls-old-versions-off",),
)

TLS_PARAMETERS = Remedy(
    id="tls-parameters-raise",
    title="Use larger Diffie-Hellman groups and curves",
    steps=(
        "In the device's security settings, choose a Diffie-Hellman group of 2048 bits or more, or switch DHE suites off.",
        "Switch curves below 224 bits off where the device lists curves.",
        "Where there is no such setting, look for a firmware release.",
    ),
    confirm="Ask again: tls-weak-parameters shows pass.",
    needs_first="Clients support larger groups, or suites without DHE.",
    stops_working="Very old clients that cannot handle groups above 1024 bits.",
    ask="Whoever runs the print servers and fleet agents.",
    undo="Choose the former group in the same place.",
    lock_out="None while another suite works in your browser.",
    after=("tls-old-versions-off",),
)

TLS_CERTIFICATE = Remedy(
    id="tls-certificate-replace",
    title="Give the device a certificate of its own from an authority that the clients trust",
    steps=(
        "Set the device's clock first; a wrong clock makes a good certificate fail.",
        (
            "In the device's certificate settings, create a new key (RSA 2048 or more, or P-256) and a signing request with "
            "the device's names as subject alternative names."
        ),
        "Have it signed with SHA-256 by your own authority, and install the certificate with its chain.",
        "Choose it for the web server and for IPPS, and note the day on which it ends.",
    ),
    confirm="Ask again: the certificate checks show pass; a browser opens the settings without a warning.",
    needs_first="Your authority's root is on the clients; the device is reached by a name.",
    stops_working="Clients that pinned the old certificate, IPPS queues, 802.1X where it uses the same certificate; jobs "
    "drop when the service restarts: do it out of hours.",
    ask="Whoever runs the authority, the print servers and 802.1X.",
    undo="Choose the former certificate; export it first where the device allows it.",
    lock_out="With Strict-Transport-Security on, a certificate that browsers refuse cannot be passed by: switch it off first.",
    after=("tls-current-version",),
)

TLS_FIRMWARE = Remedy(
    id="tls-firmware-update",
    title="Update the firmware that carries the TLS flaw",
    steps=(
        "Read the release notes for staged steps, settings that are reset, and supplies or apps that are refused.",
        "Update one device, look it over, then the rest.",
        "After a flaw that leaks memory or keys, replace the certificate's key and the passwords that were in use.",
    ),
    confirm="Ask again at reach strain: the check shows pass.",
    needs_first="A settings backup, and the release notes read.",
    stops_working="Settings may be reset; staged hops may be needed; supplies or apps may be refused.",
    ask="Whoever administers the device, and the service technician.",
    undo="Often impossible: firmware may refuse to go back.",
    lock_out="A reset may restore the default password and address: know the panel's way in.",
)
