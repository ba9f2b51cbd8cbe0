"""A plug-in's probe at one device: it asks with a share of what is left, and whatever it does wrong is a fault of its own."""

from __future__ import annotations

import asyncio
import logging
from contextlib import aclosing
from dataclasses import replace
from functools import partial
from pathlib import Path

from hardenprobe.errors import (
    CeilingReached,
    LocalFault,
    MalformedReply,
    MayNotSpeak,
    PastTheDoor,
    ScopeRefused,
    TimeLimitExceeded,
    Unreachable,
    blame,
    clip,
)
from hardenprobe.facts import ProbeFault
from hardenprobe.model import Reason
from hardenprobe.plugins.contract import hold_observation
from hardenprobe.plugins.time_limit import stepwise
from hardenprobe.probes.base import Probe, ProbeContext
from hardenprobe.scope.ports import may_speak

log = logging.getLogger("hardenprobe.plugins.probe_share")


async def ask(probe: Probe, asked: ProbeContext, parts: int, seconds: float) -> None:
    """Let a plug-in's probe ask. It sees what the visit has seen, and changes nothing of it.

    Args:
        parts: How many such probes are still to come; each may spend as much.
        seconds: How long it may take.

    Raises:
        ScopeRefused: The address, the hour or the stop file forbid to go on.
        LocalFault: This machine cannot go on.
        TimeLimitExceeded: It kept everything else waiting, and must not be run again.
    """
    transport, port = probe.place or ("tcp", None)
    fault = partial(
        asked.fault,
        probe.name,
        probe.produces,
        where=None if port is None else asked.line.endpoint(port, transport),
    )
    task = asyncio.current_task()
    known = {seen.id for seen in asked.seen}
    with asked.line.shared(parts, may_speak(probe.tcp_ports.items(), base=asked.line.may_speak)) as line:
        own = replace(asked, line=line, heard=dict(asked.heard), seen=list(asked.seen), _notes={})
        clock = asyncio.timeout(seconds)
        try:
            async with clock, aclosing(stepwise(probe.ask(own))) as found:
                async for observation in found:
                    asked.seen.append(hold_observation(probe, observation, line))
        except TimeoutError as exc:
            if not clock.expired():
                fault(Reason.CRASHED, f"it raised TimeoutError{_blame(probe, exc)}")
            else:
                fault(Reason.CEILING, f"this probe's share of the time, {seconds:.1f} seconds, is used up")
        except LocalFault:
            raise
        except Unreachable as exc:
            fault(Reason.SILENT if exc.state == "silent" else Reason.DROPPED, str(exc))
        except MalformedReply as exc:
            fault(Reason.INCONCLUSIVE, str(exc))
        except CeilingReached as exc:
            fault(Reason.CEILING, str(exc))
        except (PastTheDoor, MayNotSpeak) as exc:
            fault(Reason.CRASHED, f"{exc}{_blame(probe, exc)}")
        except ScopeRefused as exc:
            line.permit.check(line.address)
            fault(Reason.CRASHED, f"it raised ScopeRefused: {exc}{_blame(probe, exc)}")
        except (Exception, SystemExit) as exc:
            log.exception("probe %s at %s", probe.name, line.address)
            fault(Reason.CRASHED, f"{type(exc).__name__}: {clip(str(exc), 240)}{_blame(probe, exc)}")
        except asyncio.CancelledError as exc:
            if task is not None and task.cancelling():
                raise
            fault(Reason.CRASHED, f"it raised CancelledError{_blame(probe, exc)}")
        except TimeLimitExceeded as exc:
            text = f"{exc}{_blame(probe, exc)}"
            fault(Reason.CRASHED, f"{text}; it is not run any more")
            raise TimeLimitExceeded(text) from None
        finally:
            mine = own.seen if isinstance(own.seen, list) else []
            asked.seen += [seen for seen in mine if _own_fault(probe, seen) and seen.id not in known]


def _blame(probe: Probe, exc: BaseException) -> str:
    """The file and line at which a probe broke; those of its `ask` where it broke the contract."""
    code = getattr(probe.ask, "__code__", None)
    if code is None:
        return ""
    return blame(exc, str(Path(code.co_filename).parent), f"{code.co_filename}, line {code.co_firstlineno}")


def _own_fault(probe: Probe, seen: object) -> bool:
    """What it wrote down itself, with `ProbeContext.trying`."""
    kinds = {facts.kind for facts in probe.produces}
    facts = getattr(seen, "facts", None)
    return isinstance(facts, ProbeFault) and kinds.issuperset(facts.kinds)
