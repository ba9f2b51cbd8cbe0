"""Remedies for TLS. General words: every device calls its settings something else.

The impact of a change is common practice (no published requirement), and depends on the model.
"""

from __future__ import annotations

from hardenprobe.model import Remedy

TLS_MODERN = Remedy(
    id="tls-current-version",
    title="Enable TLS 1.2 or 1.3",
    steps=(
        "In the device's security settings, switch TLS 1.2 and, where it is offered, TLS 1.3 on.",
        "Where neither is offered, look for a firmware release that brings them.",
        "Where there is none, let only the administrators' network reach the device and plan its replacement.",
    ),
    confirm="Scan again: tls-current-version-missing shows pass.",
    needs_first="Nothing breaks by offering more; read the firmware's release notes if firmware is needed.",
    stops_working="Nothing, as long as older versions stay on.",
    ask="The device's administrators.",
    undo="Switch the version off again in the same place.",
    lock_out="None by the version; a firmware update may restore the default password and address, and a filter must let your own address in, or the panel is left.",
)

TLS_OLD_OFF = Remedy(
    id="tls-old-versions-off",
    title="Disable SSL and TLS 1.0 and 1.1",
    steps=(
        "In the device's security settings, set the lowest TLS version to 1.2.",
        "Send one test scan to each mail, folder and directory server: the switch often holds for both directions.",
    ),
    confirm="Scan again: tls-deprecated-version shows pass; scans still arrive.",
    needs_first="TLS 1.2 is on, and each outbound destination has been tested with it.",
    stops_working="Old browsers and agents; scanning to mail, directory and folder servers that speak nothing newer.",
    ask="The teams that run the mail, directory and file servers, and the users of old workstations.",
    undo="Set the lowest version back in the same place.",
    lock_out="A browser too old for TLS 1.2 no longer reaches the settings: keep one session open and try a current one.",
    after=("tls-current-version",),
)

TLS_SUITES = Remedy(
    id="tls-suites-limit",
    title="Disable weak cipher suites",
    steps=(
        (
            "In the device's security settings, choose the strongest set of ciphers that is offered, or deselect the suites "
            "that the finding names."
        ),
        "Where there is no such choice, look for it as a lowest encryption strength, or for a firmware release.",
        "Prefer suites with ECDHE and GCM; keep one that the print servers and agents share.",
    ),
    confirm="Scan again: tls-weak-cipher and tls-no-forward-secrecy show pass.",
    needs_first="The suites that print servers, agents and browsers use are known to be among those that stay.",
    stops_working="Pinned or old clients, IPPS queues of old systems; jobs in progress drop when the service restarts.",
    ask="The teams that run the print servers and fleet agents.",
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
    confirm="Scan again: tls-weak-parameters shows pass.",
    needs_first="Clients support larger groups, or suites without DHE.",
    stops_working="Very old clients that cannot handle groups above 1024 bits.",
    ask="The teams that run the print servers and fleet agents.",
    undo="Choose the former group in the same place.",
    lock_out="None while another suite works in your browser.",
    after=("tls-old-versions-off",),
)

TLS_CERTIFICATE = Remedy(
    id="tls-certificate-replace",
    title="Install a certificate that the clients trust",
    steps=(
        "Set the device's clock first; a wrong clock makes a good certificate fail.",
        (
            "In the device's certificate settings, create a new key (RSA 2048 or more, or P-256) and a signing request. The private key "
            "stays in the device: where it must be made elsewhere or exported, anyone who holds the file can pass as the device, so protect it "
            "with a passphrase and delete it afterwards."
        ),
        (
            "Ask for every name that people use as subject alternative names: the full DNS name, the short name and the IP address "
            "where queues or bookmarks use them."
        ),
        (
            "Have it signed with SHA-256 by your own authority, with serverAuth as extended key usage, and clientAuth too where "
            "802.1X uses it."
        ),
        (
            "Install the certificate together with every intermediate certificate up to the root, and choose it for the web server "
            "and for IPPS; note the day on which it ends."
        ),
    ),
    confirm="Scan again: the certificate checks show pass; a browser opens the settings without a warning.",
    needs_first="Your authority's root is on the clients; the device is reached by a name.",
    stops_working="Clients that pinned the old certificate, IPPS queues, 802.1X where it uses the same certificate; jobs "
    "drop when the service restarts: do it out of hours. A device that keeps one key alone loses the old certificate with the request.",
    ask="The teams that run the authority, the print servers and 802.1X.",
    undo="Choose the former certificate again; leave it in the device until the new one has proved itself. Never export its private key for that.",
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
    ask="The device's administrators, and the service technician.",
    undo="Often impossible: firmware may refuse to go back.",
    lock_out="A reset may restore the default password and address: know the panel's way in.",
)

TLS_COMPRESSION_OFF = Remedy(
    id="tls-compression-off",
    title="Switch TLS compression off",
    steps=(
        "In the device's security settings, switch compression of TLS off, where there is such a setting.",
        "Otherwise look for a firmware release that leaves compression out; TLS 1.3 alone has none.",
    ),
    confirm="Scan again: tls-compression shows pass.",
    needs_first="Nothing: clients go on without compression.",
    stops_working="Nothing by the setting; a firmware update can reset settings.",
    ask="The device's administrators.",
    undo="Switch it on again in the same place.",
    lock_out="None by the setting; a firmware update may restore the default password and address: know the panel's way in.",
)

TLS_RENEGOTIATION = Remedy(
    id="tls-renegotiation-secure",
    title="Allow secure renegotiation only",
    steps=(
        "In the device's security settings, switch insecure renegotiation off, or renegotiation as a whole.",
        "Otherwise look for a firmware release that answers with renegotiation_info (RFC 5746); TLS 1.3 alone has no renegotiation.",
        "Until then, let no client certificate sign in to the settings: what is sent before the second handshake is not whose it seems.",
    ),
    confirm="Scan again: tls-insecure-renegotiation shows pass.",
    needs_first="Clients that know RFC 5746, which all current ones do.",
    stops_working="Very old clients that refuse servers with secure renegotiation; sign-in by client certificate where renegotiation goes off.",
    ask="The teams that run the print servers and fleet agents.",
    undo="Switch it on again in the same place.",
    lock_out="A browser that signs in by client certificate may not reach the settings: keep one session open.",
)

TLS_RSA_OFF = Remedy(
    id="tls-rsa-exchange-off",
    title="Switch RSA key exchange off, then update the firmware",
    steps=(
        (
            "In the device's security settings, switch every suite whose name begins with TLS_RSA off at once: without them the oracle "
            "has nothing to decrypt."
        ),
        "Then find the firmware release that fixes the vulnerability; read its notes for staged steps and settings that are reset.",
        "Where the suites cannot be switched off, let only the administrators' network reach the port until the update.",
        "Replace the certificate's key where the same key was used for RSA key exchange elsewhere.",
    ),
    confirm="Ask again at reach strain: tls-rsa-padding-oracle and, for static RSA, tls-no-forward-secrecy show pass.",
    needs_first="Clients and print servers share a suite with ECDHE.",
    stops_working="Very old clients that know RSA key exchange alone.",
    ask="The administrators of print servers and fleet agents, and the service technician.",
    undo="Choose the former suites in the same place; firmware may refuse to go back.",
    lock_out="A browser that shares no suite no longer reaches the settings: keep one session open; a filter must let your own "
    "address in, or the panel is left.",
)
