"""Where reviews and scans in progress are kept, by SQLAlchemy, each review chained to the one before by digest."""

__all__ = [
    "copying",
    "device_rows",
    "input_files",
    "journal",
    "known_devices",
    "ledger",
    "next_scan",
    "opening",
    "persistence",
    "rejudge",
    "resume",
    "review_log",
    "running_findings",
    "schema",
    "store",
    "upgrade",
    "usage",
]
