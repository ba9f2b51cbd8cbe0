"""The plan as a change board reads and signs it."""

from __future__ import annotations

from hardenprobe.engine import DEVICES_AT_ONCE
from hardenprobe.plan import Plan
from hardenprobe.ports import MAY_SPEAK, NEVER_SPEAK
from hardenprobe.probes.snmp_objects import ROUNDS
from hardenprobe.records import Reach
from hardenprobe.reports.text import ports_text

IPP, IPP_JOBS = 631, 2  # IPP's port, asked in clear and over TLS; questions about jobs
TLS_CONNECTIONS = 70  # the most that one TLS port costs at reach ask


def text(plan: Plan) -> str:
    """What would be sent, to whom, how far and at which cost at most."""
    spoken = [p for p in plan.tcp_ports if p in MAY_SPEAK]
    web = [p for p in spoken if MAY_SPEAK[p] & {"http", "tls"}]
    tls = [p for p in spoken if "tls" in MAY_SPEAK[p]]
    connections = 2 * len(plan.tcp_ports) + 1
    datagrams = failures = 0
    if plan.reach.admits(Reach.ASK):
        pages = len(plan.http_paths) + len(plan.web.settings_pages) + len(plan.web.scan) + bool(plan.web.ipp)
        connections += (2 * len(plan.web.ipp) + IPP_JOBS) * (IPP in spoken)
        connections += 2 + len(web) * pages + TLS_CONNECTIONS * len(tls)
        failures = 2 * (1 + 2 * len(plan.communities) + 2)
        # Two walks, and for each secret a discovery, a question a level, and the same walks.
        datagrams = failures + 4 * ROUNDS + len(plan.secrets) * (10 + 4 * ROUNDS)
        if plan.reach.admits(Reach.STRAIN):
            datagrams += 1
        if plan.reach.admits(Reach.ALTER):
            datagrams += 10 * (len(plan.communities) + len(plan.secrets))
    connections = min(connections, plan.timing.connections)
    datagrams = min(datagrams, plan.timing.datagrams)
    visits = plan.count * len(plan.vantages)
    hours = visits * plan.timing.seconds / DEVICES_AT_ONCE / 3600
    mute = [p for p in plan.tcp_ports if p in NEVER_SPEAK]
    ask = plan.reach.admits(Reach.ASK)
    lines = [
        f"plan {plan.hash[:16]}  (SHA-256 {plan.hash})",
        "",
        f"scope            {plan.scope.name}, authorised by {plan.scope.authorised_by}",
        f"targets          {', '.join(t.text for t in plan.targets)}: {plan.count:,} addresses at most",
        f"excluded         {', '.join(plan.scope.exclude.cover()) or 'nothing'}",
        f"asked from       {', '.join(f'{v.name} ({v.source})' for v in plan.vantages)}",
        f"reach            {plan.reach}",
        f"TCP ports        {ports_text(plan.tcp_ports)}"
        + (f", each shifted by {plan.port_offset}" if plan.port_offset else ""),
        f"spoken to        {ports_text(tuple(spoken)) if ask else 'none'}; the rest is listened to and closed",
        f"never spoken to  {ports_text(tuple(mute)) or 'none of these ports'}",
        f"UDP ports        {ports_text(plan.udp_ports) if ask else 'none'}",
        f"at most          {connections:,} connections and {datagrams:,} datagrams a device, one at a time;",
        f"                 {connections * visits:,} connections and {datagrams * visits:,} datagrams in all;",
        f"                 {hours:,.1f} hours if every device used up its {plan.timing.seconds:g} seconds",
        f"secrets          {_secrets(plan)}; the published SNMP defaults "
        f"{', '.join(map(repr, plan.communities))} are tried"
        if ask
        else "secrets          none",
        "alarms           the monitoring team may see for each device "
        + (
            f"{failures} SNMP authentication failures and 2 FTP sign-ins, one unfinished, one anonymous"
            if ask
            else "none"
        ),
        f"checks           {len(plan.checks)}: {', '.join(sorted(plan.checks))}",
    ]
    if plan.scope.contacts:
        lines.insert(4, f"contacts         {', '.join(plan.scope.contacts)}")
    return "\n".join(lines)


def _secrets(plan: Plan) -> str:
    """Which secret goes where."""
    if not plan.secrets:
        return "none"
    return f"{', '.join(plan.secrets)}, to devices of the inventory that were confirmed without a secret"
