"""The command line: one module a command, each parses, calls one library function and prints.

Exit status, the first that holds: 70 a bug in hardenprobe; 2 wrong usage or bad input; 3 incomplete; 1 at least one
open finding; 0 otherwise.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from importlib import import_module

import click

from hardenprobe import __version__
from hardenprobe.errors import HardenprobeError

BUG, USAGE, INTERRUPTED = 70, 2, 3

CAUTION = (
    "Scan only networks that you are authorised to scan. Changes to devices belong to licensed or responsible people: "
    "local security policy, local codes and the device's own documentation come first."
)

# Name to module and what the list of commands says, so that `--help` imports no command.
_COMMANDS = {
    "demo": ("demo", "Start the lab, scan it, show the findings, write the report."),
    "init": ("init", "Write a commented scope, inventory and baseline to start from."),
    "scan": ("scan", "Scan what you are authorised to scan, and judge it."),
    "listen": ("listen", "Review devices by captured traffic alone; nothing is sent."),
    "next": ("next", "Scan again as last time, and say what differs."),
    "recheck": ("recheck", "Repeat only the requests that prove findings; before and after."),
    "reviews": ("reviews", "List and verify the stored reviews, newest first."),
    "compare": ("compare", "What changed between two reviews, and why."),
    "judge": ("judge", "Judge stored observations again; touches no network."),
    "exception": ("exception", "Accept a risk for a time: approval, compensating controls, expiry."),
    "statement": ("statement", "Keep attestations of controls that are assessed manually."),
    "device": ("device", "Accept a device into the fleet, retire it, read its history."),
    "report": ("report", "Write a stored review as a page, a table or a document."),
    "evidence": ("evidence", "Pack a review for an auditor, verify a bag, trace a finding."),
    "allowlist": ("allowlist", "Compare a device's allow-list with the approved networks."),
    "plan": ("plan", "What a review's remediations leave open, step by step; whom they affect."),
    "usage": ("usage", "Keep who uses which service: captures and flow records."),
    "checks": ("checks", "List the checks, read, write or try one."),
    "baseline": ("baseline", "List the baselines, read or validate one."),
    "scope": ("scope", "Validate a scope file."),
    "store": ("store", "Remove old reviews, and keep the chain verifiable."),
    "vantage": ("vantage", "Run workers that scan from other vantage points."),
    "lab": ("lab", "Start virtual devices."),
}


class _Lazy(click.Group):
    """A group that imports a command when it is asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(_COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in _COMMANDS:
            return None
        import_module("hardenprobe.cli.trouble").log_to_file()
        command = import_module(f"hardenprobe.cli.{_COMMANDS[cmd_name][0]}").command
        assert isinstance(command, click.Command)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, text) in _COMMANDS.items()])


@click.group(cls=_Lazy, epilog=CAUTION, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, "--version", prog_name="hardenprobe")
def cli() -> None:
    """Check how well networked office devices are hardened at the network-protocol level, and prove it."""


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the command line and end the process with its exit status."""
    sys.exit(run(arguments))


def run(arguments: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit status; no exception passes."""
    try:
        status = cli.main(args=arguments, prog_name="hardenprobe", standalone_mode=False)
        sys.stdout.flush()
    except click.ClickException as exc:
        exc.show()
        return USAGE
    except HardenprobeError as exc:
        click.echo(f"hardenprobe: {exc}", err=True)
        return USAGE
    except (click.Abort, KeyboardInterrupt):
        click.echo("hardenprobe: interrupted", err=True)
        return INTERRUPTED
    except BrokenPipeError:
        # The reader of the output has gone; write nothing more, not even at the interpreter's end.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return INTERRUPTED
    except SystemExit:
        # Click's own end where the reader has gone; its status 1 would mean an open finding.
        return INTERRUPTED
    except MemoryError:
        click.echo(
            "hardenprobe: this machine has no memory left for it; close other programs, or name fewer devices. "
            "`hardenprobe scan --resume latest` goes on with a scan that was not finished",
            err=True,
        )
        return INTERRUPTED
    except Exception:  # noqa: BLE001 - whatever it is, a user sees no traceback
        from hardenprobe.cli.trouble import report_bug

        report_bug()
        return BUG
    return status if isinstance(status, int) else 0
