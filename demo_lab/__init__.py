"""Virtual office devices on loopback that really speak their protocols.

`running_lab()` starts them in a process of their own; `INVENTORY` is the file that describes them, and the example of an
inventory; `truth.expected_findings()` derives from that file what a scan must find.
"""

from __future__ import annotations

from hardenprobe.demo_lab.process import INVENTORY, RunningLab, running_lab

__all__ = ["INVENTORY", "RunningLab", "running_lab"]
