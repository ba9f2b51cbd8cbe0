"""The files that `hardenprobe init` writes."""
