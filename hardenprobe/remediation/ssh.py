"""Remedies for SSH. General words: every device calls its settings something else.

The impact of a change is common practice (no published requirement), and depends on the model.
"""

from __future__ import annotations

from hardenprobe.model import Remedy

SSH_OFF = Remedy(
    id="ssh-protocol-2-only",
    title="Leave only protocol 2 of SSH on, or switch SSH off",
    steps=(
        "If the device is not administered over SSH, switch it off in the network or protocol settings.",
        "Where it must stay, set the protocol to version 2 only.",
        "Where neither can be set, look for a firmware release, and let only the administrators' network reach the port.",
    ),
    confirm="Scan again: ssh-legacy-protocol shows pass; the identification begins with SSH-2.0.",
    needs_first="Administration over HTTPS works, or every SSH client in use speaks protocol 2.",
    stops_working="Clients from before 2006 and scripts that ask for protocol 1 by name.",
    ask="The authors of scripts for the device, and the service technician.",
    undo="Switch the former setting on again in the same place.",
    lock_out="If SSH is the only way in: keep one session open and try a second with protocol 2.",
)

SSH_ALGORITHMS = Remedy(
    id="ssh-algorithms-limit",
    title="Disable deprecated SSH algorithms",
    steps=(
        "In the device's security settings, deselect the key exchange methods, ciphers and MACs that the finding names.",
        "Keep curve25519-sha256 or diffie-hellman-group14-sha256, a cipher of the aes-ctr or aes-gcm family, and hmac-sha2-256.",
        "Where there is no such choice, look for a firmware release, or switch SSH off if it is not needed.",
    ),
    confirm="Scan again: the SSH check that failed shows pass; the clients in use still connect.",
    needs_first="The clients and agents in use are known to share an algorithm of those that stay.",
    stops_working="Old SSH clients, fleet agents and backup scripts that know nothing newer.",
    ask="The authors of scripts that sign in over SSH, configuration backup among them.",
    undo="Choose the former set in the same place.",
    lock_out="A client that shares no algorithm cannot sign in: keep one session open and try a second.",
)

SSH_HOST_KEY = Remedy(
    id="ssh-host-key-replace",
    title="Give the device an SSH host key of its own",
    steps=(
        "In the device's security settings, create a new host key: Ed25519, ECDSA on P-256, or RSA of 2048 bits or more.",
        "Remove DSA keys and shorter RSA keys.",
        (
            "Where keys cannot be made, look for a firmware release. A reset of the security settings often makes them anew, and takes "
            "certificates, allow-lists and passwords with it: export the settings first, and do it at the panel."
        ),
        "Note the new fingerprint, and bring known-hosts files up to date over a path that you trust.",
    ),
    confirm="Scan again: ssh-weak-host-key and ssh-shared-host-key show pass.",
    needs_first="A list of the clients that remember the old key.",
    stops_working="Clients and scripts that pinned the old key refuse to connect until they learn the new one.",
    ask="The authors of scripts that sign in over SSH, configuration backup among them.",
    undo="None: an old key that is gone stays gone; clients learn the new one.",
    lock_out="Clients with strict host key checking refuse the device until the new key is known to them; a reset may restore the default password and address.",
    after=("ssh-algorithms-limit",),
)

SSH_STRICT = Remedy(
    id="ssh-strict-key-exchange",
    title="Update the firmware, or disable the vulnerable ciphers",
    steps=(
        "Look for a firmware release that names CVE-2023-48795 or strict key exchange.",
        (
            "Until it is there, deselect chacha20-poly1305, and the CBC ciphers where encrypt-then-MAC is on; aes-gcm and aes-ctr "
            "stay."
        ),
        "Update the clients too: the protection holds only where both sides have it.",
    ),
    confirm="Scan again: ssh-prefix-truncation shows pass.",
    needs_first="The clients in use share a cipher of the aes-gcm or aes-ctr family.",
    stops_working="Clients that know only the ciphers switched off; a firmware update may reset settings.",
    ask="The authors of scripts for the device, and the service technician.",
    undo="Choose the former ciphers in the same place; firmware may refuse to go back.",
    lock_out="A client that shares no cipher cannot sign in: keep one session open and try a second.",
    after=("ssh-algorithms-limit",),
)
