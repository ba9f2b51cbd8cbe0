"""What a scan may touch, when, and how hard: the scope file, its time window, its limits, and the ports that may be spoken to."""

__all__ = ["accounts", "clock", "limits", "ports", "scope", "scope_file", "web_paths", "window"]
