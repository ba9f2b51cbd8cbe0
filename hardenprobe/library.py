"""What `import hardenprobe` offers beside types: scan, judge, and load what was stored. Everything else is built on these rooms.

Every error is a `HardenprobeError`, whose text is one line for a person.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine, Iterable, Sequence
from dataclasses import replace
from functools import wraps
from pathlib import Path
from typing import Any, ParamSpec, TypeVar

from hardenprobe.baseline import selection
from hardenprobe.errors import UsageError
from hardenprobe.judging.review import judge as judge_observed
from hardenprobe.judging.review import rejudge
from hardenprobe.judging.rules import JudgingRules
from hardenprobe.listening import run as listening
from hardenprobe.listening.run import ListenJob
from hardenprobe.model import InputFile, Reach, Review
from hardenprobe.model import document as codec
from hardenprobe.network import audit_hook
from hardenprobe.planning.plan import check_scope
from hardenprobe.plugins import registry
from hardenprobe.scanning.job import Keeper, Progress, ScanJob
from hardenprobe.scanning.request import ScanRequest, absolute, begin, named, pinned
from hardenprobe.scanning.run import run
from hardenprobe.store import opening
from hardenprobe.store.ledger import Ledger
from hardenprobe.store.persistence import Keeper as StoreKeeper

File = str | Path
P = ParamSpec("P")
T = TypeVar("T")


async def scan_async(
    targets: str | Iterable[str],
    *,
    scope: File | None = None,
    inventory: File | None = None,
    baseline: File | None = None,
    reach: Reach | str = Reach.ASK,
    only: Iterable[str] = (),
    leave_out: Iterable[str] = (),
    secrets: File | None = None,
    trust_anchors: Iterable[File] = (),
    sources: Sequence[str] = (),
    ports: str | None = None,
    port_offset: int = 0,
    plugins: bool = True,
    checks_from: Iterable[File] = (),
    store: str | None = None,
    on_progress: Callable[[Progress], None] | None = None,
) -> Review:
    """Scan what you are authorised to scan, and judge it.

    `scan_async` is awaited inside of a running event loop; `scan` takes the same arguments and starts one. While a scan
    runs, the whole process reaches the network through hardenprobe alone: whatever else opens a socket is refused. One scan
    runs at a time in a process.

    >>> found = scan("127.78.9.1", only=["cleartext-telnet"], ports="23", plugins=False)
    >>> len(found.devices), len(found.findings)
    (0, 0)

    Args:
        targets: An address, a name, a block such as "192.0.2.0/24", "first-last", or "@file"; or several of them.
        scope: The file that says what may be touched; this machine's own addresses need none.
        inventory: The devices that should be there (YAML or CSV).
        baseline: Of the devices that no rule of the inventory fits: a shipped name or a file.
        reach: The highest test level: look, ask, strain or alter.
        only, leave_out: Ids of checks.
        secrets: The fleet's own SNMP users and communities (YAML).
        trust_anchors: CA certificates (PEM) beside the system's.
        sources: Our own addresses to ask from.
        ports: TCP ports instead of the baseline's, such as "21,23,9100-9107".
        port_offset: Added to every port; for a lab without low ports.
        plugins: Take the checks of installed packages too.
        checks_from: Folders whose Python files are checks too; this runs their code.
        store: Where the review is kept, a file or a database URL; None keeps it nowhere.
        on_progress: Called as the scan goes on.

    Returns:
        The review. It also holds what was not determined: see `Review.coverage`, and results that are unknown or error.

    Raises:
        HardenprobeError: Something that was asked for is impossible, or a file is wrong; nothing was sent.
        UsageError: An event loop runs in this thread, and `scan` was called.
    """
    levels = [level for level in Reach if level is not Reach.LISTEN]
    if str(reach) not in levels:
        raise UsageError(f"reach {str(reach)!r} is none of {', '.join(levels)}")
    request = ScanRequest(
        targets=pinned([targets] if isinstance(targets, str) else targets),
        inventory=_file(inventory),
        scope=_file(scope),
        baseline=named(str(baseline)) if baseline is not None else None,
        sources=tuple(sources),
        reach=str(reach),
        ports=ports,
        only=tuple(only),
        leave_out=tuple(leave_out),
        trust_anchors=tuple(str(Path(file).absolute()) for file in trust_anchors),
        secrets_file=_file(secrets),
        port_offset=port_offset,
        plugins=plugins,
        checks_from=tuple(str(Path(folder).absolute()) for folder in checks_from),
    )
    job, rules = request.prepare()
    check_scope(job.plan)
    if store is None:
        return await scan_and_judge(job, rules, on_progress=on_progress)
    return await _kept(store, request, job, rules, on_progress)


def _with_loop(awaited: Callable[P, Coroutine[Any, Any, T]]) -> Callable[P, T]:
    """The same for callers outside of an event loop."""

    @wraps(awaited)
    def blocking(*args: P.args, **given: P.kwargs) -> T:
        try:
            asyncio.get_running_loop()
        except RuntimeError:
            return asyncio.run(awaited(*args, **given))
        raise UsageError(
            f"hardenprobe.{blocking.__name__} was called inside of a running event loop; "
            f"write `await hardenprobe.{awaited.__name__}(...)` there, with the same arguments"
        )

    blocking.__name__ = blocking.__qualname__ = awaited.__name__.removesuffix("_async")
    return blocking


scan = _with_loop(scan_async)


async def scan_and_judge(
    job: ScanJob,
    rules: JudgingRules,
    keeper: Keeper | None = None,
    on_progress: Callable[[Progress], None] | None = None,
) -> Review:
    """Run a scan and judge what it observed, once, at its end. The scope is not asked here; see plan.check_scope.

    Args:
        keeper: Keeps each visit as it is finished, and knows what an interrupted scan has seen already.
        on_progress: Called as the scan goes on.

    Raises:
        ScopeRefused: The plan leaves the scope; nothing was sent.
    """
    return judge_observed(await run(job, keeper, on_progress), rules)


def listen_and_judge(job: ListenJob, rules: JudgingRules) -> tuple[Review, tuple[InputFile, ...]]:
    """Read captures and judge what they show; nothing is sent.

    Returns:
        The review, and the files that it rests on.

    Raises:
        FileInvalid: One of them cannot be read, is no capture, or holds no packet.
    """
    with audit_hook.watching():
        observed, inputs = listening.run(job)
    return judge_observed(observed, rules), inputs


async def _kept(
    url: str,
    request: ScanRequest,
    job: ScanJob,
    rules: JudgingRules,
    on_progress: Callable[[Progress], None] | None,
) -> Review:
    """Scan and keep each device as it is finished, so that `hardenprobe scan --resume` can go on."""
    with opening.opened(url) as kept:
        rules = replace(rules, decisions=Ledger(kept).decisions())
        with StoreKeeper(kept, begin(request, job)) as keeper:
            found = await scan_and_judge(job, rules, keeper, on_progress)
            whole = not found.head.interrupted and not found.coverage.unfinished
            return keeper.finish(found, complete=whole).review


def judge(
    seen: Review,
    *,
    baseline: File | None = None,
    only: Iterable[str] = (),
    plugins: bool = True,
    checks_from: Iterable[File] = (),
) -> Review:
    """Judge what a review holds again, as a review of its own; touches no network, and the given one stays as it was.

    >>> from hardenprobe.testing import sample_review
    >>> before = sample_review()
    >>> again = judge(before, plugins=False)
    >>> again.head.judged_from == before.head.id, len(again.devices)
    (True, 3)

    Args:
        baseline: A shipped name or a file; without it each device is judged by what is chosen for it again.
        only: Ids of the checks that judge it; all that may, by default.
        plugins, checks_from: As for `scan`.

    Raises:
        HardenprobeError: A baseline or a folder is wrong.
    """
    checks = registry.load(plugins, map(Path, checks_from))
    name = named(str(baseline)) if baseline is not None else None
    expected = selection.choose(() if name else seen.head.baselines, checks, name)
    return rejudge(seen, JudgingRules(baseline=expected, registry=checks, decisions=None), only=tuple(only))


def load_review(name: str = "latest", *, store: str | None = None) -> Review:
    """Load a stored review.

    Args:
        name: An id, the beginning of one, or "latest".
        store: A file or a database URL; where the command line keeps reviews by default.

    Raises:
        HardenprobeError: There is no such store or review.
    """
    from hardenprobe.store.opening import opened

    with opened(store, make=False) as kept:
        return kept.load(kept.find(name))


def to_document(of: Review) -> dict[str, Any]:
    """A review as the document hardenprobe.review/1, in plain JSON types.

    >>> from hardenprobe.testing import sample_review
    >>> to_document(sample_review())["format"]
    'hardenprobe.review/1'
    """
    return codec.to_document(of)


def from_document(document: Any) -> Review:
    """Read a document back.

    >>> from hardenprobe.testing import sample_review
    >>> from_document(to_document(sample_review())) == sample_review()
    True

    Raises:
        HardenprobeError: It is no such document; says where.
    """
    return codec.from_document(document)


def _file(path: File | None) -> str | None:
    return absolute(Path(path)) if path is not None else None
