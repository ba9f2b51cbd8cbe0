"""Remedies of the web, print, scan and anonymous FTP checks. General words: every device calls its settings something else.

The impact of a change is common practice (no published requirement), and depends on the model.
"""

from __future__ import annotations

from hardenprobe.model import Remedy
from hardenprobe.remediation.general import LISTED_OUT, LOCK_OUT, WHOLE_DEVICE

_ADMINISTRATOR = "The device's administrators."
_PRINT_SERVERS = "The print server's administrator, and users who print without one."

REDIRECT_HOME = Remedy(
    id="redirect-to-own-name",
    title="Let the device redirect to its own name over HTTPS",
    steps=(
        "In the network settings, enter the host name and domain that people use for the device.",
        "In the web server settings, choose the redirect to HTTPS, and clear any address of a portal without an owner.",
    ),
    confirm="Scan again: http-redirect-leaves-device shows pass; a browser asked for http:// ends on https:// of the same device.",
    needs_first="HTTPS answers under the name that is entered.",
    stops_working="The portal's own way to the device, where there is one.",
    ask="The team that runs the portal that the redirect leads to.",
    undo="Enter the old address again in the same place.",
    lock_out="None: the settings stay reachable by address.",
)

ISOLATE_OR_REPLACE = Remedy(
    id="isolate-or-replace",
    title="Enable TLS where there is none, otherwise isolate",
    steps=(
        "Look in the web server or security settings for HTTPS and IPP over TLS, and enable them; prove HTTPS with a browser of today.",
        "Move queues to IPP over TLS, one pilot first; then disable plain HTTP and IPP without TLS.",
        "Where there is no such setting, read the firmware's release notes, and update the device where a newer version has HTTPS.",
        (
            "Otherwise let only the administrators' stations, the print servers and collectors reach it, and admit the replies of the "
            "servers that it scans to and signs in at."
        ),
        "Write its replacement into the budget, and administer it at the panel until then.",
    ),
    confirm="Scan again from a client's network: the device is silent; or management-encryption-missing and cleartext-ipp show pass.",
    needs_first="A network segment of its own, or filters at the switch.",
    stops_working="Direct printing and scanning from the networks that are blocked; queues by ipp:// once IPP without TLS is off.",
    ask="The network team, the print server's administrator, and the users of the device.",
    undo="Open the filter again; switch plain HTTP or IPP on again over HTTPS or at the panel.",
    lock_out="Your own address and those of the administrators must be on the list; otherwise only the panel is left. An update of the firmware may restore the default password and address.",
)

SETTINGS_SIGN_IN = Remedy(
    id="settings-sign-in",
    title="Require a password for every settings page",
    steps=(
        "Over HTTPS, or at the panel where the device has none, set an administrator password that is not the delivered one, and put it into the vault.",
        "In the access settings, demand the sign-in for reading settings too, not only for changing them.",
    ),
    confirm="Scan again: settings-page-open shows pass.",
    needs_first="A way to set the password that is not overheard, and a place where it is kept.",
    stops_working="Service technicians and tools that read pages without a password.",
    ask="The service technician, and the readers of meters on the pages.",
    undo="Allow reading without a sign-in again in the same place.",
    lock_out="A lost administrator password can mean a factory reset: vault first.",
)

STRICT_TRANSPORT = Remedy(
    id="strict-transport-on",
    title="Enable HTTP Strict Transport Security",
    steps=(
        "See that the certificate is trusted by browsers, and that it renews by itself.",
        (
            "See that every port of the device's name that browsers open speaks HTTPS: the rule binds the name and so every port of "
            "it (RFC 6797), other web services among them."
        ),
        (
            "In the web server settings, switch HTTP Strict Transport Security on, with a short max-age first; leave includeSubDomains "
            "and preload off, which bind other names too."
        ),
    ),
    confirm="Scan again: http-strict-transport shows pass with a max-age above zero.",
    needs_first="A trusted certificate that renews.",
    stops_working="Browsers no longer let anyone click past an expired or self-signed certificate, nor open plain HTTP at every port of the same name.",
    ask=_ADMINISTRATOR,
    undo="Switch it off and serve max-age=0 once to every browser that has seen it.",
    lock_out="When the certificate expires, browsers refuse the name: the address or the panel is left.",
)

COOKIE_FLAGS = Remedy(
    id="cookie-flags",
    title="Update to firmware with Secure and HttpOnly cookies",
    steps=(
        "Look in the web server settings for HTTPS only; some devices then set the flags.",
        "Otherwise report it to the supplier, and install the firmware that fixes it.",
    ),
    confirm="Scan again: http-cookie-flags shows pass.",
    needs_first="Release notes read, settings exported.",
    stops_working="Nothing by the flags; a firmware update can reset settings and refuse supplies or apps.",
    ask="The supplier, and the owners of panel apps.",
    undo="None for firmware on most devices.",
    lock_out="None by the flags; a firmware update may restore the default password and address: know the panel's way in.",
)

IPP_TLS = Remedy(
    id="ipp-tls-only",
    title="Offer IPP over TLS only",
    steps=(
        "Move one pilot queue to ipps, then the others.",
        "In the IPP settings, require TLS, or disable IPP without TLS.",
        "Where the device offers no IPP over TLS, isolate it and plan its replacement.",
    ),
    confirm="Scan again: cleartext-ipp shows pass; print one page from each queue.",
    needs_first="Queues over ipps, tried on one pilot device, with a certificate that the clients trust.",
    stops_working="Queues by ipp://, old clients, some driverless printing.",
    ask=_PRINT_SERVERS,
    undo="Allow IPP without TLS again in the same place.",
    lock_out="None: the settings are reached another way.",
)

IPP_AUTHENTICATION = Remedy(
    id="ipp-authentication",
    title="Require authentication for IPP, or restrict its clients",
    steps=(
        "Decide who may print without a print server; where no one may, admit only the print servers' addresses.",
        WHOLE_DEVICE,
        "Otherwise, where the device offers IPP over TLS, enable authentication in the IPP settings.",
    ),
    confirm="Scan again: ipp-no-authentication shows pass, or the port is silent from a client's network.",
    needs_first="IPP over TLS, since Basic sends the password readable; accounts for users who print directly.",
    stops_working=f"Driverless printing from phones and guests. {LISTED_OUT}",
    ask=_PRINT_SERVERS,
    undo="Switch authentication off again in the same place; clear the list at the panel where it shuts you out.",
    lock_out=LOCK_OUT,
    after=("ipp-tls-only",),
)

JOB_PRIVACY = Remedy(
    id="job-names-private",
    title="Hide job and user names from unauthenticated clients",
    steps=(
        "In the privacy or security settings, hide job names and user names from anyone but the owner and the operator.",
        "Shorten the list of finished jobs, or switch it off.",
    ),
    confirm="Ask again while a job is listed: ipp-job-disclosure shows pass.",
    needs_first="Readers of job lists for accounting have accounts of their own.",
    stops_working="Status windows that show other people's jobs; accounting that reads the list without signing in.",
    ask="The accounting team.",
    undo="Show the names again in the same place.",
    lock_out="None: the settings are reached another way.",
)

PRINT_BY_REFERENCE_OFF = Remedy(
    id="print-by-reference-off",
    title="Switch printing by reference off",
    steps=(
        "In the IPP or print settings, switch off printing from an address (Print-URI, Send-URI).",
        "Where there is no such setting, let the device open no connections but to the servers it needs.",
    ),
    confirm="Scan again: ipp-print-by-reference shows pass.",
    needs_first="A list of servers that the device must reach: names (DNS), time, mail, directory, folders, event log, alerts, the supplier's service.",
    stops_working="Printing a document by giving its address; the operations are deprecated and hardly used. A filter also stops every server that was forgotten.",
    ask=_PRINT_SERVERS,
    undo="Switch it on again in the same place.",
    lock_out="None: the settings are reached another way.",
)

SCAN_SIGN_IN = Remedy(
    id="scan-service-guard",
    title="Disable network scanning without sign-in",
    steps=(
        "Ask who scans from a computer or phone straight from the device.",
        "In the scan or driverless settings, switch the service off, or demand a sign-in over TLS.",
    ),
    confirm="Scan again: scan-service-open and ipp-scan-service-open show pass.",
    needs_first="Another way to scan: to a folder or to mail, from the panel.",
    stops_working="Driverless scanning from computers and phones.",
    ask="The users of the device.",
    undo="Switch the service on again in the same place.",
    lock_out="None: the settings are reached another way.",
)

FTP_ANONYMOUS_OFF = Remedy(
    id="ftp-anonymous-off",
    title="Disable anonymous FTP",
    steps=(
        "In the FTP settings, switch anonymous access off; where there is no such setting, switch the FTP server off.",
        "Where jobs arrive this way, move them first: to IPP over TLS where the device has it, otherwise to a queue of the print server.",
    ),
    confirm="Scan again: ftp-anonymous shows pass.",
    needs_first="Another way to print and to update for those who use FTP.",
    stops_working="Printing and firmware updates by anonymous FTP.",
    ask="The users of the device, and the service technician.",
    undo="Switch anonymous access on again in the same place.",
    lock_out="None: FTP is not how the settings are reached.",
)

WEB_SERVICES_OFF = Remedy(
    id="web-services-off",
    title="Switch web services for printing and scanning off",
    steps=(
        "Find out which computers print or scan through queues that were found by themselves (WS-Discovery).",
        (
            "Give them other queues, and another way to scan, one pilot first: over IPP with TLS where the device has it, otherwise "
            "through the print server."
        ),
        "In the network settings, switch web services for printing and scanning off; WS-Discovery usually goes with them.",
    ),
    confirm="Scan again: web-services-in-clear and discovery-ws-discovery show pass; a test page still prints.",
    needs_first="The new queues, tried on one pilot device.",
    stops_working="Queues and scanning that computers set up by themselves.",
    ask="The workstation administrators, and the users who scan from them.",
    undo="Switch the services on again in the same place.",
    lock_out="None: the settings are reached another way.",
)

FAX_OUT_SIGN_IN = Remedy(
    id="fax-out-guard",
    title="Switch faxing from the network without sign-in off",
    steps=(
        "Ask who sends faxes from a computer, and through which fax server.",
        "In the fax settings, switch faxing from the network off, or demand a sign-in over TLS.",
        "Where the fax line is not needed, unplug it and switch the fax service off.",
    ),
    confirm="Scan again: fax-out-service-open shows pass.",
    needs_first="Another way to fax for those who need it: the panel, or a fax server.",
    stops_working="Faxing from computers straight through the device.",
    ask="The users who fax, and whoever answers for the fax line.",
    undo="Switch the service on again in the same place.",
    lock_out="None: the settings are reached another way.",
)

IPP_SYSTEM_SIGN_IN = Remedy(
    id="ipp-system-guard",
    title="Demand a sign-in for the IPP system service, or switch it off",
    steps=(
        "Find out which tool manages print services by IPP; most sites have none.",
        "In the IPP or web services settings, switch the system service off, or demand a sign-in over TLS.",
        "Look through the print services that the device lists; delete one only when the print server's administrator has confirmed that no queue uses it.",
    ),
    confirm="Scan again: ipp-system-service-open shows pass; a test page still prints.",
    needs_first="A list of the tools that manage the device by IPP, and their accounts.",
    stops_working="Tools that create and change print services by IPP without an account; queues of a print service that was deleted.",
    ask="The print server's administrator.",
    undo="Switch the service on again in the same place; a print service that was deleted must be set up anew.",
    lock_out="None: the settings are reached another way.",
)

SCAN_DESTINATIONS = Remedy(
    id="scan-destinations-encrypt",
    title="Send scans to encrypted destinations only",
    steps=(
        "List the destinations that the device keeps, with their owners.",
        "On each server, offer SFTP, FTPS, HTTPS or SMB 3 with encryption, and a least-privilege account for the device.",
        "Change each destination, with its server's certificate verified where the device can; make one test scan each.",
        "Change the passwords of the accounts that were used in clear, on every device that uses the same account.",
    ),
    confirm="Scan again: scan-destinations-in-clear shows pass; a test scan arrives at each destination.",
    needs_first="An encrypted service on each server, and the authority of its certificate on the device.",
    stops_working="Scans to servers that take FTP or HTTP in clear alone.",
    ask="The owners of the folders, and the server team.",
    undo="Enter the old destination again.",
    lock_out="None: destinations are not how the settings are reached.",
)
