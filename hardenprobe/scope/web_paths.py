"""The paths that are asked for on a web server beside its first page: safe to ask, named by the baseline, never found by crawling."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class SettingsPage:
    """A page of settings that must not open without credentials.

    Attributes:
        path: Safe to GET: reading it changes nothing.
        marker: Text that only this page holds, and no sign-in form; letter case counts.
    """

    path: str
    marker: str


@dataclass(frozen=True, kw_only=True)
class WebPaths:
    """What a baseline names.

    Attributes:
        settings_pages: Asked for on every port that serves web pages.
        scan: Where a driverless scan service tells its capabilities.
        ipp: Where a print service may live, the likeliest first; only that one is tried on ports that are not IPP's.
    """

    settings_pages: tuple[SettingsPage, ...] = ()
    scan: tuple[str, ...] = ()
    ipp: tuple[str, ...] = ()
