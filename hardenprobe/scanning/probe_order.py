"""Which probe runs when in a visit: the cheapest and most telling first."""

from __future__ import annotations

from hardenprobe.probes.base import Probe
from hardenprobe.probes.discovery import llmnr, mdns, netbios, ntp, slp, small_services, ssdp, ws_discovery
from hardenprobe.probes.files import ftp, ftp_anonymous, smb, tftp
from hardenprobe.probes.printing import ipp, ipp_services
from hardenprobe.probes.remote import mail, rfb, telnet
from hardenprobe.probes.snmp import agent as snmp
from hardenprobe.probes.snmp import connections as snmp_connections
from hardenprobe.probes.snmp import objects as snmp_objects
from hardenprobe.probes.snmp import strain as snmp_strain
from hardenprobe.probes.snmp import supplied as snmp_supplied
from hardenprobe.probes.snmp import write as snmp_write
from hardenprobe.probes.ssh import algorithms as ssh
from hardenprobe.probes.tls import ports as tls_ports
from hardenprobe.probes.web import http
from hardenprobe.probes.web import pages as web_pages
from hardenprobe.probes.web import services as web_services

# Asked before the ports are gone through, since a device may answer nothing else; and afterwards, in this order: http
# needs to know where TLS is spoken.
FIRST_PROBES: tuple[Probe, ...] = (snmp.PROBE, snmp_objects.PROBE)


PROBES: tuple[Probe, ...] = (
    telnet.PROBE,
    ssh.GREETING,
    ftp.PROBE,
    ftp_anonymous.PROBE,
    mail.PROBE,
    ssh.PROBE,
    tls_ports.PROBE,
    http.PROBE,
    mdns.PROBE,  # names where a scan service answers
    web_pages.PROBE,
    web_services.PROBE,
    ipp.PROBE,
    ipp_services.PROBE,
    smb.PROBE,
    rfb.PROBE,
    llmnr.PROBE,
    netbios.PROBE,
    slp.PROBE,
    ws_discovery.PROBE,
    ssdp.PROBE,
    ntp.PROBE,
    tftp.PROBE,
    small_services.PROBE,
    snmp_supplied.PROBE,
    snmp_strain.PROBE,
    snmp_write.PROBE,
    snmp_connections.PROBE,
    tls_ports.SUITES,  # the dearest: what the ceiling cuts is cut here
    tls_ports.STRAIN,
)


LISTENING = (telnet.PROBE, ssh.GREETING)  # they read what was heard
