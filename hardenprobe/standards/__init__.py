"""Published rule-sets, CCSS scores, controls and segments: readers of dated data, with no opinion of their own."""

__all__ = [
    "ccss",
    "ccss_environment",
    "controls",
    "device_time",
    "rule_files",
    "segments",
    "ssh_rules",
    "tls_rules",
]
