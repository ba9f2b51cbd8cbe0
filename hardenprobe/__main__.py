"""`python -m hardenprobe` is the command line."""

from hardenprobe.cli import main

main()
