"""Fuzz a parser with coverage guidance, for as long as you like.

    python tests/fuzz/fuzz.py PARSER -max_total_time=60
    python tests/fuzz/fuzz.py                            names all parsers

Begins with the parser's good messages, and with a folder of messages where one is named. What it finds is written to a file,
which it replays: `python tests/fuzz/fuzz.py PARSER crash-...`. Needs atheris, which is no dependency of the project; the same
parsers meet hypothesis in tests/probes/test_parsers.py.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path


def main() -> None:
    """Hand over to atheris."""
    try:
        import atheris
    except ImportError:
        sys.exit("atheris is not installed: python -m pip install atheris")
    sys.path.insert(0, str(Path(__file__).parents[1]))
    with atheris.instrument_imports(include=["hardenprobe", "scapy.layers", "pyasn1", "h11", "html.parser"]):
        from support.parsers import PARSERS
    name = sys.argv[1] if len(sys.argv) > 1 else ""
    if name not in PARSERS:
        sys.exit(f"which parser? {' '.join(sorted(PARSERS))}")
    parser = PARSERS[name]
    with tempfile.TemporaryDirectory() as folder:
        for number, seed in enumerate(parser.seeds()):
            (Path(folder) / f"seed-{number}").write_bytes(seed)
        parser.try_on(b"")  # what is imported or made by the first call
        replays = any(Path(given).is_file() for given in sys.argv[2:])
        atheris.Setup([sys.argv[0], *sys.argv[2:], *([] if replays else [folder])], parser.try_on)
        atheris.Fuzz()


if __name__ == "__main__":
    main()
